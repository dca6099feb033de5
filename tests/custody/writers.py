"""Eight hands on one ledger, in two processes of four threads, each with a connection of its own.

Run as `python -m tests.custody.writers` with DATABASE_URL naming an empty database and DATA_DIR an empty
folder. Makes the ledger's tables, lets the hands write, prints what they saw and what the checks say as JSON.
Not pytest-django's transactional test: that one empties the tables afterwards, which the ledger forbids.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
import traceback
from concurrent.futures import ThreadPoolExecutor
from random import Random
from threading import Barrier
from typing import Any

import django

PROCESSES, THREADS, ROUNDS = 2, 4, 6
HANDS = PROCESSES * THREADS
START = 1_780_000_000_000
SHARED = "SHARED"
CRATE = [f"C{n:03}" for n in range(300)]  # tubes that all hands handle at once, each in an order of its own
LARGE = 2  # such events of 300 lines a hand
SAME_KEY = "01890a5d-ac96-774b-bcce-b302099a8057"  # a UUIDv7; every hand sends it


def main(words: list[str]) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    if words:
        print(json.dumps(hands(int(words[0]))))
        return
    make_tables()
    say("label_printed", [{"t": tube, "role": "new"} for tube in [SHARED, *CRATE]], 0)
    say("drawn", [{"t": tube, "role": "subj", "ul": 1_000} for tube in [SHARED, *CRATE]], 1)
    print(json.dumps({"hands": together(), "wrapped": wrapped(), **checked()}))


def make_tables() -> None:
    """The custody tables alone, as the models say, with their triggers."""
    from django.apps import apps
    from django.db import connection

    from custody import triggers

    with connection.schema_editor() as editor:
        for model in apps.get_app_config("custody").get_models():
            editor.create_model(model)
    triggers.ensure()


def wrapped() -> str:
    """What happens to who writes inside a transaction of their own, which could still be rolled back."""
    from django.db import transaction

    try:
        with transaction.atomic():
            say("thawed", [{"t": SHARED, "role": "subj"}], 6)
    except RuntimeError as why:
        return str(why)
    return ""


def together() -> list[dict[str, Any]]:
    words = [sys.executable, "-m", "tests.custody.writers"]
    running = [
        subprocess.Popen([*words, str(n)], stdout=subprocess.PIPE, text=True) for n in range(PROCESSES)
    ]
    said = [one.communicate(timeout=120)[0] for one in running]
    assert [one.returncode for one in running] == [0] * PROCESSES
    return [hand for text in said for hand in json.loads(text)]


def hands(process: int) -> list[dict[str, Any]]:
    gate = Barrier(THREADS)
    with ThreadPoolExecutor(THREADS) as pool:
        return list(pool.map(lambda n: hand(process * THREADS + n, gate), range(THREADS)))


def hand(n: int, gate: Barrier) -> dict[str, Any]:
    """What one person does: own tubes, a tube and 300 tubes that all handle, slots that all want, a key that
    all send."""
    from django.db import connection

    gate.wait()
    started = time.monotonic()
    seen: dict[str, Any] = {"hand": n, "wrote": [], "refused": [], "errors": []}
    tubes = [f"H{n}T{k}" for k in range(ROUNDS)]
    for k, tube in enumerate(tubes):
        attempt(seen, "label_printed", [{"t": tube, "role": "new"}], 1)
        attempt(seen, "drawn", [{"t": tube, "role": "subj", "ul": 500}], 2)
        attempt(seen, "thawed", [{"t": SHARED, "role": "subj"}], 3)
        attempt(seen, "put_away", [{"t": tube, "role": "subj", "unit": "B1", "row": 1, "col": k + 1}], 4)
        if k < LARGE:
            crate = Random(n * ROUNDS + k).sample(CRATE, len(CRATE))
            attempt(seen, "thawed", [{"t": one, "role": "subj"} for one in crate], 4)
    attempt(seen, "thawed", [{"t": SHARED, "role": "subj"}], 5, key=SAME_KEY)
    connection.close()
    return seen | {"seconds": round(time.monotonic() - started, 3)}


def attempt(seen: dict[str, Any], kind: str, lines: list[dict[str, Any]], minute: int, key: str = "") -> None:
    from custody.core.refusal import Refused

    try:
        done = say(kind, lines, minute, key)
    except Refused as no:
        seen["refused"].append(no.code)
    except Exception:
        seen["errors"].append(traceback.format_exc(limit=3))
    else:
        seen["wrote"] += [[done.seq, done.id]] if done.new else []


def say(kind: str, lines: list[dict[str, Any]], minute: int, key: str = "") -> Any:
    from custody.core.event import Act, new_id
    from custody.record import record

    act = Act(kind=kind, at_ms=START + minute * 60_000, by="p1", org="SSS", id=key or new_id(), lines=lines)
    return record([act], login="labtech")[0]


def checked() -> dict[str, Any]:
    from custody import queries
    from custody.rebuild import differences
    from custody.verify import verify

    return {
        "wrong": verify().wrong, "differences": differences(), "size": queries.size(),
        "thaws": queries.states([SHARED])[SHARED].thaws, "box": len(queries.box("B1")),
        "crate": sorted({one.thaws for one in queries.find(tube__in=CRATE)}),
    }  # fmt: skip


if __name__ == "__main__":
    main(sys.argv[1:])
