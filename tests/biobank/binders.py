"""Eight people who bind the same tube set at once, in two processes: a program of its own (see apart.py).

DATABASE_URL=… DATA_DIR=… python -m tests.biobank.binders
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
HANDS = PROCESSES * THREADS


def main(words: list[str]) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    if words:
        print(json.dumps(hands(int(words[0]))))
        return
    make_tables()
    make_sets()
    print(json.dumps({"hands": together(), **found()}))


def make_tables() -> None:
    """All tables as the models say."""
    from django.apps import apps
    from django.conf import settings
    from django.core.management import call_command

    settings.MIGRATION_MODULES = {one.label: None for one in apps.get_app_configs()}
    call_command("migrate", run_syncdb=True, verbosity=0)


def make_sets() -> None:
    """One set that everybody wants (the first), and one set for each hand, all for one workup (W-ALL)."""
    from biobank.labels.actions import print_sets
    from biobank.models import Workup
    from custody.core.event import new_id
    from tests.people import PRINTED, make_people

    people = make_people()
    print_sets(people.actor("fieldtech"), new_id(), people.plan, people.day, HANDS + 1, at=PRINTED)
    Workup.objects.create(code="W-ALL", day=people.day)


def together() -> list[dict[str, Any]]:
    words = [sys.executable, "-m", "tests.biobank.binders"]
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
    from django.db import connection

    from biobank.models import TubeSet, Workup

    sets = list(TubeSet.objects.select_related("day__site__programme", "workup").order_by("pk"))
    workup = Workup.objects.select_related("day__site__programme").get(code="W-ALL")
    gate.wait()
    seen: dict[str, Any] = {
        "hand": n,
        "same_set": attempt(sets[0]),
        "same_workup": attempt(sets[n + 1], workup),
    }
    connection.close()
    return seen


def attempt(tube_set: Any, workup: Any = None) -> list[str]:
    from biobank.acting import Actor
    from biobank.models import Person
    from biobank.sets.actions import bind
    from custody.core.event import new_id
    from custody.core.refusal import Refused
    from tests.people import BOUND

    who = Person.objects.select_related("agency", "programme").get(role="fieldtech")
    try:
        bind(Actor(who, "fieldtech"), new_id(), tube_set, workup, at=BOUND)
    except Refused as no:
        return [no.code, no.sentence]
    except Exception:
        return ["error", traceback.format_exc(limit=4)]
    return ["bound", tube_set.code]


def found() -> dict[str, Any]:
    from biobank.models import TubeSet
    from custody import queries
    from custody.verify import verify

    bound = TubeSet.objects.filter(state="bound").select_related("workup").order_by("pk")
    return {
        "bound": [[one.code, str(one.workup)] for one in bound],
        "events": len(queries.events("bound")), "wrong": verify().wrong,
    }  # fmt: skip


if __name__ == "__main__":
    main(sys.argv[1:])
