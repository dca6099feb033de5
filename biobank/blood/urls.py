from django.urls import path

from . import views

urlpatterns = [
    path("blood/", views.limits, name="blood"),
    path("workups/<str:code>/blood/", views.workup_blood, name="workup_blood"),
]
