from django.urls import path

from . import views

urlpatterns = [
    path("sets/", views.sets, name="sets"),
    path("sets/new/", views.set_new, name="set_new"),
    path("sets/scan/", views.set_scan, name="set_scan"),
    path("sets/<str:code>/", views.tube_set, name="set"),
    path("sets/<str:code>/bind/", views.set_bind, name="set_bind"),
    path("sets/<str:code>/rebind/", views.set_rebind, name="set_rebind"),
    path("sets/<str:code>/pack/", views.set_pack, name="set_pack"),
    path("sets/<str:code>/pack/scan/", views.set_pack_scan, name="set_pack_scan"),
    path("sets/<str:code>/issue/", views.set_issue, name="set_issue"),
    path("sets/<str:code>/return/", views.set_return, name="set_return"),
]
