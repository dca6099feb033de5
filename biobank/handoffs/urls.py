from django.urls import path

from . import views

urlpatterns = [
    path("handoffs/", views.handoffs, name="handoffs"),
    path("handoffs/new/", views.new, name="handoff_new"),
    path("handoffs/<uuid:key>/", views.handoff, name="handoff"),
    path("handoffs/<uuid:key>/receive/", views.receive, name="handoff_receive"),
    path("handoffs/<uuid:key>/refuse/", views.send_back, {"kind": "refused"}, name="handoff_refuse"),
    path("handoffs/<uuid:key>/withdraw/", views.send_back, {"kind": "withdrawn"}, name="handoff_withdraw"),
    path("handoffs/<uuid:key>/custody.pdf", views.custody_pdf, name="handoff_pdf"),
]
