"""Permits and agreements."""

from django.urls import path

from biobank.permits import views

urlpatterns = [
    path("permits/", views.permits, name="permits"),
    path("permits/new/", views.permit_new, name="permit_new"),
    path("permits/<int:pk>/", views.permit, name="permit"),
    path("permits/<int:pk>/change/", views.permit_edit, name="permit_edit"),
    path("permits/<int:pk>/files/", views.permit_files, name="permit_files"),
    path("permits/<int:pk>/files/<slug:name>/", views.permit_file, name="permit_file"),
]
