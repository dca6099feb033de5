"""What others may ask of the ledger. The only reading door of this room.

Promises: answers are plain values of `custody.core.state`, never rows; each function says how many
queries it needs, and none of them grows with the number of tubes asked for (but for slices of 500).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from django.db.models import F, Max, Min, Q, Window
from django.db.models.functions import Lead

from custody import held, refold
from custody.core import amend, canon, fold, gaps
from custody.core.gaps import SENDING
from custody.core.state import Happening, Problem, Stay, TubeState, UnitStay
from custody.handled import handled as handled
from custody.kin import kin_in as kin_in
from custody.kin import left_of as left_of
from custody.models import Device, Event, Fill, Finding, Head, Held
from custody.models import TubeState as TubeRow
from custody.models import UnitState as UnitRow
from custody.stock import Stock as Stock
from custody.stock import stock as stock
from custody.stock import units_moved as units_moved

NAMES = [one.name for one in fields(TubeState)]


@dataclass(frozen=True)
class Said:
    """One whole event: its header and its lines as they were hashed."""

    seq: int
    id: str
    header: dict[str, Any]
    lines: list[dict[str, Any]]
    recorded_ms: int
    login: str
    via: str
    leaf: str


def state(code: str) -> TubeState | None:
    """A tube's state; None when the ledger never heard of it. 1 query."""
    return states([code]).get(code)


def states(codes: Iterable[str]) -> dict[str, TubeState]:
    """States of the tubes that the ledger knows. 1 query."""
    found: dict[str, TubeState] = {}
    for part in refold.slices(codes):
        found |= {
            row["tube"]: TubeState(**row) for row in TubeRow.objects.filter(tube__in=part).values(*NAMES)
        }
    return found


def find(**wanted: Any) -> list[TubeState]:
    """Tubes by fields of TubeState (also with Django's `__in`), by code. 1 query."""
    return [TubeState(**row) for row in TubeRow.objects.filter(**wanted).order_by("tube").values(*NAMES)]


def history(code: str) -> list[Happening]:
    """What happened to a tube, oldest first, voided acts among it and marked. At most 4 queries."""
    return histories([code])[code]


def histories(codes: Iterable[str]) -> dict[str, list[Happening]]:
    """The same for many tubes. At most 4 queries."""
    return {name: sorted(said, key=fold.order) for name, said in refold.histories("t", codes).items()}


def stays(code: str) -> list[Stay]:
    """Where a tube stood, from when to when. At most 4 queries."""
    return stays_of([code])[code]


def stays_of(codes: Iterable[str]) -> dict[str, list[Stay]]:
    """The same for many tubes. At most 4 queries."""
    return {name: fold.stays(name, said) for name, said in refold.histories("t", codes).items()}


def unit_stays(codes: Iterable[str] | None = None) -> dict[str, list[UnitStay]]:
    """In what each unit stood, from when to when. None: all units. At most 4 queries."""
    return {name: fold.unit_stays(said) for name, said in refold.histories("u", codes).items()}


def units() -> dict[str, str | None]:
    """What each unit stands in now. 1 query."""
    return dict(UnitRow.objects.values_list("unit", "parent"))


def above(unit: str, most: int = 20) -> list[str]:
    """This unit, what it stands in, and so on outwards. One query a step, however many units there are."""
    path = [unit]
    while len(path) < most:
        up = UnitRow.objects.filter(unit=path[-1]).values_list("parent", flat=True).first()
        if up is None or up in path:
            break
        path.append(up)
    return path


def box(unit: str) -> dict[tuple[int, int], str]:
    """The tubes in the slots of a box now (row and column from 1); contested ones are left out. 1 query."""
    rows = TubeRow.objects.filter(unit=unit, row__isnull=False, contested=False)
    return {(row, col): tube for tube, row, col in rows.values_list("tube", "row", "col")}


def contents(units_: Iterable[str] | None = None) -> dict[str, int]:
    """How many tubes are in each unit itself. 1 query."""
    rows = Fill.objects.all() if units_ is None else Fill.objects.filter(unit__in=list(units_))
    return dict(rows.values_list("unit", "tubes"))


def children(code: str) -> list[str]:
    """Aliquots made from a tube. 1 query."""
    return list(TubeRow.objects.filter(parent=code).order_by("tube").values_list("tube", flat=True))


def event(event_id: str) -> Said | None:
    """One event as it was written, or None. 2 queries."""
    found = Event.objects.filter(event_id=event_id).first()
    return _said([found])[0] if found else None


def events(kind: str | None = None, org: str | None = None, refs: Iterable[str] | None = None) -> list[Said]:
    """Whole events, newest first: of a kind, of an agency, or those that answer these. 2 queries."""
    found = Event.objects.order_by("-seq")
    found = found.filter(kind=kind) if kind else found
    found = found.filter(org=org) if org else found
    found = found.filter(ref__in=list(refs)) if refs is not None else found
    return _said(list(found))


