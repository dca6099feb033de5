from django.urls import path

from . import printer_views, views

urlpatterns = [
    path("labels/", views.labels, name="labels"),
    path("labels/places.pdf", views.units_pdf, name="units_pdf"),
    path("labels/calibration.pdf", printer_views.calibration, name="calibration"),
    path("labels/printers/new/", printer_views.printer_new, name="printer_new"),
    path("labels/printers/<int:pk>/", printer_views.printer, name="printer"),
    path("labels/printers/<int:pk>/measured/", printer_views.measured, name="printer_measured"),
    path("sets/labels.pdf", views.labels_pdf, name="labels_pdf"),
    path("sets/<str:code>/labels.pdf", views.set_labels, name="set_labels"),
    path("sets/<str:code>/reprint/", views.set_reprint, name="set_reprint"),
    path("sets/<str:code>/void/", views.set_void, name="set_void"),
]
