"""Where a moment and a temperature lie in a picture, and round numbers beside its two axes.

Promises: pure. Hours count from local midnight and days from local midnights, so a day on which the clocks
change is drawn as long as it was, 23 or 25 hours.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

HOUR = 3_600_000
DAY = 24 * HOUR
STEPS = [HOUR // 12, HOUR // 4, HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, DAY, 2 * DAY, 7 * DAY, 14 * DAY]
MONTH = 365 * DAY // 12
MONTHS = [1, 2, 3, 6, 12, 24, 60, 120]
TICKS = 7  # no more than so many on the axis of time


@dataclass(frozen=True)
class Frame:
    """The size of a picture and of the room for words around its plot; `strip`: below the plot, for ticks."""

    width: int = 720
    height: int = 300
    left: int = 64
    right: int = 12
    top: int = 26
    foot: int = 44
    strip: int = 0

    @property
    def bottom(self) -> int:
        """The lower edge of the plot."""
        return self.height - self.foot - self.strip

    @property
    def edge(self) -> int:
        """The right edge of the plot."""
        return self.width - self.right

    @property
    def columns(self) -> int:
        """Pixels across the plot."""
        return self.edge - self.left


@dataclass(frozen=True)
class Tick:
    """A place on an axis, and its words. `anchor`: how the words lie beside it. `ms`: of a moment."""

    at: float
    label: str
    anchor: str = "middle"
    ms: int = 0


@dataclass(frozen=True)
class Scale:
    """From UTC ms and hundredths of °C to coordinates."""

    frame: Frame
    start: int
    end: int
    low: float
    high: float

    def x(self, ms: float) -> float:
        share = (ms - self.start) / max(1, self.end - self.start)
        return round(self.frame.left + share * self.frame.columns, 1)

    def xs(self, times: NDArray[np.int64]) -> NDArray[np.float64]:
        share = (times - self.start) / max(1, self.end - self.start)
        return np.round(self.frame.left + share * self.frame.columns, 1)

    def y(self, centi: float) -> float:
        share = (centi - self.low) / (self.high - self.low)
        return round(self.frame.bottom - share * (self.frame.bottom - self.frame.top), 1)


def fitted(frame: Frame, start: int, end: int, low: float, high: float) -> Scale:
    """A scale with a little air above the highest and below the lowest."""
    room = max(100, (high - low) // 12)
    return Scale(frame, start, end, low - room, high + room)


def x_ticks(scale: Scale, tz: str) -> Iterator[Tick]:
    """Round local times, seven or so."""
    length, zone = scale.end - scale.start, ZoneInfo(tz)
    step = next((s for s in STEPS if length / s <= TICKS), None)
    for at, words in _months(scale, zone) if step is None else _hours(scale, zone, step):
        ms = round(at.timestamp() * 1000)
        if ms > scale.end:
            return
        if ms >= scale.start and _exists(at):
            x = scale.x(ms)
            yield Tick(x, words, "end" if x > scale.frame.edge - 24 else "middle", ms)


def _hours(scale: Scale, zone: ZoneInfo, step: int) -> Iterator[tuple[datetime, str]]:
    at = datetime.fromtimestamp(scale.start / 1000, zone).replace(hour=0, minute=0, second=0, microsecond=0)
    for _ in range(400):
        yield at, said(at, step)
        at = _next(at, step)


def _months(scale: Scale, zone: ZoneInfo) -> Iterator[tuple[datetime, str]]:
    """First days of months or years, counted from January of a round year."""
    step = next((m for m in MONTHS if (scale.end - scale.start) / (m * MONTH) <= TICKS), MONTHS[-1])
    first = datetime.fromtimestamp(scale.start / 1000, zone)
    month = (first.year * 12 + first.month - 1) // step * step
    for k in range(month, month + 400 * step, step):
        at = datetime(k // 12, k % 12 + 1, 1, tzinfo=zone)
        yield at, f"{at.year}" if step >= 12 else f"{at:%b} {at.year}"


def _next(at: datetime, step: int) -> datetime:
    if step >= HOUR:
        return at + timedelta(milliseconds=step)  # wall time: noon stays noon when the clocks change
    return (at.astimezone(UTC) + timedelta(milliseconds=step)).astimezone(at.tzinfo)


def _exists(at: datetime) -> bool:
    """Not an hour that the clocks left out."""
    return at.astimezone(UTC).astimezone(at.tzinfo).hour == at.hour


def said(at: datetime, step: int) -> str:
    return f"{at.day} {at:%b}" if step >= DAY or (at.hour, at.minute) == (0, 0) else f"{at:%H:%M}"


def y_ticks(scale: Scale) -> Iterator[Tick]:
    """Round temperatures."""
    step = next((s for s in (50, 100, 200, 500, 1000, 2000) if (scale.high - scale.low) / s <= 7), 5000)
    value = math.ceil(scale.low / step) * step
    while value <= scale.high:
        words = f"{value / 100:.1f}" if step < 100 else f"{value // 100}"
        yield Tick(scale.y(value), words.replace("-", "−"), "end", value)
        value += step
