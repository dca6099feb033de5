"""A temperature trace as numbers for a drawing, and the same in words.

Promises: pure; the template only draws. However many readings there are, each pixel column keeps its
lowest and highest, so no peak is lost. Lines stop at gaps. Everything that is drawn is also listed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from custody.core.thermal import Excursion, Series

WIDTH, HEIGHT = 720, 300
LEFT, RIGHT, TOP, BOTTOM = 64, 12, 26, 44  # room for labels around the plot
SHOWN = 40  # excursions listed one by one; the rest are counted
HOUR = 3_600_000
DAY = 24 * HOUR
STEPS = [
    HOUR // 4,
    HOUR,
    3 * HOUR,
    6 * HOUR,
    12 * HOUR,
    DAY,
    2 * DAY,
    7 * DAY,
    14 * DAY,
    30 * DAY,
    91 * DAY,
    365 * DAY,
]

Part = tuple[Series, int, int]  # a logger's readings, and from when to when they count (UTC ms)


@dataclass(frozen=True)
class Band:
    """A stay: from when to when (UTC ms), where, and the alarms there (hundredths of °C)."""

    start_ms: int
    end_ms: int
    label: str
    above: int | None = None
    below: int | None = None


@dataclass(frozen=True)
class Tick:
    at: float
    label: str

    @property
    def anchor(self) -> str:
        """A label near the right edge ends there instead of being cut."""
        return "end" if self.at > WIDTH - RIGHT - 24 else "middle"


@dataclass(frozen=True)
class Box:
    """A rectangle of the drawing, and its words."""

    x: float
    y: float
    width: float
    height: float
    label: str = ""

    @property
    def middle(self) -> float:
        return round(self.x + self.width / 2, 1)


@dataclass(frozen=True)
class Limit:
    x1: float
    x2: float
    y: float
    centi: int
    words: str


@dataclass(frozen=True)
class Marked:
    """An excursion: its number in the drawing, what it went beyond, and how long that lasted."""

    number: int
    excursion: Excursion
    limit: int
    words: str
    place: str

    @property
    def length_ms(self) -> int:
        return self.excursion.end_ms - self.excursion.start_ms

    @property
    def open(self) -> bool:
        return self.excursion.open_start or self.excursion.open_end


@dataclass
class Trace:
    """Everything the template draws or lists. Coordinates are in a box of width x height."""

    start_ms: int
    end_ms: int
    tz: str
    lines: list[str] = field(default_factory=list)
    points: list[tuple[float, float]] = field(default_factory=list)
    stays: list[Box] = field(default_factory=list)
    silent: list[Box] = field(default_factory=list)
    limits: list[Limit] = field(default_factory=list)
    shaded: list[Box] = field(default_factory=list)
    marked: list[Marked] = field(default_factory=list)
    excursions: int = 0
    x_ticks: list[Tick] = field(default_factory=list)
    y_ticks: list[Tick] = field(default_factory=list)
    readings: int = 0
    measured_ms: int = 0
    no_data_ms: int = 0
    low: tuple[int, int] | None = None
    high: tuple[int, int] | None = None
    broken: list[str] = field(default_factory=list)
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT
    top: int = TOP
    bottom: int = HEIGHT - BOTTOM

    @property
    def empty(self) -> bool:
        return not self.readings

    @property
    def unlisted(self) -> int:
        return self.excursions - len(self.marked)

    @property
    def limit_words(self) -> list[str]:
        """Each limit once, such as `alarm above −65.0 °C`."""
        return list(dict.fromkeys(f"{limit.words} {_celsius(limit.centi)}" for limit in self.limits))

    @property
    def numbered(self) -> list[Box]:
        """Excursions whose number has room in the drawing; all of them are in the table."""
        return _apart(self.shaded, 22)

    @property
    def named(self) -> list[Box]:
        """Stays whose unit has room above them."""
        return [box for box in self.stays if box.width >= 9 * len(box.label)]


@dataclass(frozen=True)
class _Scale:
    start: int
    end: int
    low: float
    high: float

    def x(self, ms: float) -> float:
        return round(LEFT + (ms - self.start) / max(1, self.end - self.start) * (WIDTH - LEFT - RIGHT), 1)

    def y(self, centi: float) -> float:
        share = (centi - self.low) / (self.high - self.low)
        return round(HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM), 1)


def draw(
    parts: Sequence[Part],
    bands: Sequence[Band],
    start_ms: int,
    end_ms: int,
    tz: str,
    broken: Iterable[int] = (),
) -> Trace:
    """Parts in time order, without overlap, inside [start, end). `broken`: epoch days left out."""
    trace = Trace(start_ms, end_ms, tz, broken=[_day(day) for day in broken])
    cut = [one for part in parts if (one := _inside(*part))]
    _in_words(trace, parts, cut)
    if trace.empty:
        return trace
    limits = [n for band in bands for n in (band.above, band.below) if n is not None]
    scale = _scale(trace, limits)
    for times, centi, linked in cut:
        _lines(trace, scale, times, centi, linked)
    _silences(trace, scale, cut)
    _stays(trace, scale, bands)
    _excursions(trace, scale, parts, bands)
    trace.x_ticks = list(_x_ticks(scale, tz))
    trace.y_ticks = list(_y_ticks(scale))
    return trace


def _apart(boxes: Sequence[Box], room: float) -> list[Box]:
    kept: list[Box] = []
    for box in boxes:
        if not kept or box.middle - kept[-1].middle >= room:
            kept.append(box)
    return kept


def _celsius(centi: int) -> str:
    return f"{centi / 100:.2f}".replace("-", "−").removesuffix("0") + " °C"


def _day(day: int) -> str:
    return f"{datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day):%Y-%m-%d}"


Cut = tuple[np.ndarray, np.ndarray, np.ndarray]  # times, centi, linked to the next


def _inside(series: Series, start: int, end: int) -> Cut | None:
    """Readings from start to end, with the line's values at the two edges where it is defined."""
    times, linked = series.times_ms, series.linked
    a, b = int(np.searchsorted(times, start)), int(np.searchsorted(times, end, side="right"))
    t, c, on = times[a:b], series.centi[a:b].astype(np.float64), linked[a:b].copy()
    if 0 < a < len(times) and linked[a - 1] and (a == b or times[a] > start):
        t, c, on = np.append(start, t), np.append(_between(series, a - 1, start), c), np.append(True, on)
    if 0 < b < len(times) and linked[b - 1] and times[b - 1] < end and len(t):
        t, c, on = np.append(t, end), np.append(c, _between(series, b - 1, end)), np.append(on, False)
    if len(on):
        on[-1] = False
    return (t, c, on) if len(t) else None


