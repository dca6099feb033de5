"""Sign what the ledger is now, for others to keep."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.exceptions import ImproperlyConfigured
from django.core.management.base import BaseCommand, CommandError

from custody import checkpoints, keys


class Command(BaseCommand):
    help = "Make a checkpoint and print it. Give it to others: it holds the ledger to what it is now."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--out", type=Path, metavar="DIR", help="write checkpoint, public key and changes of key into DIR"
        )
        parser.add_argument(
            "--hourly", action="store_true", help="only when something is new and the last one is an hour old"
        )
        parser.add_argument(
            "--change-key", action="store_true", help="first make a new key, signed by the old"
        )
        parser.add_argument(
            "--begin-again",
            action="store_true",
            help="after a backup was put back on purpose: new key and new name, signed by the old key",
        )

    def handle(
        self, *args: Any, out: Path | None, hourly: bool, change_key: bool, begin_again: bool, **options: Any
    ) -> None:
        try:
            if change_key or begin_again:
                self.stdout.write(f"new key {checkpoints.change_key(new_origin=begin_again)}")
            now_ms = time.time_ns() // 1_000_000
            made = checkpoints.hourly(now_ms) if hourly else checkpoints.make("on demand")
        except (checkpoints.NotAContinuation, ImproperlyConfigured) as why:
            raise CommandError(str(why)) from why
        if made is None:
            self.stdout.write(
                "Nothing to do: nothing is new, or the last checkpoint is less than an hour old."
            )
            return
        self.stdout.write(made.note)
        if out:
            self.write(out, made)

    def write(self, folder: Path, made: checkpoints.Made) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        files = {f"checkpoint-{made.size}.txt": made.note, "ledger.vkey": keys.secret().public.text() + "\n"}
        files |= {f"key-change-{n + 1}.txt": said for n, said in enumerate(keys.changes())}
        for name, text in files.items():
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
            self.stdout.write(str(folder / name))
