"""Remake the derived tables from the ledger, or check them."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from custody.rebuild import differences, rebuild
from custody.verify import verify


class Command(BaseCommand):
    help = "Fold every tube anew from the ledger. With --check, change nothing and compare."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--check", action="store_true", help="compare only; an error when anything differs"
        )

    def handle(self, *args: Any, check: bool, **options: Any) -> None:
        if wrong := verify().wrong:  # never fold from a ledger that does not hold
            raise CommandError("\n".join([*wrong, "The ledger itself does not hold; nothing was folded."]))
        if not check:
            self.stdout.write(f"{rebuild()} tubes folded anew.")
            return
        if found := differences():
            raise CommandError("\n".join([*found, f"{len(found)} differences between state and ledger."]))
        self.stdout.write("Every state equals its rebuild.")
