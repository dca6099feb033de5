from django.urls import path

from . import views

urlpatterns = [
    path("animals/", views.animals, name="animals"),
    path("animals/identifiers/<int:pk>/end/", views.identifier_end, name="identifier_end"),
    path("animals/merges/<int:pk>/undo/", views.animal_unmerge, name="animal_unmerge"),
    path("animals/<str:code>/", views.animal, name="animal"),
    path("animals/<str:code>/identifiers/", views.identifier_add, name="identifier_add"),
    path("animals/<str:code>/merge/", views.animal_merge, name="animal_merge"),
    path("animals/<str:code>/split/", views.animal_split, name="animal_split"),
    path("workups/<str:code>/chip/", views.workup_chip, name="workup_chip"),
]
