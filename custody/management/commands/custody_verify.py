"""Recompute the ledger's hashes."""

from __future__ import annotations

from argparse import ArgumentParser
from collections.abc import Callable
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from tqdm import tqdm

from custody import keys, queries, rebuild, spread, triggers, witness
from custody.verify import Report, verify


class Command(BaseCommand):
    help = "Recompute every hash of the ledger and compare. Ends with an error when anything differs."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--deep",
            action="store_true",
            help="also the signature of every checkpoint of its own, and every tube folded anew",
        )
        parser.add_argument(
            "--against",
            nargs="+",
            default=[],
            type=Path,
            metavar="FILE",
            help="checkpoints that others kept: files, texts of QR codes, proof files",
        )

    def handle(self, *args: Any, deep: bool, against: list[Path], **options: Any) -> None:
        held = [_witness(path) for path in against]
        with tqdm(total=queries.size(), unit="event", desc="Hashing", disable=None) as bar:
            report = _verified(held, bar.update)
        report.wrong += [f"trigger {name} is missing" for name in triggers.missing()]
        if deep:
            report.wrong += witness.wrong_notes()
            report.wrong += [] if report.wrong else _differences()
        for sentence in report.wrong:
            self.stderr.write(sentence)
        if report.wrong:
            raise CommandError(f"The ledger does not hold: {len(report.wrong)} things are wrong.")
        self.stdout.write(f"{report.events} events with {report.lines} lines agree with their hashes.")
        self.stdout.write(f"{report.checkpoints} checkpoints of its own agree.")
        self.stdout.writelines(f"Agrees: {name}\n" for name in report.witnesses)
        self.stdout.write(f"root {report.root}")
        if not against:
            self.stdout.write("Nobody outside was asked. Give a checkpoint that others kept with --against.")


def _verified(held: list[witness.Witness], seen: Callable[[int], object]) -> Report:
    try:
        return verify(held, seen)
    except spread.Died as why:
        raise CommandError(str(why)) from why


def _differences() -> list[str]:
    try:
        return rebuild.differences()
    except spread.Died as why:
        raise CommandError(str(why)) from why


def _witness(path: Path) -> witness.Witness:
    try:
        return witness.from_file(path, keys.public_keys())
    except (OSError, ValueError, KeyError, TypeError) as why:
        raise CommandError(f"{path} cannot be read as a checkpoint: {why}") from why
