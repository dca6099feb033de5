from django.urls import path

from . import views, workup_views

urlpatterns = [
    path("sets/<str:code>/draw/", workup_views.set_draw, name="set_draw"),
    path("draw/", workup_views.draw_one, name="draw_one"),
    path("workups/<str:code>/", workup_views.workup, name="workup"),
    path("workups/<str:code>/clock/", workup_views.workup_clock, name="workup_clock"),
    path("workups/<str:code>/vitals/", workup_views.workup_vitals, name="workup_vitals"),
    path("workups/<str:code>/vitals/<int:pk>/", workup_views.workup_strike, name="workup_strike"),
    path("workups/<str:code>/measures/", workup_views.workup_measures, name="workup_measures"),
    path("workups/<str:code>/past/", workup_views.workup_past, name="workup_past"),
    path("workups/<str:code>/animal/", views.workup_animal, name="workup_animal"),
    path("workups/<str:code>/new-animal/", views.workup_new_animal, name="workup_new_animal"),
]
