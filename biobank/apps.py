"""The biobank app: after every migration the triggers that keep its rows are put back."""

from __future__ import annotations

from typing import Any

from django.apps import AppConfig
from django.db.models.signals import post_migrate


def put_back(using: str, **_: Any) -> None:
    from biobank import kept

    kept.ensure(using)


class BiobankConfig(AppConfig):
    name = "biobank"

    def ready(self) -> None:
        # Not domain work: an ordinary AlterField on SQLite remakes the table and loses its triggers.
        post_migrate.connect(put_back, sender=self)
