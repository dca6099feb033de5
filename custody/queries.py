"""What others may ask of the ledger. The only reading door of this room.

Promises: answers are plain values of `custody.core.state`, never rows; each function says how many
queries it needs, and none of them grows with the number of tubes asked for (but for slices of 500).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Any

from django.db.models import Count

from custody import refold
from custody.core import canon, fold
from custody.core.state import Happening, Problem, Stay, TubeState, UnitStay
from custody.models import Event, Finding, Head
from custody.models import TubeState as TubeRow
from custody.models import UnitState as UnitRow

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


def box(unit: str) -> dict[tuple[int, int], str]:
    """The tubes in the slots of a box now (row and column from 1); contested ones are left out. 1 query."""
    rows = TubeRow.objects.filter(unit=unit, row__isnull=False, contested=False)
    return {(row, col): tube for tube, row, col in rows.values_list("tube", "row", "col")}


def contents(units_: Iterable[str] | None = None) -> dict[str, int]:
    """How many tubes are in each unit itself. 1 query."""
    rows = TubeRow.objects.filter(unit__isnull=False)
    rows = rows if units_ is None else rows.filter(unit__in=list(units_))
    return dict(rows.values_list("unit").annotate(n=Count("pk")).order_by())


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


def findings(tube: str | None = None) -> list[Problem]:
    """Broken invariants that no event has closed yet. 1 query."""
    rows = Finding.objects.order_by("subject", "code")
    rows = rows.filter(subject=tube) if tube else rows
    return [Problem(one.code, one.subject, one.event, one.sentence) for one in rows]


def size() -> int:
    """How many events the log holds. 1 query."""
    head = Head.objects.filter(id=1).first()
    return head.size if head else 0


def count(**wanted: Any) -> int:
    """How many tubes there are by fields of TubeState. 1 query."""
    return TubeRow.objects.filter(**wanted).count()
