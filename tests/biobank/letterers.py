"""Eight people who ask for a letter's number at once, two of them for the same handoff: a program of its own.

Promises: prints what each was given and the numbers that are there afterwards (see crowd.py).
"""

from __future__ import annotations

import sys
import uuid
from threading import Barrier
from typing import Any

from tests.biobank.crowd import HANDS, outcome, play

SAME = 2  # hands that ask for the first handoff


def make() -> None:
    from tests.people import make_people

    make_people()


def hand(n: int, gate: Barrier) -> dict[str, Any]:
    from django.utils import timezone

    from biobank.handoffs.letters import number_for
    from biobank.models import Person

    who = Person.objects.select_related("programme").get(code="P1")
    handoff = str(uuid.UUID(int=1 + max(n - SAME + 1, 0)))
    gate.wait(timeout=60)
    said = outcome(lambda: str(number_for(handoff, who.programme, who, "Iron", "A loan.", timezone.now()).n))
    return {"handoff": handoff, "said": said}


def found() -> dict[str, Any]:
    from biobank.models import TransferLetter

    rows = TransferLetter.objects.order_by("n").values_list("n", "handoff")
    return {"letters": [[n, str(handoff)] for n, handoff in rows], "hands_n": HANDS}


if __name__ == "__main__":
    play("tests.biobank.letterers", sys.argv[1:], make, hand, found)
