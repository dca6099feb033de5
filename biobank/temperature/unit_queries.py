"""What governed a unit over a stretch of time, drawn and in words: its own logger's readings or those of the
nearest unit above that has one.

Promises: nothing here writes; the number of queries does not grow with the length of the stretch or the
number of readings; what is not known is named, never drawn as good.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from dataclasses import replace as changed

from django.db.models import Max, Min, Q

from biobank.models import (
    Logger,
    LoggerPlacement,
    ReadingBlock,
    ReadingExclusion,
    ThermalEvent,
    Unit,
)
from biobank.store.classes import path_of
from biobank.temperature import blocks, queries, warmed
from biobank.temperature import wide as by_day
from biobank.temperature.beside import Other, beside, compared
from biobank.temperature.doors import Doors, doors
from biobank.temperature.places import ALWAYS, NEVER, Piece, Placed, Tree
from biobank.temperature.reduce import tallied
from biobank.temperature.scale import Frame
from biobank.temperature.spans import Span
from biobank.temperature.trace import Band, Box, Part, Trace, draw

WIDE = 200 * 86_400_000  # ms; over longer stretches whole days are drawn
UNIT_FRAME = Frame(height=330, strip=24)


@dataclass(frozen=True)
class Govern:
    """From when to when (UTC ms) this logger's readings counted; where it stood, its probe in what."""

    start_ms: int
    end_ms: int
    logger: Logger
    unit: Unit
    medium: str
    probe: str


@dataclass
class Seen:
    """A unit over a span: the picture, and everything that is said beside it."""

    unit: Unit
    span: Span
    trace: Trace
    governs: list[Govern] = field(default_factory=list)
    others: list[Other] = field(default_factory=list)
    events: list[ThermalEvent] = field(default_factory=list)
    exclusions: list[ReadingExclusion] = field(default_factory=list)
    doors: Doors = field(default_factory=Doors)
    ticks: list[tuple[int, int]] = field(default_factory=list)
    pieces: list[Piece] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def media(self) -> list[str]:
        return list(dict.fromkeys(one.medium for one in self.governs))

    @property
    def assumed(self) -> list[Piece]:
        """Where no logger governed but a set point is known."""
        return [p for p in self.pieces if p.logger is None and p.nominal is not None]


@dataclass(frozen=True)
class Ground:
    """What does not change with the span: the tree, its limits, and all there is to see."""

    tree: Tree
    limits: Tree
    holders: dict[int, Unit]
    whole: Span | None


def ground(unit: Unit, now_ms: int) -> Ground:
    """At most 8 queries however many units there are."""
    tree = queries.tree(Unit.objects.values_list("code", flat=True))  # tops too, for their set points
    having = Unit.objects.filter(Q(alarm_above_centi__isnull=False) | Q(alarm_below_centi__isnull=False))
    holders = {one.pk: one for one in having}
    # "nearest unit that has an alarm" is the same question as "nearest unit that has a logger"
    limits = Tree(tree.stays, {}, {u.code: [Placed(ALWAYS, NEVER, u.pk)] for u in holders.values()})
    return Ground(tree, limits, holders, _whole(tree.timeline(unit.code), now_ms))


