from django.urls import path

from . import views

urlpatterns = [
    path("imports/", views.imports, name="imports"),
    path("imports/new/", views.upload, name="import_new"),
    path("imports/drafts/<int:pk>/", views.draft, name="import_draft"),
    path("imports/drafts/<int:pk>/forget/", views.forget, name="import_forget"),
    path("imports/mappings/new/", views.mapping, name="import_mapping_new"),
    path("imports/mappings/<int:pk>/", views.mapping, name="import_mapping"),
    path("imports/<int:pk>/", views.taken, name="import_taken"),
]
