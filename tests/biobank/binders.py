"""Eight people who bind the same tube set at once, in two processes: a program of its own (see crowd.py).

DATABASE_URL=… DATA_DIR=… python -m tests.biobank.binders
"""

from __future__ import annotations

import sys
from threading import Barrier
from typing import Any

from tests.biobank.crowd import HANDS, outcome, play


def make_sets() -> None:
    """One set that everybody wants (the first), and one set for each hand, all for one workup (W-ALL)."""
    from biobank.labels.actions import print_sets
    from biobank.models import Workup
    from custody.core.event import new_id
    from tests.people import PRINTED, make_people

    people = make_people()
    print_sets(people.actor("fieldtech"), new_id(), people.plan, people.day, HANDS + 1, at=PRINTED)
    Workup.objects.create(code="W-ALL", day=people.day)


def hand(n: int, gate: Barrier) -> dict[str, Any]:
    from biobank.models import TubeSet, Workup

    sets = list(TubeSet.objects.select_related("day__site__programme", "workup").order_by("pk"))
    workup = Workup.objects.select_related("day__site__programme").get(code="W-ALL")
    gate.wait()
    return {
        "hand": n,
        "same_set": attempt(sets[0]),
        "same_workup": attempt(sets[n + 1], workup),
    }


def attempt(tube_set: Any, workup: Any = None) -> list[str]:
    from biobank.acting import Actor
    from biobank.models import Person
    from biobank.sets.actions import bind
    from custody.core.event import new_id
    from tests.people import BOUND

    who = Person.objects.select_related("agency", "programme").get(role="fieldtech")

    def do() -> str:
        bind(Actor(who, "fieldtech"), new_id(), tube_set, workup, at=BOUND)
        return str(tube_set.code)

    return outcome(do)


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
    play("tests.biobank.binders", sys.argv[1:], make_sets, hand, found)
