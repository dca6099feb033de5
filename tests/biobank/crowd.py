"""Eight people at once, in two processes of four threads, each with a connection of its own.

For programs of their own, run by tests/custody/apart.py with DATABASE_URL naming an empty database and
DATA_DIR an empty folder: `play` makes all tables, lets `make` fill them, lets every hand act when all are
ready, and prints what the hands saw and what `found` says afterwards as JSON.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import django

PROCESSES, THREADS = 2, 4
HANDS = PROCESSES * THREADS
Hand = Callable[[int, Barrier], Any]


def play(
    module: str,
    words: list[str],
    make: Callable[[], None],
    hand: Hand,
    found: Callable[[], dict[str, Any]],
) -> None:
    """The whole program. module: its name, to start it again; words: what it was started with."""
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    if words:
        print(json.dumps(_hands(int(words[0]), hand)))
        return
    make_tables()
    make()
    print(json.dumps({"hands": _together(module), **found()}))


def make_tables() -> None:
    """All tables as the models say."""
    from django.apps import apps
    from django.conf import settings
    from django.core.management import call_command

    settings.MIGRATION_MODULES = {one.label: None for one in apps.get_app_configs()}
    call_command("migrate", run_syncdb=True, verbosity=0)


def _together(module: str) -> list[Any]:
    words = [sys.executable, "-m", module]
    running = [
        subprocess.Popen([*words, str(n)], stdout=subprocess.PIPE, text=True) for n in range(PROCESSES)
    ]
    said = [one.communicate(timeout=120)[0] for one in running]
    assert [one.returncode for one in running] == [0] * PROCESSES
    return [seen for text in said for seen in json.loads(text)]


def _hands(process: int, hand: Hand) -> list[Any]:
    gate = Barrier(THREADS)
    with ThreadPoolExecutor(THREADS) as pool:
        return list(pool.map(lambda n: _hand(hand, process * THREADS + n, gate), range(THREADS)))


def _hand(hand: Hand, n: int, gate: Barrier) -> Any:
    from django.db import connection

    try:
        return hand(n, gate)
    finally:
        connection.close()


def outcome(do: Callable[[], str]) -> list[str]:
    """What came of an act: `done` and what it gave, the code and sentence of its refusal, or `error`."""
    from custody.core.refusal import Refused

    try:
        return ["done", do()]
    except Refused as no:
        return [no.code, no.sentence]
    except Exception:
        return ["error", traceback.format_exc(limit=4)]