def _between(series: Series, i: int, at: int) -> float:
    return float(np.interp(at, series.times_ms[i : i + 2], series.centi[i : i + 2]))


def _in_words(trace: Trace, parts: Sequence[Part], cut: Sequence[Cut]) -> None:
    """Count, coverage, lowest and highest with their moments."""
    for series, start, end in parts:
        trace.readings += int(np.sum((series.times_ms >= start) & (series.times_ms < end)))
        trace.measured_ms += round(float(series.measured(start, end)[0]))
    trace.no_data_ms = trace.end_ms - trace.start_ms - trace.measured_ms
    for times, centi, _ in cut:
        low, high = int(np.argmin(centi)), int(np.argmax(centi))
        if trace.low is None or centi[low] < trace.low[0]:
            trace.low = (math.floor(centi[low] + 1e-6), int(times[low]))
        if trace.high is None or centi[high] > trace.high[0]:
            trace.high = (math.ceil(centi[high] - 1e-6), int(times[high]))


def _scale(trace: Trace, limits: Sequence[int]) -> _Scale:
    assert trace.low and trace.high
    low, high = min(trace.low[0], *limits, trace.high[0]), max(trace.high[0], *limits, trace.low[0])
    room = max(100, (high - low) // 12)
    return _Scale(trace.start_ms, trace.end_ms, low - room, high + room)


def _lines(trace: Trace, scale: _Scale, times: np.ndarray, centi: np.ndarray, linked: np.ndarray) -> None:
    ends = np.flatnonzero(~linked) + 1
    for t, c in zip(np.split(times, ends), np.split(centi, ends), strict=True):
        if len(t) == 1:
            trace.points.append((scale.x(int(t[0])), scale.y(float(c[0]))))
        elif len(t):
            xs = _x(scale, t)
            kept = thinned(xs, c)
            pairs = zip(xs[kept], c[kept], strict=True)
            trace.lines.append(" ".join(f"{x:.1f},{scale.y(float(value))}" for x, value in pairs))


def _x(scale: _Scale, times: np.ndarray) -> np.ndarray:
    share = (times - scale.start) / max(1, scale.end - scale.start)
    return np.round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)


