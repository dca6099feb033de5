"""What the pages and papers of an evacuation show.

Promises: a fixed number of queries however many boxes and tubes there are; nothing here writes; what is
supposed is never called measured.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.db.models import Q
from django.utils import timezone

from biobank.acting import ms
from biobank.core import warming
from biobank.core.rank import IRREPLACEABLE, WORDS, Ranked
from biobank.evacuation import tree
from biobank.evacuation.curve import Ahead, ahead
from biobank.evacuation.order import order_of
from biobank.evacuation.ranking import rank
from biobank.evacuation.room import Room, room_for
from biobank.models import Evacuation, LoggerPlacement, ThermalEvent, Unit
from biobank.store.classes import path_of, set_point
from biobank.temperature import blocks
from custody import queries as ledger

LIMITS = (-6000, -4000, -2000)
LOOK_BACK_MS = 12 * warming.HOUR
SHOWN = 30


# --- a unit, in advance ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Plan:
    """A unit with its boxes in the order in which they would leave, and where they would go.

    path   the unit and what it stands in, outwards; loose: (unit, tubes) that stand in no box
    """

    unit: Unit
    path: list[Unit]
    boxes: list[Ranked]
    loose: list[tuple[str, int]]
    room: Room

    @property
    def centi(self) -> int | None:
        return set_point(self.path)

    @property
    def tubes(self) -> int:
        return sum(box.tubes for box in self.boxes)

    @property
    def sums(self) -> list[tuple[str, int, int]]:
        return sums(self.boxes)

    @property
    def rows(self) -> list[Row]:
        return [Row(box, tree.IN, "", self.room.to.get(box.unit, "")) for box in self.boxes]

    @property
    def nitrogen(self) -> bool:
        cold = self.centi is not None and self.centi <= -15000
        return cold or any(one.kind == "tank" for one in self.path)


def sums(boxes: Iterable[Ranked]) -> list[tuple[str, int, int]]:
    """For each rank its words, how many boxes are of it, and how many tubes; empty boxes are left out."""
    filled = [box for box in boxes if box.tubes]
    found = []
    for number, word in WORDS.items():
        of_it = [box for box in filled if box.rank == number]
        found.append((word, len(of_it), sum(box.tubes for box in of_it)))
    return found


def plan(unit: Unit) -> Plan:
    """The ranked list of a unit, as it stands. At most 25 queries and two for each 500 workups."""
    paths, kind_of = tree.below(unit.code, ledger.units()), tree.kinds()
    boxes = rank({code: path for code, path in paths.items() if kind_of.get(code) == "box"})
    others = [unit.code, *(code for code in paths if kind_of.get(code) != "box")]
    loose = sorted(ledger.contents(others).items())
    path = path_of(unit.code) or [unit]
    room = room_for(unit, set_point(path), [box.unit for box in boxes if box.tubes])
    return Plan(unit, path, boxes, loose, room)


# --- how long it stays cold -----------------------------------------------------------------------


@dataclass(frozen=True)
class Guess:
    """One limit: when it is reached at the earliest and at the latest, supposed. ms: moments, when it is
    known since when the unit warms up; else lengths of time from then."""

    limit: int
    earliest_ms: int
    latest_ms: int


@dataclass(frozen=True)
class TimeLeft:
    """What can be said of the time left. since_ms: since when it is supposed to warm up.

    guesses  from figures of the trade, supposed; trend: drawn on from the newest readings of `placement`
    ahead    the warming curve through its readings since the failure, when it can be fitted
    """

    since_ms: int | None
    guesses: list[Guess]
    placement: LoggerPlacement | None = None
    newest: tuple[int, int] | None = None
    trend: warming.Trend | None = None
    trend_limit: int = 0
    ahead: Ahead | None = None


def time_left(path: list[Unit], since_ms: int | None, now_ms: int, tz: str = "UTC") -> TimeLeft:
    """What figures and the governing logger say of this unit (outwards with what it stands in). 2 queries."""
    centi = set_point(path)
    spans = [(limit, warming.nominal(centi, limit)) for limit in LIMITS]
    start = since_ms or 0
    guesses = [Guess(limit, start + one.earliest_ms, start + one.latest_ms) for limit, one in spans if one]
    placement = _logger(path)
    if placement is None:
        return TimeLeft(since_ms, guesses)
    readings = _readings(placement, now_ms)
    limit = next((one for one in LIMITS if readings and readings[-1][1] < one), LIMITS[-1])
    newest = readings[-1] if readings else None
    curve = ahead(readings, _own(path), placement.logger.interval_ms, since_ms, tz)
    return TimeLeft(since_ms, guesses, placement, newest, warming.trend(readings, limit), limit, curve)


def _own(path: list[Unit]) -> int | None:
    """The alarm of the first of these units that has one."""
    return next((one.alarm_above_centi for one in path if one.alarm_above_centi is not None), None)


def _logger(path: list[Unit]) -> LoggerPlacement | None:
    """The logger that governs the first of these units that has one."""
    order = {unit.pk: at for at, unit in enumerate(path)}
    rows = LoggerPlacement.objects.filter(unit__in=list(order), governing=True, to_ms=None)
    found = sorted(rows.select_related("logger", "unit"), key=lambda one: order[one.unit_id])
    return found[0] if found else None


def _readings(placement: LoggerPlacement, now_ms: int) -> list[tuple[int, int]]:
    start = max(placement.from_ms, now_ms - LOOK_BACK_MS)
    loaded = blocks.load(placement.logger_id, start, now_ms)
    rows = zip(loaded.times.tolist(), loaded.centi.tolist(), strict=True)
    return [(at, centi) for at, centi in rows if start <= at <= now_ms]


def events_of(
    path: Iterable[Unit], from_ms: int | None = None, to_ms: int | None = None
) -> list[ThermalEvent]:
    """Thermal events of these units, those that were withdrawn among them, that touch a stretch. 1 query."""
    touching = Q()
    if from_ms is not None:
        touching &= Q(to_ms__gt=from_ms)
    if to_ms is not None:
        touching &= Q(from_ms__lt=to_ms)
    rows = ThermalEvent.objects.filter(touching, unit__in=[one.pk for one in path])
    return list(rows.select_related("unit", "by", "withdrawn_by"))


# --- an evacuation --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """A box of an evacuation: its rank, where it is in words, and where it could go."""

    box: Ranked
    stage: str
    where: str
    to: str = ""


@dataclass(frozen=True)
class Run:
    """An evacuation as it stands: boxes in the order in which they leave, and how far it is.

    ranked_ms  when the order was worked out
    """

    evacuation: Evacuation
    crew: tree.Crew
    rows: list[Row]
    moves: list[tree.Moved]
    loose: int
    ranked_ms: int

    @property
    def counts(self) -> Counter[str]:
        return Counter(row.stage for row in self.rows)

    @property
    def gone(self) -> int:
        return len(self.rows) - self.counts[tree.IN]

    @property
    def percent(self) -> int:
        """Of the boxes, how many are in a new place."""
        return 100 * self.counts[tree.SAFE] // len(self.rows) if self.rows else 100

    @property
    def irreplaceable(self) -> tuple[int, int]:
        """Boxes with what cannot be replaced: how many are out or in a new place, and of how many."""
        those = [row for row in self.rows if row.box.rank == IRREPLACEABLE]
        return sum(row.stage != tree.IN for row in those), len(those)

    @property
    def waiting(self) -> list[Row]:
        return [row for row in self.rows if row.stage == tree.IN]

    @property
    def carried(self) -> list[Row]:
        """Out, and not yet in a new place."""
        return [row for row in self.rows if row.stage in {tree.HAND, tree.WAY}]

    def room_for(self, hold: Iterable[str]) -> list[str]:
        """Where there is room for what is in hand, each place once."""
        held = set(hold)
        here = [
            row for row in self.carried if row.to and held & {row.box.unit, *self.crew.paths[row.box.unit]}
        ]
        return list(dict.fromkeys(row.to for row in here))

    @property
    def safe(self) -> list[Row]:
        return [row for row in self.rows if row.stage == tree.SAFE]


def run(evacuation: Evacuation) -> Run:
    """One evacuation. At most 9 queries; when the order must be worked out 28 and two for each 500
    workups."""
    crew, inside = tree.crew(evacuation), ledger.contents()
    order = order_of(evacuation, crew, inside)
    to = order.places(crew, inside)
    rows = [Row(box, crew.stage(box.unit), crew.where(box.unit), to.get(box.unit, "")) for box in order.boxes]
    until = ms(evacuation.ended) if evacuation.ended else None
    moves = crew.moves(ms(evacuation.opened), until)[:SHOWN]
    return Run(evacuation, crew, rows, moves, _loose(crew, inside), order.at_ms)


def _loose(crew: tree.Crew, inside: Mapping[str, int]) -> int:
    """Tubes that stand in the unit without a box."""
    others = [code for code in crew.paths if crew.kinds.get(code) != "box" and crew.stage(code) == tree.IN]
    return sum(inside.get(code, 0) for code in (crew.unit, *others))


def evacuations() -> list[Evacuation]:
    """Those that go on, then the newest of the others. 1 query."""
    return list(Evacuation.objects.select_related("unit", "by", "ended_by")[:SHOWN])


def open_of(unit: Unit) -> Evacuation | None:
    """The evacuation of this unit that goes on. 1 query."""
    return Evacuation.objects.filter(unit=unit, ended=None).first()


def devices() -> list[Unit]:
    """Freezers, tanks and fridges, for which a list can be printed. 1 query."""
    return list(Unit.objects.filter(kind__in=["freezer", "tank", "fridge"]).select_related("agency"))


def now_ms() -> int:
    return ms(timezone.now())
