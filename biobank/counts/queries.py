"""What there is to count and why, what counts found, and how exact the store is over time.

Promises: a fixed number of queries however many boxes and counts there are. While a count is open nothing
here tells how many tubes its box should hold.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.utils import timezone

from biobank.acting import ms
from biobank.core import counting, risk
from biobank.core.grid import Grid, Slot
from biobank.models import Agency, Count, CountDraw, CountRead, Unit
from custody import queries as ledger
from custody.core.state import TubeState

SHOWN, MONTHS = 50, 12
DAY_MS = 86_400_000


# which box ----------------------------------------------------------------------------------------


def weighed(agency: Agency, now: datetime | None = None) -> list[risk.Weighed]:
    """This agency's boxes by what there is to say for counting each; those with an open count are left out.
    5 queries."""
    at = ms(now or timezone.now())
    newest, waiting = _counts_of(agency)
    stock, moved = ledger.stock(), ledger.units_moved()
    boxes = Unit.objects.filter(kind="box", agency=agency).values_list("code", flat=True)
    found = [
        risk.weigh(_facts(code, newest.get(code), stock.get(code), moved.get(code), at))
        for code in boxes
        if code not in waiting
    ]
    return sorted(found, key=lambda one: (-one.weight, one.unit))


def _counts_of(agency: Agency) -> tuple[dict[str, Count], set[str]]:
    """The newest finished count of each box, and the boxes that have an open one. 2 queries."""
    mine = Count.objects.filter(unit__agency=agency).select_related("unit")
    done = mine.filter(finished__isnull=False).order_by("finished", "pk")
    waiting = mine.filter(finished=None).values_list("unit__code", flat=True)
    return {one.unit.code: one for one in done}, set(waiting)


def _facts(
    code: str, count: Count | None, tubes: ledger.Stock | None, moved_ms: int | None, now_ms: int
) -> risk.Box:
    held = tubes.tubes if tubes else 0
    value = {"reserved": tubes.reserved, "last": tubes.last} if tubes else {}
    doubts = tubes.disputes + tubes.contested if tubes else 0
    if count is None or count.finished is None:
        return risk.Box(code, held, disputes=doubts, **value)
    then = ms(count.finished)
    return risk.Box(
        code, held, days=max(0, (now_ms - then) // DAY_MS), moved=(moved_ms or 0) > then,
        changed=bool(tubes and (tubes.last_ms or 0) > then), gone=count.expected - held, disputes=doubts,
        misses=count.misses, **value,
    )  # fmt: skip


def redone(draw: CountDraw) -> bool:
    """Whether the stored candidates, number and seed give the boxes that were chosen."""
    boxes = [risk.Weighed(code, weight, tuple(reasons)) for code, weight, reasons in draw.considered]
    picks = risk.choose(boxes, draw.wanted, draw.seed)
    return [[one.unit, one.how] for one in picks] == draw.chosen


def lots(draw: CountDraw) -> list[dict[str, Any]]:
    """Each candidate with its weight, reasons, lot and how it was chosen (empty: not), chosen ones first."""
    how = dict(draw.chosen)
    rows = [
        {"unit": code, "weight": weight, "reasons": "; ".join(why), "lot": risk.lot(draw.seed, code)[:12],
         "how": how.get(code, "")}
        for code, weight, why in draw.considered
    ]  # fmt: skip
    return sorted(rows, key=lambda one: (one["how"] != "risk", one["how"] != "chance", one["lot"]))


# the list and one count ---------------------------------------------------------------------------


def to_do() -> list[Count]:
    """Open counts, those that were begun first, then by weight. 1 query."""
    found = list(Count.objects.filter(finished=None).select_related("unit", "by"))
    return sorted(found, key=lambda one: (one.started is None, -one.weight, one.pk))


def done() -> list[Count]:
    """The newest finished counts. 1 query."""
    rows = Count.objects.filter(finished__isnull=False).select_related("unit", "by")
    return list(rows.order_by("-finished", "-pk")[:SHOWN])


def slot_name(grid: Grid, slot: Slot | None) -> str:
    return grid.name(*slot) if slot and slot[0] <= grid.rows and slot[1] <= grid.cols else ""


def reads_of(count: Count) -> list[counting.Read]:
    """What was read so far, oldest first. 1 query."""
    return _read(CountRead.objects.filter(count=count))


def _read(rows: QuerySet[CountRead]) -> list[counting.Read]:
    told = rows.values_list("tube", "row", "col")
    return [counting.Read(tube, (row, col) if row and col else None) for tube, row, col in told]


def content(unit: Unit) -> dict[str, TubeState]:
    """What the ledger has in a box. 1 query."""
    return {one.tube: one for one in ledger.find(unit=unit.code)}


def slots(states: dict[str, TubeState]) -> dict[str, Slot | None]:
    return {tube: (one.row, one.col) if one.row and one.col else None for tube, one in states.items()}


@dataclass(frozen=True)
class Difference:
    """A difference that a count noted; `closed`: the event that settled it."""

    event: str
    tube: str
    word: str
    note: str
    closed: ledger.Said | None
    closing_note: str = ""


def differences(count: Count) -> list[Difference]:
    """What this count noted, with what became of it. 5 queries."""
    if count.event is None:
        return []
    noted = [
        one for one in ledger.events(refs=[str(count.event)]) if one.header["kind"] == "discrepancy_noted"
    ]
    settled = {}
    for one in ledger.events(refs=[said.id for said in noted]):
        if one.header["kind"] == "discrepancy_resolved":
            settled[one.header["ref"]] = one
    found = [_difference(one, settled.get(one.id)) for one in noted]
    return sorted(found, key=lambda one: (list(counting.WORDS).index(one.word), one.tube))


def _difference(said: ledger.Said, closed: ledger.Said | None) -> Difference:
    data = said.header["data"]
    why = closed.header["data"].get("note", "") if closed else ""
    return Difference(said.id, said.lines[0]["t"], data["code"], data.get("note", ""), closed, why)


def unnamed(count: Count, known: Iterable[str]) -> list[tuple[str, str, str]]:
    """Readings of a finished count that no event could name: tube, slot, what is the matter. `known`: tubes
    that an event named. 2 queries."""
    if count.finished is None:
        return []
    grid, reads = count.unit.grid, _read(CountRead.objects.filter(count=count, taken_for=""))
    states = ledger.states({one.tube for one in reads if one.tube} - set(known))
    odd = [one for one in reads if one.tube not in known and nameless(states.get(one.tube))]
    return [(one.tube, slot_name(grid, one.slot), _matter(one.tube, states.get(one.tube))) for one in odd]


def nameless(state: TubeState | None) -> bool:
    """Whether the ledger takes no count of this tube: there is nothing in it, or no such tube."""
    return state is None or not state.has_content


def _matter(tube: str, state: TubeState | None) -> str:
    if not tube:
        return "the label cannot be read"
    if state is None or state.status == "unknown":
        return "no label with this code was printed"
    return {"void": "its label was voided", "discarded": "it was discarded"}.get(
        state.status, "it was not filled"
    )


# over time ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Month:
    name: str
    boxes: int
    found: int
    all: int
    misses: int

    @property
    def rate(self) -> float | None:
        return self.found / self.all if self.all else None

    @property
    def share(self) -> str:
        return "–" if self.rate is None else risk.share(self.rate)


def months(tz: str) -> list[Month]:
    """The newest months in which something was counted, oldest first. 1 query."""
    zone = ZoneInfo(tz)
    names = ("finished", "expected", "found", "wrong_place", "not_found", "extra")
    sums: dict[str, list[int]] = {}
    rows = Count.objects.filter(finished__isnull=False).order_by("finished").values_list(*names)
    for finished, expected, found, wrong, missing, extra in rows:
        total = sums.setdefault(finished.astimezone(zone).strftime("%Y-%m"), [0, 0, 0, 0])
        for at, more in enumerate((1, found, expected + extra, wrong + missing + extra)):
            total[at] += more
    return [Month(name, *total) for name, total in sums.items()][-MONTHS:]


def picture(rows: Sequence[Month]) -> dict[str, Any]:
    """Points of the line of accuracy in a field of 1000 x 200, from its floor (in percent) to 100 %."""
    told = [one for one in rows if one.rate is not None]
    if not told:
        return {}
    floor = min(95, int(100 * min(one.rate or 0 for one in told)) // 5 * 5)
    step = 820 / max(1, len(told) - 1)

    def height(one: Month) -> int:
        return round(20 + 160 * (100 - 100 * (one.rate or 0)) / (100 - floor))

    points = [
        {"x": round(90 + at * step), "y": height(one), "month": one.name} for at, one in enumerate(told)
    ]
    return {"floor": floor, "points": points, "line": " ".join(f"{one['x']},{one['y']}" for one in points)}
