"""Addresses of plans, kits and lots."""

from django.urls import path

from biobank.plans import views

urlpatterns = [
    path("plans/", views.plans, name="plans"),
    path("plans/new/", views.plan_new, name="plan_new"),
    path("plans/starters/", views.plan_starters, name="plan_starters"),
    path("plans/table/", views.plan_table, name="plan_table"),
    path("plans/kit/", views.kit, name="kit"),
    path("plans/<str:code>/<int:version>/", views.plan, name="plan"),
    path("plans/<str:code>/<int:version>/change/", views.plan_change, name="plan_change"),
    path("plans/<str:code>/<int:version>/retire/", views.plan_retire, name="plan_retire"),
    path("plans/<str:code>/<int:version>/move/", views.plan_move, name="plan_move"),
    path("plans/<str:code>/<int:version>/tubes/new/", views.plan_tube_new, name="plan_tube_new"),
    path("plans/<str:code>/<int:version>/tubes/<int:number>/", views.plan_tube, name="plan_tube"),
    path(
        "plans/<str:code>/<int:version>/tubes/<int:number>/remove/",
        views.plan_tube_remove,
        name="plan_tube_remove",
    ),
    path("plans/<str:code>/<int:version>/plan.<str:kind>", views.plan_export, name="plan_export"),
    path("lots/", views.lots, name="lots"),
    path("lots/<int:pk>/used-up/", views.lot_used_up, name="lot_used_up"),
]
