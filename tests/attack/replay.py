"""Eight senders of the same items at once, in two processes of four threads, each with its own connection.

Run as `python -m tests.attack.replay` with DATABASE_URL naming an empty database; prints what each was told.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import traceback
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import django

PROCESSES, THREADS = 2, 4
ITEMS = 40  # printed labels, and as many voids that may come before what they void


def main(words: list[str]) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    if words:
        items = json.loads(sys.stdin.read())
        print(json.dumps(senders(items)))
        return
    from tests.custody.phone import Phone
    from tests.custody.writers import checked, make_tables

    make_tables()
    items = made(Phone().registered())
    told = together(items)
    again = send(items)
    say_shared()
    print(json.dumps({"told": told, "again": again, **checked()}))


def made(phone: Any) -> list[dict[str, Any]]:
    """Voids first, each before the event that it voids, and one item that can never be taken."""
    items: list[dict[str, Any]] = []
    for n in range(ITEMS):
        act = phone.act("label_printed", f"T{n}", n, role="new")
        void = phone.act("voided", [], n, data={"of": act.id, "reason": "did_not_occur"})
        items += [phone.sent(void), phone.sent(act)]
    return [*items, phone.says("no_such_kind", "T1", 1)]


def say_shared() -> None:
    """`checked` asks for a tube of the other test by name."""
    from tests.custody.writers import SHARED, say

    say("label_printed", [{"t": SHARED, "role": "new"}], 0)


def together(items: list[dict[str, Any]]) -> list[Any]:
    words = [sys.executable, "-m", "tests.attack.replay"]
    running = [
        subprocess.Popen([*words, str(n)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        for n in range(PROCESSES)
    ]
    with ThreadPoolExecutor(PROCESSES) as pool:
        said = list(pool.map(lambda one: one.communicate(json.dumps(items), timeout=120)[0], running))
    assert [one.returncode for one in running] == [0] * PROCESSES
    return [sender for text in said for sender in json.loads(text)]


def senders(items: list[dict[str, Any]]) -> list[Any]:
    gate = Barrier(THREADS)

    def one(_: int) -> Any:
        from django.db import connection

        gate.wait()
        try:
            return send(items)
        except Exception:
            return [["error", traceback.format_exc(limit=4)]]
        finally:
            connection.close()

    with ThreadPoolExecutor(THREADS) as pool:
        return list(pool.map(one, range(THREADS)))


def send(items: list[dict[str, Any]]) -> list[list[str]]:
    from custody import sync

    return [[one.word, one.code] for one in sync.take("D-1", items, "fieldtech")]


if __name__ == "__main__":
    main(sys.argv[1:])