def sendings(party: str | None = None, before: int | None = None, most: int | None = None) -> list[Said]:
    """Handoffs and shipments, newest first: those that an agency gave or was to receive, or all.

    before: only with a smaller number in the log; most: no more than so many. 2 queries, whose time grows
    with what they give and not with the log.
    """
    found = Event.objects.filter(kind__in=SENDING).order_by("-seq")
    if party is not None:  # canonical text has no spaces, and a quotation mark in a value is escaped
        to = json.dumps(party, ensure_ascii=False)
        found = found.filter(Q(org=party) | Q(body__contains=f'"to":{to}'))
    found = found.filter(seq__lt=before) if before is not None else found
    return _said(list(found[:most] if most is not None else found))


def recent(n: int = 20) -> list[Said]:
    """The newest events of the log. 2 queries."""
    return _said(list(Event.objects.order_by("-seq")[:n]))


def _said(found: list[Event]) -> list[Said]:
    texts = refold.line_texts(str(one.event_id) for one in found)
    return [
        Said(
            one.seq, str(one.event_id), canon.read(one.body),
            [canon.read(text) for text in texts[str(one.event_id)]],
            one.recorded_ms, one.login, one.via, bytes(one.leaf).hex(),
        )
        for one in found
    ]  # fmt: skip


def findings(tube: str | None = None, start: int = 0, most: int | None = None) -> list[Problem]:
    """Broken invariants that no event has closed yet, all or `most` of them from `start` on. 1 query."""
    rows = Finding.objects.order_by("subject", "code", "event")
    rows = rows.filter(subject=tube) if tube else rows
    rows = rows[start : None if most is None else start + most]
    return [Problem(one.code, one.subject, one.event, one.sentence) for one in rows]


def count_findings() -> int:
    """How many of them there are. 1 query."""
    return Finding.objects.count()


@dataclass(frozen=True)
class Waiting:
    """An item of a device that the ledger could not take: `custody.models.Held` as a value.

    may_let_in  only who said it is in doubt, so somebody may take it as it is
    """

    pk: int
    code: str
    why: str
    device: str
    login: str
    recorded_ms: int
    event_id: str | None
    number: int | None
    raw: str
    settled_as: str
    settled_by: str
    settled_ms: int | None
    note: str
    may_let_in: bool


def waiting(start: int = 0, most: int | None = None, settled: bool = False) -> list[Waiting]:
    """Held items that nobody has settled (or that were), oldest first. 1 query."""
    rows = Held.objects.exclude(settled_as="") if settled else Held.objects.filter(settled_as="")
    return [_waiting(row) for row in rows.order_by("pk")[start : None if most is None else start + most]]


def count_waiting(settled: bool = False) -> int:
    """How many held items nobody has settled (or that were). 1 query."""
    return (Held.objects.exclude(settled_as="") if settled else Held.objects.filter(settled_as="")).count()


def held_item(pk: int) -> Waiting | None:
    """One held item, settled or not. 1 query."""
    row = Held.objects.filter(pk=pk).first()
    return _waiting(row) if row else None


def _waiting(row: Held) -> Waiting:
    named = {one.name: getattr(row, one.name) for one in fields(Waiting) if one.name != "may_let_in"}
    named["event_id"] = str(row.event_id) if row.event_id else None
    return Waiting(**named, may_let_in=not row.settled_as and row.code in held.DOUBTS)


@dataclass(frozen=True)
class Speaker:
    """A device that may send events: `custody.models.Device` as a value. `signs`: it has a key."""

    code: str
    label: str
    org: str
    person: str
    signs: bool
    registered_ms: int
    registered_by: str
    revoked_ms: int | None
    revoked_by: str
    revoked_why: str


def devices() -> list[Speaker]:
    """All devices, those in use first. 1 query."""
    rows = Device.objects.order_by(F("revoked_ms").asc(nulls_first=True), "code")
    names = [one.name for one in fields(Speaker) if one.name != "signs"]
    return [
        Speaker(**{name: getattr(row, name) for name in names}, signs=bool(row.public_key)) for row in rows
    ]


def missing_numbers(device: str) -> list[tuple[int, int]]:
    """Numbers, from … to, of this device's events that have not come, neither taken nor held. 3 queries.

    Nothing can be said about what it made after the last number that came.
    """
    return missing_of([device])[device]