def _whole(pieces: Sequence[Piece], now_ms: int) -> Span | None:
    """From the first reading that counted here to just after the last. 1 query."""
    loggers = {p.logger for p in pieces if p.logger is not None}
    if not loggers:
        return None
    rows = ReadingBlock.objects.filter(logger_id__in=loggers, current=True).order_by()
    known = {
        logger: (first, last + 1)
        for logger, first, last in rows.values("logger_id").annotate(
            first=Min("first_ms"), last=Max("last_ms")
        ).values_list("logger_id", "first", "last")
    }  # fmt: skip
    for logger, times in blocks._live({n: (ALWAYS // 2, now_ms + 86_400_000) for n in loggers}).items():
        first, last = known.get(logger, (int(times.times[0]), 0))
        known[logger] = (min(first, int(times.times[0])), max(last, int(times.times[-1]) + 1))
    inside = [cut for p in pieces if p.logger in known and (cut := p.within(*known[p.logger])) is not None]
    return Span(inside[0].start, inside[-1].end) if inside else None


def bands_of(unit: Unit, on: Ground, span: Span, names: dict[int, str]) -> list[Band]:
    """Each stretch with one logger and one pair of limits, under the logger's code."""
    found = []
    for piece in on.tree.over(unit.code, span.start, span.end):
        for limit in on.limits.over(unit.code, piece.start, piece.end):
            holder = on.holders.get(limit.logger) if limit.logger is not None else None
            said = (holder.alarm_above_centi, holder.alarm_below_centi) if holder else (None, None)
            name = names.get(piece.logger, "") if piece.logger is not None else ""
            found.append(Band(limit.start, limit.end, name, *said))
    return found


def seen(unit: Unit, on: Ground, span: Span, tz: str, *, frame: Frame = UNIT_FRAME) -> Seen:
    """The whole picture. At most 35 queries, however long the span."""
    pieces = on.tree.over(unit.code, span.start, span.end)
    measured = [p for p in pieces if p.logger is not None]
    governs = governs_of(measured)
    names = {one.logger.pk: one.logger.code for one in governs}
    bands = bands_of(unit, on, span, names)
    found = Seen(unit, span, Trace(span.start, span.end, tz), governs, pieces=list(pieces))
    _picture(found, bands, tz, frame)
    found.events = _events(unit, on.tree, span)
    found.exclusions = _exclusions(measured)
    found.doors = doors(unit.code, on.tree.stays, span.start, span.end)
    _signs(found, frame)
    return found


def governs_of(pieces: Sequence[Piece]) -> list[Govern]:
    """Which logger, when, standing where. 1 query."""
    rows = LoggerPlacement.objects.filter(
        logger_id__in={p.logger for p in pieces}, governing=True
    ).select_related("logger", "unit")
    found = []
    for piece in pieces:
        for row in rows:
            end = NEVER if row.to_ms is None else row.to_ms
            a, b = max(piece.start, row.from_ms), min(piece.end, end)
            if row.logger_id == piece.logger and a < b:
                medium = str(row.get_medium_display())
                found.append(Govern(a, b, row.logger, row.unit, medium, row.probe))
    return _run_together(sorted(found, key=lambda one: one.start_ms))


def _run_together(governs: Sequence[Govern]) -> list[Govern]:
    found: list[Govern] = []
    for one in governs:
        last = found[-1] if found else None
        if (
            last
            and last.end_ms == one.start_ms
            and changed(one, start_ms=0, end_ms=0) == changed(last, start_ms=0, end_ms=0)
        ):
            found[-1] = changed(last, end_ms=one.end_ms)
        else:
            found.append(one)
    return found


@dataclass
class Told:
    """The readings behind a picture: parts in time order, days left out, what is to be said of the readings,
    and the largest uncertainty of a calibration (hundredths of °C; None: some reading has none)."""

    parts: list[Part] = field(default_factory=list)
    broken: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    uncertainty: int | None = None


def told(pieces: Sequence[Piece]) -> Told:
    """What the loggers of these pieces read. 7 queries."""
    found, known = Told(), []
    for logger, loaded in blocks.each(queries._spans(pieces)):
        series = loaded.series()
        found.parts += [(series, p.start, p.end) for p in pieces if p.logger == logger]
        found.broken += loaded.broken
        found.notes += [note.words for note in loaded.notes]
        known.append(loaded.uncertainty)
    found.parts.sort(key=lambda part: part[1])
    found.broken = sorted(set(found.broken))
    found.notes = list(dict.fromkeys(found.notes))
    found.uncertainty = None if None in known else max(known, default=None)  # type: ignore[type-var]
    return found


def _picture(found: Seen, bands: Sequence[Band], tz: str, frame: Frame) -> None:
    """Whole days of a long span, all readings of a shorter one; other loggers beside these."""
    span, pieces = found.span, found.pieces
    measured = [p for p in pieces if p.logger is not None]
    assumed = [(p.start, p.end, p.nominal) for p in pieces if p.logger is None and p.nominal is not None]
    long = span.end - span.start > WIDE
    around = beside(found.unit, span, read=not long)
    known = by_day.days(measured, bands, frame.columns) if long else None
    if known is not None:
        found.trace = draw(
            known.parts, bands, span.start, span.end, tz, known.broken, frame=frame, assumed=assumed,
            days=known,
        )  # fmt: skip
        found.others = [compared(one, [], span, None) for one in around]
        return
    read = told(measured)
    found.notes = read.notes
    others = [part for one in around if (part := one.part(span)) is not None]
    found.trace = draw(
        read.parts, bands, span.start, span.end, tz, read.broken, frame=frame, assumed=assumed, others=others
    )
    found.others = [compared(one, found.trace.curves, span, read.uncertainty) for one in around]


# --- what else is known of that time --------------------------------------------------------------


def _events(unit: Unit, tree: Tree, span: Span) -> list[ThermalEvent]:
    """Thermal events of the unit, or of what it stood in at that time. At most 3 queries."""
    events = warmed.load(tree.stays)
    held = {
        pk
        for pk, one in events.trees.items()
        if any(p.logger is not None for p in one.over(unit.code, span.start, span.end))
    }
    if not held:
        return []
    return list(ThermalEvent.objects.filter(pk__in=held).select_related("unit").order_by("from_ms", "pk"))


def _exclusions(pieces: Sequence[Piece]) -> list[ReadingExclusion]:
    """Approved ones, of the loggers that governed, while they did. 1 query."""
    rows = ReadingExclusion.objects.filter(
        logger_id__in={p.logger for p in pieces}, withdrawn=None, approved__isnull=False
    ).select_related("logger", "by", "approved_by").order_by("from_ms", "pk")  # fmt: skip
    return [
        row for row in rows
        if any(p.logger == row.logger_id and p.within(row.from_ms, row.to_ms) for p in pieces)
    ]  # fmt: skip


def _signs(found: Seen, frame: Frame) -> None:
    """Openings, events and exclusions as boxes in the drawing."""
    scale = found.trace.scale
    found.ticks = tallied(found.doors.moments, found.span.start, found.span.end, frame.columns // 6)
    if scale is None:
        return
    most = max((n for _, n in found.ticks), default=1)
    for at, n in found.ticks:
        tall = 6 + 12 * n / most if most > 1 else 10
        found.trace.strip.append(
            Box(scale.x(at), frame.bottom + 3, 0, round(tall, 1), str(n) if n > 1 else "")
        )
    height = frame.bottom - frame.top
    marked = [("T", one.from_ms, one.to_ms) for one in found.events]
    marked += [("X", one.from_ms, one.to_ms) for one in found.exclusions]
    counts = {"T": 0, "X": 0}
    for sign, start, end in marked:
        counts[sign] += 1
        a, b = scale.x(max(start, found.span.start)), scale.x(min(end, found.span.end))
        found.trace.shades.append(
            Box(a, frame.top, round(max(2.0, b - a), 1), height, f"{sign}{counts[sign]}", "TX".index(sign))
        )


def alarm_of(unit: Unit) -> Unit | None:
    """The nearest unit that has limits now, from this one outwards. Queries: one a step, and one."""
    path = path_of(unit.code) or [unit]
    having = (one for one in path if (one.alarm_above_centi, one.alarm_below_centi) != (None, None))
    return next(having, None)
