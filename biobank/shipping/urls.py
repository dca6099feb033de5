from django.urls import path

from . import draft_views, views

urlpatterns = [
    path("shipments/", views.shipments, name="shipments"),
    path("shipments/new/", draft_views.new, name="shipment_new"),
    path("shipments/hours/", views.receivers, name="receivers"),
    path("shipments/hours/<str:code>/", views.hours, name="open_hours"),
    path("shipments/hours/<str:code>/<str:what>/<int:pk>/", views.hours_out, name="open_hours_out"),
    path("shipments/<int:pk>/", views.shipment, name="shipment"),
    path("shipments/<int:pk>/marks/", views.marks, name="shipment_marks"),
    path("shipments/<int:pk>/change/", draft_views.change, name="shipment_change"),
    path("shipments/<int:pk>/tubes/", draft_views.tubes, name="shipment_tubes"),
    path("shipments/<int:pk>/tubes/out/", draft_views.tubes_out, name="shipment_tubes_out"),
    path("shipments/<int:pk>/legs/new/", draft_views.leg_new, name="leg_new"),
    path("shipments/<int:pk>/legs/<int:n>/", draft_views.leg, name="leg"),
    path("shipments/<int:pk>/legs/<int:n>/remove/", draft_views.leg_remove, name="leg_remove"),
    path("shipments/<int:pk>/packing/", draft_views.packing, name="shipment_packing"),
    path("shipments/<int:pk>/send/", draft_views.send, name="shipment_send"),
    path("shipments/<int:pk>/drop/", draft_views.drop, name="shipment_drop"),
]
