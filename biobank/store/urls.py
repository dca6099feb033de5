from django.urls import path

from . import racks, swaps, views

urlpatterns = [
    path("store/", views.store, name="store"),
    path("store/put-away/", views.put_away, name="put_away"),
    path("store/move/", views.move, name="move"),
    path("store/pull/", views.pull, name="pull"),
    path("store/thaw/", views.thaw, name="thaw"),
    path("store/add/", views.add_unit, name="unit_add"),
    path("store/where/", views.where, name="where"),
    path("store/carry/", views.carry, name="carry"),
    path("store/find/", views.find, name="find"),
    path("store/room/", views.room, name="room"),
    path("store/rack/", racks.rack, name="rack"),
    path("store/rack/put/", racks.rack_put, name="rack_put"),
    path("store/swap/", swaps.swaps, name="swaps"),
    path("store/swap/<int:pk>/", swaps.swap, name="swap"),
    path("store/swap/<int:pk>/close/", swaps.swap_close, name="swap_close"),
    path("store/<str:code>/map.pdf", views.map_pdf, name="unit_map"),
    path("store/<str:code>/", views.unit, name="unit"),
    path("store/<str:code>/move/", views.move_unit, name="unit_move"),
]
