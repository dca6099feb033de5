"""Write a proof file of one event."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.exceptions import ImproperlyConfigured
from django.core.management.base import BaseCommand, CommandError

from custody import checkpoints, keys, proof
from custody.core import note
from custody.core.refusal import Refused


class Command(BaseCommand):
    help = (
        "Write a file that proves an event to somebody without access. "
        "They check it with custody/standalone/verify_custody.py and our public key."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("event", help="the event's id, or its number in the ledger")
        parser.add_argument(
            "--lines",
            nargs="+",
            metavar="CODE",
            help="show the lines of these tubes only (nine characters, without hyphens)",
        )
        parser.add_argument(
            "--held",
            nargs="+",
            default=[],
            type=Path,
            metavar="FILE",
            help="older checkpoints whose continuation is to be shown too",
        )
        parser.add_argument("--out", type=Path, help="the file to write; else event-<number>.proof.json here")

    def handle(
        self,
        *args: Any,
        event: str,
        lines: list[str] | None,
        held: list[Path],
        out: Path | None,
        **options: Any,
    ) -> None:
        try:
            made = proof.build(event, lines, [_checkpoint(path) for path in held])
        except Refused as no:
            raise CommandError(f"{no.sentence} ({no.code})") from no
        except (checkpoints.NotAContinuation, ImproperlyConfigured, OSError, ValueError) as why:
            raise CommandError(str(why)) from why
        path = out or Path(f"event-{made['log']['index']}.proof.json")
        path.write_text(proof.text(made), encoding="utf-8", newline="\n")
        self.stdout.write(f"{path} shows {len(made['lines'])} lines of event {made['log']['index']}.")
        self.stdout.write(f"Our public key is {keys.secret().public.text()}")


def _checkpoint(path: Path) -> note.Checkpoint:
    return note.checkpoint(note.opened(path.read_text(encoding="utf-8"), keys.public_keys())[0])
