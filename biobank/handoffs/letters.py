"""Transfer letters: a number of their own, and the paper that goes with the tubes.

Promises: one letter a handoff, its number the next of its programme's year, also when two people ask at once.
No coordinate, site or animal is on it: tubes are named by their codes alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.db.models import Max

from biobank.handoffs import paper
from biobank.handoffs.queries import Handoff
from biobank.models import Agency, Permit, Person, Programme, TransferLetter, Tube
from biobank.permits import cover, uses
from biobank.permits.cover import Line
from custody import queries as ledger
from custody.core.refusal import Refused

TRIES = 50  # of people who ask for a number at one moment


def number_for(
    handoff: str, programme: Programme, person: Person, purpose: str, terms: str, now: datetime
) -> TransferLetter:
    """The letter of this handoff; a new one has the next number of its year, in the programme's zone.

    Asked again, it is the one that is there, as it is. Refused: letter_numbers_busy.
    """
    year = now.astimezone(ZoneInfo(programme.tz)).year
    said = {"handoff": handoff, "purpose": purpose, "terms": terms, "by": person, "at": now}
    for _ in range(TRIES):
        if there := TransferLetter.objects.filter(handoff=handoff).first():
            return there
        try:
            with transaction.atomic():
                return TransferLetter.objects.create(
                    programme=programme, year=year, n=_next(programme, year), **said
                )
        except IntegrityError:
            continue  # somebody else was faster with the number, or with this very letter
    raise Refused("letter_numbers_busy", "Too many letters are being numbered just now. Try again.")


def _next(programme: Programme, year: int) -> int:
    last = TransferLetter.objects.filter(programme=programme, year=year).aggregate(n=Max("n"))["n"]
    return (last or 0) + 1


def concerns(programme: Programme, tubes: Iterable[str]) -> bool:
    """Is none of these tubes surely of another programme? 1 query."""
    rows = Tube.objects.filter(code__in=list(tubes), tube_set__isnull=False)
    return not rows.exclude(tube_set__plan__programme=programme).exists()


def pdf(one: Handoff, letter: TransferLetter, sent: date) -> bytes:
    """The letter: what goes to whom, under which papers, on which terms; the list of codes as an annex."""
    giver, receiver = one.header["org"], one.header["data"]["to"]
    said = cover.judged(one.tubes, giver, receiver, letter.programme, sent, without=one.said.id)
    rows = _rows(one)
    agencies = {each.code: each for each in Agency.objects.filter(code__in=[giver, receiver])}
    return paper.pdf("print/letter.html", {
        "letter": letter, "handoff": one, "sent": sent, "void": one.word == "void",
        "giver": agencies.get(giver), "receiver": agencies.get(receiver),
        "types": _types(rows), "rows": rows, "papers": _papers(said), "open": _open(said),
        "symbol": paper.qr(one.said.id),
    })  # fmt: skip


@dataclass(frozen=True)
class Row:
    """A tube of the annex. ul: what was in it when it was sent; None: not measured."""

    tube: str
    matrix: str
    additive: str
    container: str
    ul: int | None


def _rows(one: Handoff) -> list[Row]:
    states, said = ledger.states(one.tubes), ledger.histories(one.tubes)
    return [
        Row(code, state.matrix, state.additive, state.container, uses.volume_at(said[code], one.said.id))
        for code, state in sorted(states.items())
    ]


def _types(rows: Iterable[Row]) -> list[tuple[str, str, int, int | None]]:
    """Matrix, additive, how many, how much (None: one of them was not measured)."""
    found: dict[tuple[str, str], list[int | None]] = {}
    for row in rows:
        found.setdefault((row.matrix, row.additive), []).append(row.ul)
    return [(*kind, len(uls), _sum(uls)) for kind, uls in sorted(found.items())]


def _sum(uls: Iterable[int | None]) -> int | None:
    total = 0
    for ul in uls:
        if ul is None:
            return None
        total += ul
    return total


def _papers(said: Mapping[str, Sequence[Line]]) -> list[tuple[Permit, int]]:
    """The papers that cover at least one of the tubes, and how many."""
    counts = Counter(one.permit.pk for each in said.values() for one in each if _covers(one) and one.permit)
    return [(permit, counts[permit.pk]) for permit in cover.papers_named(said)]


def _covers(one: Line) -> bool:
    return one.answer == "pass"


def _open(said: Mapping[str, Sequence[Line]]) -> list[tuple[str, int]]:
    """What no paper covers, in words, and how many tubes."""
    return Counter(one.sentence for each in said.values() for one in each if not _covers(one)).most_common()
