from django.urls import path

from . import views

urlpatterns = [
    path("store/", views.store, name="store"),
    path("store/put-away/", views.put_away, name="put_away"),
    path("store/move/", views.move, name="move"),
    path("store/pull/", views.pull, name="pull"),
    path("store/thaw/", views.thaw, name="thaw"),
    path("store/discard/", views.discard, name="discard"),
    path("store/add/", views.add_unit, name="unit_add"),
    path("store/<str:code>/", views.unit, name="unit"),
    path("store/<str:code>/move/", views.move_unit, name="unit_move"),
]
