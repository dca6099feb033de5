"""Pages of the loggers."""

from django.urls import path

from biobank.temperature import views

urlpatterns = [
    path("loggers/", views.loggers, name="loggers"),
    path("loggers/new/", views.logger_new, name="logger_new"),
    path("loggers/import/", views.logger_import, name="logger_import"),
    path("loggers/import/<int:pk>/", views.logger_draft, name="logger_draft"),
    path("loggers/<slug:code>/", views.logger, name="logger"),
    path("loggers/<slug:code>/place/", views.logger_place, name="logger_place"),
    path("loggers/<slug:code>/take-out/", views.logger_take_out, name="logger_take_out"),
]
