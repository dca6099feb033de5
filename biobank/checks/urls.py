"""Rules."""

from django.urls import path

from biobank.checks import views

urlpatterns = [
    path("rules/", views.rules, name="rules"),
    path("rules/<str:code>/<int:version>/", views.rule_set, name="rule_set"),
]
