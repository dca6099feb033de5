"""The warming curve of a unit beside its time left: words, and the numbers of a small drawing.

Promises: pure; the template only draws. What is drawn on is never called measured, and everything that is
drawn stands in words or in the table beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from biobank.core.warmup import AHEAD_MS, HOUR, Fit, Reach, Reading, fit, thinned, warming

LIMITS = (-6000, -4000, -2000, 0)
WIDTH, HEIGHT = 640, 280
LEFT, RIGHT, TOP, BOTTOM = 56, 14, 16, 40
STEPS = 60  # points of the curve ahead
LEAST_AHEAD_MS = HOUR
TICKS = [HOUR // 4, HOUR // 2, HOUR, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, 24 * HOUR]


@dataclass(frozen=True)
class Mark:
    """A tick or a limit of the drawing: where, and its words."""

    at: float
    words: str


@dataclass(frozen=True)
class Drawing:
    """Coordinates in a box of width x height; `band` and `line` are the curve ahead with its 95 % range."""

    points: list[tuple[float, float]]
    line: str
    band: str
    limits: list[Mark]
    x_ticks: list[Mark]
    y_ticks: list[Mark]
    now: float
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT
    top: int = TOP
    bottom: int = HEIGHT - BOTTOM


@dataclass(frozen=True)
class Ahead:
    """What the readings since the failure say of the time left: the fit, its limits, its drawing."""

    fit: Fit
    reaches: list[Reach] = field(default_factory=list)
    drawing: Drawing | None = None

    @property
    def next(self) -> Reach | None:
        """The first limit that is still to be reached, when its moment can be told."""
        return next((one for one in self.reaches if one.at_ms is not None), None)

    @property
    def room_centi(self) -> int:
        return round(self.fit.room * 100)

    @property
    def tau_ms(self) -> int | None:
        return None if self.fit.tau_ms is None else round(self.fit.tau_ms)

    @property
    def tau_error_ms(self) -> int | None:
        error = self.fit.tau_error_ms
        return None if error is None or not math.isfinite(error) else round(error)


def ahead(
    readings: Sequence[Reading], own: int | None, every_ms: int, since_ms: int | None = None, tz: str = "UTC"
) -> Ahead | None:
    """None when the unit does not warm up, or has too few readings to say anything (four).

    own       the unit's own alarm, one more limit; since_ms: since when somebody says it warms up
    every_ms  the logger's recording interval
    """
    used = warming(readings, since_ms)
    found = fit(used, every_ms=every_ms)
    if found is None:
        return None
    limits = sorted({*LIMITS, *([own] if own is not None else [])})
    reaches = [found.reach(one) for one in limits if used[0][1] < one]
    return Ahead(found, reaches, _draw(found, thinned(used), reaches, tz))


def _draw(found: Fit, used: Sequence[Reading], reaches: Sequence[Reach], tz: str) -> Drawing:
    start, end = found.start_ms, _end(found, reaches)
    times = [found.newest[0] + (end - found.newest[0]) * k / STEPS for k in range(STEPS + 1)]
    rows = [(at, found.at(at), *found.band(at)) for at in times]
    low = min(centi for _, centi in used) / 100
    high = max(*(value for _, value, _, _ in rows), max(centi for _, centi in used) / 100)
    scale = _Scale(start, end, low - 3, high + (high - low) / 6 + 1)
    before = [
        (
            start + (found.newest[0] - start) * k / STEPS,
            found.at(start + (found.newest[0] - start) * k / STEPS),
        )
        for k in range(STEPS)
    ]
    upper = [f"{scale.x(at)},{scale.y(top)}" for at, _, _, top in rows]
    lower = [f"{scale.x(at)},{scale.y(foot)}" for at, _, foot, _ in reversed(rows)]
    inside = [one for one in reaches if scale.low < one.limit / 100 < scale.high]
    return Drawing(
        [(scale.x(at), scale.y(centi / 100)) for at, centi in used],
        " ".join(f"{scale.x(at)},{scale.y(v)}" for at, v in [*before, *((r[0], r[1]) for r in rows)]),
        " ".join([*upper, *lower]),
        [Mark(scale.y(one.limit / 100), _degrees(one.limit / 100)) for one in inside],
        list(_x_ticks(scale, tz)),
        list(_y_ticks(scale)),
        scale.x(found.newest[0]),
    )


def _end(found: Fit, reaches: Iterable[Reach]) -> int:
    """As far as the next two limits, at least an hour, at most three times as long as was seen, or 12 h."""
    newest = found.newest[0]
    ends = [one.latest_ms or one.at_ms for one in reaches if not one.reached and one.at_ms is not None]
    far = ends[min(1, len(ends) - 1)] if ends else None
    most = max(12 * HOUR, 3 * (newest - found.start_ms))
    wanted = max(newest + LEAST_AHEAD_MS, far if far is not None else newest + 6 * HOUR)
    return min(wanted, newest + most, newest + AHEAD_MS)


@dataclass(frozen=True)
class _Scale:
    start: int
    end: int
    low: float
    high: float

    def x(self, at: float) -> float:
        return round(LEFT + (at - self.start) / max(1, self.end - self.start) * (WIDTH - LEFT - RIGHT), 1)

    def y(self, celsius: float) -> float:
        """Kept inside the plot: a band may open without end."""
        share = (min(max(celsius, self.low), self.high) - self.low) / (self.high - self.low)
        return round(HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM), 1)


def _degrees(celsius: float) -> str:
    return f"{celsius:g}".replace("-", "−")


def _x_ticks(scale: _Scale, tz: str) -> Iterator[Mark]:
    """Round local times, counted from local midnight by elapsed time."""
    step = next((one for one in TICKS if (scale.end - scale.start) / one <= 6), TICKS[-1])
    day = datetime.fromtimestamp(scale.start / 1000, ZoneInfo(tz)).replace(
        hour=0, minute=0, second=0, microsecond=0
    )
    at = round(day.timestamp() * 1000)
    while at <= scale.end:
        if at >= scale.start:
            local = datetime.fromtimestamp(at / 1000, ZoneInfo(tz))
            yield Mark(scale.x(at), f"{local:%H:%M}" if step < 24 * HOUR else f"{local.day} {local:%b}")
        at += step


def _y_ticks(scale: _Scale) -> Iterator[Mark]:
    step = next((one for one in (1, 2, 5, 10, 20) if (scale.high - scale.low) / one <= 6), 50)
    value = math.ceil(scale.low / step) * step
    while value <= scale.high:
        yield Mark(scale.y(value), _degrees(value))
        value += step
