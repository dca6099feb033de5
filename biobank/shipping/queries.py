"""What there is to know of shipments: the list by what is to be done, one with all its parts, its permits.

Promises: a fixed number of queries for the list, however many shipments there are; a stranger gets 404.
Whether something has arrived is for the ledger to say, never for the shipment's own row.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date

from django.core.exceptions import PermissionDenied
from django.db.models import Count, Q, QuerySet
from django.http import Http404

from biobank.access import may
from biobank.models import Leg, PackingCheck, Person, Role, Shipment, ShipmentTube, Tube
from biobank.permits import cover
from biobank.shipping import points
from biobank.shipping.points import Point
from custody import queries as ledger
from custody.core.kleene import Answer
from custody.core.state import TubeState

SHOWN = 50  # of those that have arrived, and of drafts
ROWS = Shipment.objects.select_related("programme", "giver", "receiver", "assay", "made_by")


@dataclass(frozen=True)
class Row:
    """One shipment of the list. word: draft, dropped, on the way, overdue, in part, arrived, void.

    due_ms: when the receiver should have it; left_ms: until then, negative when it is late; blind: who is to
    count it has not answered yet, and sees neither number nor list, whatever the role
    """

    shipment: Shipment
    word: str
    tubes: int
    due_ms: int | None = None
    left_ms: int | None = None
    blind: bool = False


@dataclass(frozen=True)
class Board:
    drafts: list[Row]
    way: list[Row]
    overdue: list[Row]
    arrived: list[Row]


def board(who: Person, now_ms: int) -> Board:
    """What this person may see, by what is to be done. 4 queries for any number of shipments."""
    seen = mine(who).annotate(n=Count("tubes"))
    drafts = [Row(one, "draft", one.n) for one in seen.filter(handoff=None, dropped="")[:SHOWN]]
    going = {str(one.pending_ref) for one in ledger.find(pending_ref__isnull=False)}
    sent = list(seen.filter(Q(handoff__in=going) | Q(pk__in=_newest_sent(who))))
    rows = sent_rows(sent, who, now_ms)
    return Board(
        drafts,
        sorted((one for one in rows if one.word in {"on the way", "in part"}), key=_urgent),
        sorted((one for one in rows if one.word == "overdue"), key=_urgent),
        [one for one in rows if one.word in {"arrived", "void"}][:SHOWN],
    )


def mine(who: Person) -> QuerySet[Shipment]:
    """Shipments of the programme that this person's agency gives or is to receive; curators and auditors see
    all. A draft is shown to its giver alone, and to those."""
    found = ROWS.filter(programme=who.programme)
    if sees_all(who):
        return found
    given, coming = Q(giver=who.agency), Q(receiver=who.agency, handoff__isnull=False)
    return found.filter(given | coming)


def sees_all(who: Person) -> bool:
    return may(who, "curate") or who.role == Role.AUDITOR


def _newest_sent(who: Person) -> QuerySet[Shipment]:
    return mine(who).filter(handoff__isnull=False).order_by("-pk").values("pk")[: 2 * SHOWN]


def _urgent(row: Row) -> tuple[int, int]:
    return (1 << 62 if row.due_ms is None else row.due_ms, row.shipment.pk)


def sent_rows(sent: list[Shipment], who: Person, now_ms: int) -> list[Row]:
    """How those that were sent stand. 3 queries."""
    ids = [str(one.handoff) for one in sent]
    told = ledger.told(ids)
    open_ = Counter(str(one.pending_ref) for one in ledger.find(pending_ref__in=ids))
    return [_sent(one, told.get(str(one.handoff)), open_[str(one.handoff)], who, now_ms) for one in sent]


def _sent(one: Shipment, told: ledger.Told | None, open_: int, who: Person, now_ms: int) -> Row:
    due = told.header["data"].get("due_ms") if told else None
    lines = len(told.lines) if told else 0
    word = "on the way" if open_ == lines else "in part"
    if told is None or told.voided:
        word = "void"
    elif not open_:
        word = "arrived"
    elif due is not None and now_ms > due:
        word = "overdue"
    unanswered = told is not None and open_ == lines
    blind = unanswered and one.receiver_id == who.agency_id
    return Row(one, word, lines, due, None if due is None else due - now_ms, blind)


# --- one ------------------------------------------------------------------------------------------


def shipment_or_404(who: Person, pk: int) -> Shipment:
    """One that this person may see; 404 for another programme's, and for other people's drafts."""
    found = mine(who).filter(pk=pk).first() if may(who, "see") else None
    if found is None:
        raise Http404("No such shipment.")
    return found


def to_change(who: Person, pk: int) -> Shipment:
    """One that this person's agency gives; 403 when it only looks on."""
    found = shipment_or_404(who, pk)
    if found.giver_id != who.agency_id:
        raise PermissionDenied("Only the agency that sends this may change it.")
    return found


