"""The custody app: after every migration the append-only triggers are put back."""

from __future__ import annotations

from typing import Any

from django.apps import AppConfig
from django.core.checks import Tags, register
from django.db.models.signals import post_migrate


def put_back(using: str, **_: Any) -> None:
    from custody import triggers

    triggers.ensure(using)


class CustodyConfig(AppConfig):
    name = "custody"

    def ready(self) -> None:
        from custody import triggers

        # Not domain work: an ordinary AlterField on SQLite remakes the table and loses its triggers.
        post_migrate.connect(put_back, sender=self)
        register(triggers.check_database, Tags.database)
