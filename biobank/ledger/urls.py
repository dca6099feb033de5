from django.urls import path

from . import views

urlpatterns = [
    path("ledger/findings/", views.findings, name="findings"),
    path("ledger/findings/<uuid:event>/<str:subject>/<slug:code>/", views.close, name="finding_close"),
    path("ledger/held/<int:pk>/", views.held, name="held"),
    path("ledger/held/<int:pk>/let-in/", views.let_in, name="held_let_in"),
    path("ledger/held/<int:pk>/set-aside/", views.set_aside, name="held_set_aside"),
    path("ledger/held/settled/", views.settled, name="held_settled"),
    path("ledger/devices/", views.devices, name="devices"),
    path("ledger/devices/new/", views.register, name="device_new"),
    path("ledger/devices/<slug:code>/revoke/", views.revoke, name="device_revoke"),
]
