"""Recompute the ledger's hashes."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from custody import triggers
from custody.verify import verify


class Command(BaseCommand):
    help = "Recompute every hash of the ledger and compare. Ends with an error when anything differs."

    def handle(self, *args: Any, **options: Any) -> None:
        report = verify()
        report.wrong += [f"trigger {name} is missing" for name in triggers.missing()]
        for sentence in report.wrong:
            self.stderr.write(sentence)
        if report.wrong:
            raise CommandError(f"The ledger does not hold: {len(report.wrong)} things are wrong.")
        self.stdout.write(f"{report.events} events with {report.lines} lines agree with their hashes.")
        self.stdout.write(f"root {report.root}")