def thinned(x: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Places to keep: first, lowest, highest and last of every pixel column, in order."""
    column = np.floor(x).astype(int)
    starts = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
    keep: set[int] = set()
    for a, b in zip(starts, [*starts[1:], len(x)], strict=True):
        part = values[a:b]
        keep |= {int(a), int(b) - 1, int(a + np.argmin(part)), int(a + np.argmax(part))}
    return np.asarray(sorted(keep))


def _silences(trace: Trace, scale: _Scale, cut: Sequence[Cut]) -> None:
    """Where nothing is known, as boxes over the whole height."""
    clock = trace.start_ms
    for times, _, linked in cut:
        heads = np.flatnonzero(np.append(True, ~linked[:-1]))
        tails = np.flatnonzero(~linked)
        for a, b in zip(times[heads], times[tails], strict=True):
            _silent(trace, scale, clock, int(a))
            clock = int(b)
    _silent(trace, scale, clock, trace.end_ms)


def _silent(trace: Trace, scale: _Scale, a: int, b: int) -> None:
    if b > a and scale.x(b) - scale.x(a) >= 0.5:
        trace.silent.append(Box(scale.x(a), TOP, round(scale.x(b) - scale.x(a), 1), HEIGHT - TOP - BOTTOM))


def _stays(trace: Trace, scale: _Scale, bands: Sequence[Band]) -> None:
    for band in bands:
        x1, x2 = scale.x(band.start_ms), scale.x(band.end_ms)
        trace.stays.append(Box(x1, TOP, round(x2 - x1, 1), HEIGHT - TOP - BOTTOM, band.label))
        for limit, words in ((band.above, "alarm above"), (band.below, "alarm below")):
            if limit is not None:
                trace.limits.append(Limit(x1, x2, scale.y(limit), limit, words))


def _excursions(trace: Trace, scale: _Scale, parts: Sequence[Part], bands: Sequence[Band]) -> None:
    found = sorted(_beyond(parts, bands), key=lambda one: one[1].start_ms)
    trace.excursions = len(found)
    longest = sorted(found, key=lambda one: one[1].start_ms - one[1].end_ms)[:SHOWN]
    for number, (band, one, limit, words) in enumerate(sorted(longest, key=lambda x: x[1].start_ms), 1):
        trace.marked.append(Marked(number, one, limit, words, band.label))
        x1, x2 = scale.x(one.start_ms), scale.x(one.end_ms)
        top, foot = sorted((scale.y(one.peak_centi), scale.y(limit)))
        trace.shaded.append(
            Box(x1, top, round(max(2.0, x2 - x1), 1), round(max(2.0, foot - top), 1), str(number))
        )


def _beyond(parts: Sequence[Part], bands: Sequence[Band]) -> Iterator[tuple[Band, Excursion, int, str]]:
    for series, start, end in parts:
        for band in bands:
            a, b = max(start, band.start_ms), min(end, band.end_ms)
            if a >= b:
                continue
            if band.above is not None:
                yield from ((band, e, band.above, "above") for e in series.excursions(band.above, a, b))
            if band.below is not None:
                yield from ((band, e, band.below, "below") for e in series.excursions_below(band.below, a, b))


def _x_ticks(scale: _Scale, tz: str) -> Iterator[Tick]:
    """Round local times: hours count from local midnight, days from the first midnight in the picture."""
    step = next((s for s in STEPS if (scale.end - scale.start) / s <= 7), STEPS[-1])
    zone = ZoneInfo(tz)
    first = datetime.fromtimestamp(scale.start / 1000, zone).replace(
        hour=0, minute=0, second=0, microsecond=0
    )
    at = first
    for _ in range(400):
        ms = round(at.timestamp() * 1000)
        if ms > scale.end:
            return
        if ms >= scale.start:
            yield Tick(scale.x(ms), _said(at, step))
        at = _next(at, step)


def _next(at: datetime, step: int) -> datetime:
    if step >= DAY:
        return at + timedelta(days=step // DAY)  # wall time: midnight stays midnight when the clocks change
    there = (at.astimezone(UTC) + timedelta(milliseconds=step)).astimezone(at.tzinfo)
    midnight = (at + timedelta(days=1)).replace(hour=0, minute=0)
    return min(there, midnight) if there.date() != at.date() else there


def _said(at: datetime, step: int) -> str:
    if step >= 30 * DAY:
        return f"{at.day} {at:%b %y}"
    if step >= DAY or (at.hour, at.minute) == (0, 0):
        return f"{at.day} {at:%b}"
    return f"{at:%H:%M}"


def _y_ticks(scale: _Scale) -> Iterator[Tick]:
    step = next((s for s in (50, 100, 200, 500, 1000, 2000) if (scale.high - scale.low) / s <= 7), 5000)
    value = math.ceil(scale.low / step) * step
    while value <= scale.high:
        words = f"{value / 100:.1f}" if step < 100 else f"{value // 100}"
        yield Tick(scale.y(value), words.replace("-", "−"))
        value += step
