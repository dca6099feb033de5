"""Who handled an animal's samples, or a tube and all that is of the same stuff.

Promises: a fixed number of queries for any number of tubes (one more a generation of aliquots); what was
voided does not count, what was corrected counts as corrected. It says who handled, never who was infected.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from biobank.amend.queries import names
from biobank.animals.queries import individual
from biobank.models import Animal, Tube, Workup
from custody import queries as ledger
from custody.core.state import Happening, TubeState

# acts for which somebody has the tube, or what is in it, in the hands
HANDLED = {
    "drawn", "spun", "graded", "aliquoted", "handed_off", "shipped", "received", "refused", "withdrawn",
    "put_away", "moved", "pulled", "thawed", "counted", "discarded",
}  # fmt: skip
NOT_THERE = {"missing", "not_seen"}


@dataclass(frozen=True)
class Act:
    """One act on some of these tubes."""

    event: str
    seq: int
    kind: str
    at_ms: int
    tz: str
    by: str
    who: str
    org: str
    tubes: int


@dataclass(frozen=True)
class Handler:
    """One person for one agency: from when to when, what and how often, how many tubes."""

    by: str
    who: str
    org: str
    agency: str
    first_ms: int
    last_ms: int
    acts: list[tuple[str, int]]
    tubes: int


@dataclass(frozen=True)
class Trace:
    """Everyone who handled these tubes. `tubes`: state and how it belongs to what was asked."""

    tubes: list[tuple[TubeState, str]]
    people: list[Handler]
    acts: list[Act]


def of_tube(code: str) -> Trace:
    """The tube, what it was made from, and everything made from any of these."""
    family = ledger.family([code])
    return _trace(family, {tube: _relation(tube, code, family) for tube in family})


def of_animal(animal: Animal) -> Trace:
    """Every tube that was filled from an animal, under whatever number, and everything made from those."""
    rows = individual(animal)
    own = set(Tube.objects.filter(tube_set__workup__animal__in=rows).values_list("code", flat=True))
    workups = list(Workup.objects.filter(animal__in=rows).values_list("code", flat=True))
    own |= {state.tube for state in ledger.find(workup__in=workups)}
    family = ledger.family(own)
    return _trace(
        family, {tube: "made from another" if one.parent else "drawn" for tube, one in family.items()}
    )


def _relation(tube: str, asked: str, family: dict[str, TubeState]) -> str:
    if tube == asked:
        return "the tube asked for"
    if asked in _above(tube, family):
        return "made from it"
    return "it was made from this" if tube in _above(asked, family) else "of the same source"


def _above(tube: str, family: dict[str, TubeState]) -> list[str]:
    found: list[str] = []
    at = family[tube].parent
    while at is not None and at in family and at not in found:
        found.append(at)
        at = family[at].parent
    return found


def _trace(family: dict[str, TubeState], relation: dict[str, str]) -> Trace:
    called = names()
    happened = [
        (tube, one)
        for tube, said in ledger.histories(sorted(family)).items()
        for one in said
        if _handled(one)
    ]
    touched = {tube for tube, _ in happened}
    return Trace(
        tubes=[(family[tube], relation[tube]) for tube in sorted(touched)],
        people=_people(happened, called),
        acts=_acts(happened, called),
    )


def _handled(one: Happening) -> bool:
    return one.kind in HANDLED and not one.voided and one.line.get("result") not in NOT_THERE


Happened = Iterable[tuple[str, Happening]]


def _acts(happened: Happened, called: dict[str, str]) -> list[Act]:
    """One row an event, however many tubes it names; oldest first."""
    events: dict[str, list[Happening]] = {}
    for _, one in happened:
        events.setdefault(one.id, []).append(one)
    rows = [_act(same, called) for same in events.values()]
    return sorted(rows, key=lambda row: (row.at_ms, row.seq))


def _act(same: list[Happening], called: dict[str, str]) -> Act:
    one = same[0]
    tubes = len({line.line["t"] for line in same})
    return Act(
        one.id, one.seq, one.kind, one.at_ms, one.tz, one.by, called.get(one.by, one.by), one.org, tubes
    )


def _people(happened: Happened, called: dict[str, str]) -> list[Handler]:
    mine: dict[tuple[str, str], list[tuple[str, Happening]]] = {}
    for tube, one in happened:
        mine.setdefault((one.by, one.org), []).append((tube, one))
    found = [_handler(by, org, did, called) for (by, org), did in mine.items()]
    return sorted(found, key=lambda one: (one.first_ms, one.by))


def _handler(by: str, org: str, did: list[tuple[str, Happening]], called: dict[str, str]) -> Handler:
    times = [one.at_ms for _, one in did]
    kinds = Counter(kind for kind, _ in {(one.kind, one.id) for _, one in did})
    acts = sorted(kinds.items(), key=lambda pair: (-pair[1], pair[0]))
    tubes = len({tube for tube, _ in did})
    return Handler(by, called.get(by, by), org, called.get(org, org), min(times), max(times), acts, tubes)
