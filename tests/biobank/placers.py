"""Eight people who put 80 tubes away into one box of 60 slots at once: a program of its own (see crowd.py).

DATABASE_URL=… DATA_DIR=… python -m tests.biobank.placers
"""

from __future__ import annotations

import sys
from threading import Barrier
from typing import Any

from tests.biobank.crowd import HANDS, outcome, play

BOX, ROWS, COLS = "NLB-B001", 6, 10
EACH = 10  # tubes in each pair of hands


def make_box() -> None:
    """A box of 60 slots, eight curators of one biobank, ten tubes for each of them."""
    from biobank.models import Role, Unit
    from tests.biobank.boxes import filled
    from tests.people import make_people, make_person, make_store

    people = make_people()
    make_store(people)
    Unit.objects.filter(code=BOX).update(rows=ROWS, cols=COLS)
    for n in range(HANDS):
        make_person(people.programme, people.nlb, Role.CURATOR, f"H{n}", f"hand{n}")
        filled(people, tubes_of(n))


def tubes_of(n: int) -> list[str]:
    from tests.biobank.boxes import tubes

    return tubes(EACH, 1 + n * EACH)


def wanted(turn: int) -> str:
    """Every other tube goes to the next free slot, the others to a slot that everybody names: F10, F8, …"""
    return "" if turn % 2 else f"F{COLS - turn}"


def hand(n: int, gate: Barrier) -> list[dict[str, Any]]:
    """Each tube, where it was to go, and what came of it; after a taken slot the next free one is taken."""
    from biobank.acting import Actor
    from biobank.models import Person

    who = Person.objects.select_related("agency", "programme").get(code=f"H{n}")
    actor = Actor(who, f"hand{n}")
    mine = tubes_of(n)
    gate.wait()
    seen = []
    for turn, tube in enumerate(mine):
        for slot in dict.fromkeys([wanted(turn), ""]):
            seen.append({"tube": tube, "slot": slot, "said": attempt(actor, tube, slot)})
            if seen[-1]["said"][0] == "done":
                break
    return seen


def attempt(actor: Any, tube: str, slot: str) -> list[str]:
    from biobank.store.actions import put_away
    from custody.core.event import new_id

    return outcome(lambda: put_away(actor, new_id(), [tube], BOX, slot))


def found() -> dict[str, Any]:
    from custody import queries
    from custody.verify import verify

    slots = [[row, col, tube] for (row, col), tube in queries.box(BOX).items()]
    return {
        "slots": slots, "inside": [state.tube for state in queries.find(unit=BOX)],
        "events": len(queries.events("put_away")), "wrong": verify().wrong,
    }  # fmt: skip


if __name__ == "__main__":
    play("tests.biobank.placers", sys.argv[1:], make_box, hand, found)
