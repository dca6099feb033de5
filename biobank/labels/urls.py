from django.urls import path

from . import views

urlpatterns = [
    path("sets/labels.pdf", views.labels_pdf, name="labels_pdf"),
    path("sets/<str:code>/labels.pdf", views.set_labels, name="set_labels"),
    path("sets/<str:code>/reprint/", views.set_reprint, name="set_reprint"),
    path("sets/<str:code>/void/", views.set_void, name="set_void"),
]
