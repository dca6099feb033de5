"""Takes loggers' files out of a folder as they come."""

from __future__ import annotations

import sys
import time
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.contrib.auth import get_user_model
from django.core.exceptions import PermissionDenied
from django.core.management.base import BaseCommand, CommandError
from tqdm import tqdm

from biobank.access import may
from biobank.acting import Actor
from biobank.temperature.watching import Came, Watch, text_of


class Command(BaseCommand):
    help = (
        "Take loggers' files out of a folder as they come. In it stands one folder for each logger, named "
        "after its code; a file beside them is known by its serial number. Files stay as they are."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("folder", type=Path)
        parser.add_argument("--as", dest="login", required=True, help="whose name stands on what is taken")
        parser.add_argument("--once", action="store_true", help="look once and stop (for cron)")
        parser.add_argument("--every", type=int, default=60, help="seconds between two looks (60)")

    def handle(self, *args: Any, **said: Any) -> None:
        if not said["folder"].is_dir():
            raise CommandError(f"{said['folder']} is no folder.")
        bar = tqdm(unit=" lines", disable=not sys.stderr.isatty(), leave=False)
        watch = Watch(
            said["folder"].resolve(), actor(said["login"]), time.time, lambda n, of: progress(bar, n, of)
        )
        while True:
            for came in watch.look():
                self.stdout.write(words(came))
            if said["once"]:
                break
            time.sleep(max(1, said["every"]))


def actor(login: str) -> Actor:
    """Who this is. CommandError: nobody, or somebody who may not."""
    user = get_user_model().objects.filter(username=login).first()
    if user is None:
        raise CommandError(f"There is no login {login}.")
    try:
        found = Actor.of(user)
    except PermissionDenied as why:
        raise CommandError(str(why)) from why
    if not may(found.person, "loggers"):
        raise CommandError(f"{login} may not take in files of loggers.")
    return found


def progress(bar: Any, done: int, total: int) -> None:
    bar.total, bar.n = total, done
    bar.refresh()


def words(came: Came) -> str:
    whose = f"{came.logger}: " if came.logger else ""
    if came.code:
        return f"held   {whose}{text_of(came.path.name)}: {came.sentence} [{came.code}]"
    said = f"{came.new:,} new, {came.already:,} stored already"
    return f"taken  {whose}{text_of(came.path.name)}: {said}" + (
        f", {came.conflicts:,} conflicts" if came.conflicts else ""
    )
