"""Remake the derived tables from the ledger, or check them."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from tqdm import tqdm

from custody import queries, spread
from custody.rebuild import differences, rebuild
from custody.verify import verify


class Command(BaseCommand):
    help = "Fold every tube anew from the ledger. With --check, change nothing and compare."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--check", action="store_true", help="compare only; an error when anything differs"
        )

    def handle(self, *args: Any, check: bool, **options: Any) -> None:
        try:
            self._verify()
            self._compare() if check else self._rebuild()
        except spread.Died as why:
            raise CommandError(str(why)) from why

    def _verify(self) -> None:
        with bar("event", "Hashing", queries.size()) as done:
            wrong = verify(seen=done.update).wrong
        if wrong:  # never fold from a ledger that does not hold
            raise CommandError("\n".join([*wrong, "The ledger itself does not hold; nothing was folded."]))

    def _rebuild(self) -> None:
        with bar("tube", "Folding") as done:
            tubes = rebuild(done.update)
        self.stdout.write(f"{tubes} tubes folded anew.")

    def _compare(self) -> None:
        with bar("tube", "Comparing") as done:
            found = differences(done.update)
        if found:
            raise CommandError("\n".join([*found, f"{len(found)} differences between state and ledger."]))
        self.stdout.write("Every state equals its rebuild.")


def bar(unit: str, words: str, total: int | None = None) -> Any:
    return tqdm(total=total, unit=unit, desc=words, disable=None)
