"""Seals the days of loggers that send by themselves."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from biobank.temperature import feed


class Command(BaseCommand):
    help = "Seal days that are over of loggers that send by themselves (also done when they next send)."

    def handle(self, *args: Any, **said: Any) -> None:
        done = feed.seal_all(timezone.now())
        for code, what in done.items():
            self.stdout.write(
                f"{code}: {what:,} readings sealed" if isinstance(what, int) else f"{code}: {what}"
            )
        if any(isinstance(what, str) for what in done.values()):
            raise CommandError("Some days could not be sealed; their readings stay as they came.")