def missing_of(codes: Iterable[str]) -> dict[str, list[tuple[int, int]]]:
    """The same for many devices. 3 queries."""
    numbers = Event.objects.filter(device__in=list(codes), device_n__isnull=False)
    ends = numbers.values("device").annotate(first=Min("device_n"), last=Max("device_n")).order_by()
    found = {code: [(1, canon.LARGEST)] for code in codes}
    for row in ends:
        before = [(1, row["first"] - 1)] if row["first"] > 1 else []
        found[row["device"]] = [*before, (row["last"] + 1, canon.LARGEST)]
    after = Window(Lead("device_n"), partition_by=F("device"), order_by=F("device_n").asc())
    holes = numbers.annotate(after=after).filter(after__gt=F("device_n") + 1)
    for code, n, then in holes.values_list("device", "device_n", "after"):
        found[code].append((n + 1, then - 1))
    came = Held.objects.filter(device__in=list(found), number__isnull=False)
    for code, n in came.values_list("device", "number").distinct():
        found[code] = [piece for hole in found[code] for piece in _without(hole, n)]
    return {code: sorted(one)[:-1] for code, one in found.items()}  # the last is open: it may go on for ever


def _without(hole: tuple[int, int], n: int) -> list[tuple[int, int]]:
    """The hole with one number of it filled."""
    start, stop = hole
    if not start <= n <= stop:
        return [hole]
    pieces = [(start, n - 1), (n + 1, stop)]
    return [one for one in pieces if one[0] <= one[1]]


def size() -> int:
    """How many events the log holds. 1 query."""
    head = Head.objects.filter(id=1).first()
    return head.size if head else 0


def count(**wanted: Any) -> int:
    """How many tubes there are by fields of TubeState. 1 query."""
    return TubeRow.objects.filter(**wanted).count()


@dataclass(frozen=True)
class Amended:
    """A void or a correction of an event; `live` is False when it was voided in turn."""

    said: Said
    live: bool


@dataclass(frozen=True)
class Told:
    """An event as it was said, and as it counts today with what amended it (oldest first)."""

    said: Said
    header: dict[str, Any]
    lines: list[dict[str, Any]]
    voided: bool
    amendments: tuple[Amended, ...]

    @property
    def set(self) -> Mapping[str, Any]:
        """What the newest live correction sets; empty when there is none."""
        live = [one.said.header["data"]["set"] for one in self.amendments if one.live and _corrects(one)]
        return live[-1] if live else {}


def _corrects(one: Amended) -> bool:
    return bool(one.said.header["kind"] == "corrected")


def told(ids: Iterable[str]) -> dict[str, Told]:
    """Events with what became of them. 3 queries, 2 more when any was amended, 1 for each amendment's own."""
    rows = [one for part in refold.slices(ids) for one in Event.objects.filter(event_id__in=part)]
    return {one.said.id: one for one in as_told(_said(rows))}


def as_told(found: list[Said]) -> list[Told]:
    """The same for events that are at hand, in their order. 1 query, 2 more when any was amended, 1 for each
    amendment's own."""
    amendments = refold.amendments({one.id for one in found})
    dead, live = fold.standing(amendments)
    direct = {one.id for one in amendments if one.of in {said.id for said in found}}
    rows = [one for part in refold.slices(direct) for one in Event.objects.filter(event_id__in=part)]
    said_by = {one.id: one for one in _said(rows)} if rows else {}
    return [_told(one, amendments, said_by, dead, live) for one in found]


def _told(
    said: Said,
    amendments: list[fold.Amendment],
    said_by: dict[str, Said],
    dead: set[str],
    live: dict[str, list[fold.Amendment]],
) -> Told:
    header, lines = amend.applied(said.header, said.lines, fold.newest(live.get(said.id, [])))
    mine = sorted((one for one in amendments if one.of == said.id), key=lambda one: (one.said_ms, one.id))
    marks = tuple(Amended(said_by[one.id], one.id not in dead) for one in mine)
    return Told(said, header, lines, said.id in dead, marks)


def lineage(code: str) -> list[str]:
    """A tube, the tube it was made from, and so on up. 1 query a generation."""
    found, at = [code], state(code)
    while at is not None and at.parent and at.parent not in found:
        found.append(at.parent)
        at = state(at.parent)
    return found


def family(codes: Iterable[str]) -> dict[str, TubeState]:
    """These tubes, all they were made from, and all that was made of any of those. 1 query a generation."""
    found = states(codes)
    fresh = {one.parent for one in found.values() if one.parent} - set(found)
    while fresh:
        up = states(fresh)
        found |= up
        fresh = {one.parent for one in up.values() if one.parent} - set(found)
    below = list(found)
    while below:
        down = [one for part in refold.slices(below) for one in find(parent__in=part)]
        below = [one.tube for one in down if one.tube not in found]
        found |= {one.tube: one for one in down}
    return found


def custody(code: str, now_ms: int, limits: gaps.Limits = gaps.LIMITS) -> gaps.Custody:
    """Who answered for a tube and for what it was made from, how, and where nobody did. At most 4 queries
    and 1 a generation."""
    line = lineage(code)
    said = histories(line)
    return gaps.through([(one, said[one]) for one in line], now_ms, limits)


def subjects(event_id: str) -> list[str]:
    """Tubes and units that an event is about; an amendment is about those of what it amends. 2 queries, and
    2 for each amendment of an amendment."""
    return sorted(name for _, name in refold.subjects_of([event_id]))
