from django.urls import path

from . import views

urlpatterns = [
    path("exposure/tube/<str:code>/", views.tube, name="exposure_tube"),
    path("exposure/tube/<str:code>/paper.pdf", views.tube_paper, name="exposure_tube_pdf"),
    path("exposure/animal/<str:code>/", views.animal, name="exposure_animal"),
    path("exposure/animal/<str:code>/paper.pdf", views.animal_paper, name="exposure_animal_pdf"),
]
