from django.urls import path

from . import views

urlpatterns = [
    path("bench/", views.bench, name="bench"),
    path("bench/spin/", views.spin, name="spin"),
    path("bench/aliquot/", views.choose, name="aliquot"),
    path("bench/aliquot/<str:code>/", views.aliquot, name="aliquot_tube"),
    path("bench/grade/", views.grade, name="grade"),
]
