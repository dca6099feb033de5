"""Eight rounds of watching at once, in two processes: a program of its own (see crowd.py).

DATABASE_URL=… DATA_DIR=… python -m tests.biobank.watchers
"""

from __future__ import annotations

import sys
from threading import Barrier
from typing import Any

from tests.biobank.crowd import outcome, play


def make_freezer() -> None:
    """Freezer 1 has been too warm for an hour; the lab technician is on call."""
    from tests.biobank.watched import call, logger_in, reads, steady, watched
    from tests.people import make_people, make_store

    people = make_people()
    make_store(people)
    watched(people, people.units["NLB-F1"])
    reads(logger_in(people, people.units["NLB-F1"]), steady(0, 60, -60))
    call(people, "labtech")


def hand(n: int, gate: Barrier) -> dict[str, Any]:
    from biobank.alarms import mails, rounds
    from tests.biobank.watched import at

    gate.wait()
    return {
        "opened": outcome(lambda: str(len(rounds.watch(at(60)).opened))),
        "sent": outcome(lambda: str(len(mails.send_due(at(60))))),
    }


def found() -> dict[str, Any]:
    from biobank.models import Alarm, AlarmMail

    return {"alarms": Alarm.objects.count(), "mails": AlarmMail.objects.count()}


if __name__ == "__main__":
    play("tests.biobank.watchers", sys.argv[1:], make_freezer, hand, found)
