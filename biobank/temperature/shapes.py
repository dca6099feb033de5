"""What a temperature picture is made of: stays, boxes, limits, excursions, and all of them together.

Promises: plain values; coordinates are in a box of width x height, moments are UTC ms, temperatures are
hundredths of °C. The template only draws them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from biobank.temperature.reduce import Bars, Curve
from biobank.temperature.scale import Frame, Scale, Tick
from custody.core.thermal import Excursion

FRAME = Frame()
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Band:
    """A stay: from when to when (UTC ms), where, and the alarms there (hundredths of °C).

    fill  the number of its pattern, so that the same place looks the same wherever it comes again
    """

    start_ms: int
    end_ms: int
    label: str
    above: int | None = None
    below: int | None = None
    fill: int = 0


@dataclass(frozen=True)
class Box:
    """A rectangle of the drawing, and its words."""

    x: float
    y: float
    width: float
    height: float
    label: str = ""
    fill: int = 0

    @property
    def middle(self) -> float:
        return round(self.x + self.width / 2, 1)

    @property
    def right(self) -> float:
        return round(self.x + self.width, 1)

    @property
    def letter(self) -> str:
        """Of a stay's place: A, B and so on; empty where places have no letters."""
        return chr(65 + (self.fill - 1) % 26) if self.fill else ""

    @property
    def tint(self) -> int:
        return (self.fill - 1) % 6 + 1


@dataclass(frozen=True)
class Limit:
    """A level line from x1 to x2: a limit, or a set point that is assumed."""

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
    """Everything the template draws or lists. Coordinates are in a box of width x height.

    curves, beside, days, levels, scale   what is drawn, before it became coordinates
    second   lines of other loggers; assumed  set points where nothing was measured; shades  stretches with
    a sign of their own; strip  ticks below the plot; acts  numbered moments
    low, high   centi and the moment; with bar_days that moment is only known to the day
    gaps, beyond  stretches without data, and (from, to, limit, peak) beyond one, at least a pixel apart
    """

    start_ms: int
    end_ms: int
    tz: str
    frame: Frame = FRAME
    name: str = "whole"
    scale: Scale | None = None
    curves: list[Curve] = field(default_factory=list)
    beside: list[Curve] = field(default_factory=list)
    days: Bars | None = None
    levels: list[tuple[int, int, int]] = field(default_factory=list)
    bars: list[Box] = field(default_factory=list)
    bar_days: int = 0
    lines: list[str] = field(default_factory=list)
    points: list[tuple[float, float]] = field(default_factory=list)
    second: list[str] = field(default_factory=list)
    stays: list[Box] = field(default_factory=list)
    silent: list[Box] = field(default_factory=list)
    gaps: list[tuple[int, int]] = field(default_factory=list)
    limits: list[Limit] = field(default_factory=list)
    assumed: list[Limit] = field(default_factory=list)
    shaded: list[Box] = field(default_factory=list)
    shades: list[Box] = field(default_factory=list)
    strip: list[Box] = field(default_factory=list)
    acts: list[Box] = field(default_factory=list)
    beyond: list[tuple[int, int, int, int]] = field(default_factory=list)
    marked: list[Marked] = field(default_factory=list)
    excursions: int = 0
    x_ticks: list[Tick] = field(default_factory=list)
    y_ticks: list[Tick] = field(default_factory=list)
    readings: int = 0
    measured_ms: int = 0
    no_data_ms: int = 0
    assumed_ms: int = 0
    low: tuple[int, int] | None = None
    high: tuple[int, int] | None = None
    broken: list[str] = field(default_factory=list)

    @property
    def width(self) -> int:
        return self.frame.width

    @property
    def height(self) -> int:
        return self.frame.height

    @property
    def left(self) -> int:
        return self.frame.left

    @property
    def right(self) -> int:
        return self.frame.edge

    @property
    def top(self) -> int:
        return self.frame.top

    @property
    def bottom(self) -> int:
        return self.frame.bottom

    @property
    def foot(self) -> int:
        """Below the strip: where the words of the time axis begin."""
        return self.frame.bottom + self.frame.strip

    @property
    def low_day(self) -> date | None:
        return _date(self.low)

    @property
    def high_day(self) -> date | None:
        return _date(self.high)

    @property
    def empty(self) -> bool:
        return not self.readings

    @property
    def drawn(self) -> bool:
        return self.scale is not None

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
        return _apart([box for box in self.shaded if box.label], 22)

    @property
    def named(self) -> list[tuple[float, str]]:
        """Words above the stays, where there is room: place and words. A letter alone needs little."""
        found: list[tuple[float, str]] = []
        free = 0.0
        for box in self.stays:
            whole = f"{box.letter} {box.label}".strip() if box.label else ""
            words = whole if box.width >= 9 * len(whole) else box.letter
            if words and box.x >= free and (box.width >= 3 or box.letter):
                found.append((box.x, words))
                free = box.x + 9 * len(words) + 6
        return found


def _apart(boxes: Sequence[Box], room: float) -> list[Box]:
    kept: list[Box] = []
    for box in boxes:
        if not kept or box.middle - kept[-1].middle >= room:
            kept.append(box)
    return kept


def _celsius(centi: int) -> str:
    return f"{centi / 100:.2f}".replace("-", "−").removesuffix("0") + " °C"


def _date(extreme: tuple[int, int] | None) -> date | None:
    return (EPOCH + timedelta(milliseconds=extreme[1])).date() if extreme else None
