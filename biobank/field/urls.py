from django.urls import path

from . import views

urlpatterns = [
    path("days/", views.days, name="days"),
    path("days/new/", views.day_new, name="day_new"),
    path("days/<int:pk>/", views.day, name="day"),
    path("sets/", views.sets, name="sets"),
    path("sets/new/", views.set_new, name="set_new"),
    path("sets/<str:code>/", views.tube_set, name="set"),
    path("sets/<str:code>/bind/", views.set_bind, name="set_bind"),
    path("sets/<str:code>/draw/", views.set_draw, name="set_draw"),
    path("draw/", views.draw_one, name="draw_one"),
    path("workups/<str:code>/", views.workup, name="workup"),
    path("workups/<str:code>/clock/", views.workup_clock, name="workup_clock"),
    path("workups/<str:code>/animal/", views.workup_animal, name="workup_animal"),
    path("workups/<str:code>/new-animal/", views.workup_new_animal, name="workup_new_animal"),
    path("animals/<str:code>/", views.animal, name="animal"),
]
