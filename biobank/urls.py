"""Where each room's pages begin."""

from importlib import import_module
from importlib.util import find_spec

from django.urls import include, path

ROOMS = [
    "people",
    "register",
    "plans",
    "days",
    "sets",
    "sheets",
    "field",
    "animals",
    "blood",
    "labels",
    "bench",
    "scan",
    "board",
    "disposal",  # before store: /store/out/ is not a unit
    "store",
    "counts",
    "evacuation",
    "temperature",
    "alarms",
    "checks",
    "permits",
    "handoffs",
    "shipping",
    "tubes",
    "imports",
    "amend",
    "exposure",
    "ledger",
]

urlpatterns = [
    path("", include(import_module(f"biobank.{room}.urls")))
    for room in ROOMS
    if find_spec(f"biobank.{room}.urls")
]
