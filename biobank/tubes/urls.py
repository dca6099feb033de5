from django.urls import path

from . import views

urlpatterns = [
    path("tubes/", views.find, name="tubes"),
    path("tubes/<str:code>/", views.tube, name="tube"),
    path("tubes/<str:code>/custody.pdf", views.custody_pdf, name="tube_pdf"),
]