@dataclass(frozen=True)
class Content:
    """A tube of a shipment. box: the one it goes in; empty: loose. state None: not in the ledger."""

    tube: str
    box: str
    state: TubeState | None


def contents(shipment: Shipment) -> list[Content]:
    """Its tubes by box. 2 queries."""
    rows = list(shipment.tubes.all())
    states = ledger.states([one.tube for one in rows])
    return [Content(one.tube, one.box, states.get(one.tube)) for one in rows]


def legs(shipment: Shipment) -> list[Leg]:
    """1 query."""
    return list(shipment.legs.select_related("unit", "logger"))


@dataclass(frozen=True)
class Asked:
    """A point of the packing list and what was said to it."""

    point: Point
    check: PackingCheck | None


def packing(shipment: Shipment, rows: list[Leg], contents_: list[Content]) -> list[Asked]:
    """The points that are asked for this shipment. 1 query."""
    said = {one.point: one for one in shipment.checks.select_related("by")}
    return [Asked(one, said.get(one.code)) for one in points.asked(situation(shipment, rows, contents_))]


def situation(shipment: Shipment, rows: list[Leg], contents_: list[Content]) -> set[str]:
    additives = {one.state.additive for one in contents_ if one.state}
    return points.situation(shipment.hazard, {row.coolant for row in rows}, additives)


def in_drafts(tubes: list[str], but: int | None = None) -> dict[str, str]:
    """Which open draft each of these tubes is in, if any. 1 query."""
    rows = ShipmentTube.objects.filter(tube__in=tubes, shipment__handoff=None, shipment__dropped="")
    return dict(rows.exclude(shipment=but).values_list("tube", "shipment__number"))


def foreign(shipment: Shipment, tubes: list[str]) -> str | None:
    """The first of these tubes that is of another programme. 1 query."""
    rows = Tube.objects.filter(code__in=tubes, tube_set__isnull=False)
    return rows.exclude(tube_set__plan__programme=shipment.programme).values_list("code", flat=True).first()


# --- permits --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Covered:
    """One answer for these tubes. kept: the programme keeps permits of this sort."""

    verb: str
    answer: Answer
    sentence: str
    tubes: tuple[str, ...]
    kept: bool


def covered(shipment: Shipment, tubes: list[str], on: date) -> list[Covered]:
    """What the papers on file say of each tube, those that say the same together, the worst first."""
    if not tubes:
        return []
    found: dict[tuple[str, Answer, str], list[str]] = {}
    said = cover.lines(tubes, shipment.giver, shipment.receiver, shipment.programme, on)
    for tube, lines in said.items():
        for verb, answer, sentence in lines:
            found.setdefault((verb, answer, sentence), []).append(tube)
    kept = {verb: cover.kept(shipment.programme, verb) for verb in {verb for verb, _, _ in found}}
    order = ["fail", "cannot_tell", "pass"]
    rows = [Covered(*key, tuple(tubes_), kept[key[0]]) for key, tubes_ in found.items()]
    return sorted(rows, key=lambda one: (order.index(one.answer), one.verb, one.sentence))
