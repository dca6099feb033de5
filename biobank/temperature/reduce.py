"""Very many readings as few as a picture has room for, without losing what matters.

Promises: pure. Of every column of pixels the first, the lowest, the highest and the last value stay, each at
its own moment, so no peak is lost however long the span is; a line that was broken by a gap stays broken.
What comes out is at most four values a column, whatever goes in.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from custody.core.thermal import Series

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
DAY = 86_400_000


@dataclass(frozen=True)
class Curve:
    """Values in time order: UTC ms, hundredths of °C, and whether the line goes on to the next one.

    step  the line holds each value until the next one, instead of going straight to it
    """

    times: Ints
    centi: Floats
    linked: Flags
    step: bool = False

    def __len__(self) -> int:
        return len(self.times)

    @property
    def pieces(self) -> list[tuple[Ints, Floats]]:
        """The unbroken lines, one after the other; a piece of one value is a lone reading."""
        ends = np.flatnonzero(~self.linked) + 1
        both = zip(np.split(self.times, ends), np.split(self.centi, ends), strict=True)
        return [(t, c) for t, c in both if len(t)]


def cut(series: Series, start: int, end: int) -> Curve | None:
    """The readings from start to end, with the line's values at the two edges where it is defined.

    None: there are none. Both edges are included, so that a line runs to the end of the picture.
    """
    times, linked = series.times_ms, series.linked
    step = bool(getattr(series, "step", False))
    a, b = int(np.searchsorted(times, start)), int(np.searchsorted(times, end, side="right"))
    t, c, on = times[a:b], series.centi[a:b].astype(np.float64), linked[a:b].copy()
    if 0 < a < len(times) and linked[a - 1] and (a == b or times[a] > start):
        value = _between(series, a - 1, start, step)
        t, c, on = np.append(start, t), np.append(value, c), np.append(True, on)
    if 0 < b < len(times) and linked[b - 1] and times[b - 1] < end and len(t):
        value = _between(series, b - 1, end, step)
        t, c, on = np.append(t, end), np.append(c, value), np.append(on, False)
    if len(on):
        on[-1] = False
    return Curve(t, c, on, step) if len(t) else None


def _between(series: Series, i: int, at: int, step: bool) -> float:
    if step:
        return float(series.centi[i])
    return float(np.interp(at, series.times_ms[i : i + 2], series.centi[i : i + 2]))


def columns_of(times: Ints, start: int, end: int, columns: int) -> Ints:
    """In which of so many equal columns of [start, end] each moment lies; the end belongs to the last one."""
    place = (times - start) * columns // max(1, end - start)
    return np.minimum(place, columns - 1)


def reduced(curve: Curve, start: int, end: int, columns: int) -> Curve:
    """First, lowest, highest and last value of every column, in order of time.

    Where two values are equally low, the earlier stays. The line between two values that stay is whole
    only if every reading between them was linked to its next.
    """
    if len(curve) <= columns:
        return curve
    column = columns_of(curve.times, start, end, columns)
    firsts = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
    lasts = np.append(firsts[1:], len(column)) - 1
    lengths = lasts - firsts + 1
    lows = _at(curve.centi, np.minimum.reduceat(curve.centi, firsts), firsts, lengths)
    highs = _at(curve.centi, np.maximum.reduceat(curve.centi, firsts), firsts, lengths)
    keep = np.unique(np.concatenate([firsts, lows, highs, lasts]))
    breaks = np.append(0, np.cumsum(~curve.linked))  # breaks before each place
    linked = np.append(breaks[keep[1:]] == breaks[keep[:-1]], False)
    return Curve(curve.times[keep], curve.centi[keep], linked, curve.step)


def _at(values: Floats, wanted: Floats, firsts: Ints, lengths: Ints) -> Ints:
    """The first place in each group that holds the wanted value of that group."""
    hits = np.flatnonzero(values == np.repeat(wanted, lengths))
    group = np.repeat(np.arange(len(firsts)), lengths)[hits]
    return hits[np.flatnonzero(np.diff(group, prepend=-1))]


def silences(curves: Iterable[Curve], start: int, end: int, least: float = 0) -> list[tuple[int, int]]:
    """The stretches of [start, end] without data that are longer than `least`, in order of time."""
    found, clock = [], start
    for curve in curves:
        heads = np.flatnonzero(np.append(True, ~curve.linked[:-1]))
        tails = np.flatnonzero(~curve.linked)
        froms, tos = np.append(clock, curve.times[tails]), curve.times[heads]
        wide = np.flatnonzero(tos - froms[:-1] > least)
        found += [(int(froms[k]), int(tos[k])) for k in wide]
        clock = int(froms[-1])
    return [*found, (clock, end)] if end - clock > least else found


@dataclass(frozen=True)
class Bars:
    """The lowest and highest of whole UTC days, or of a few days together. UTC ms, hundredths of °C."""

    starts: Ints
    ends: Ints
    low: Ints
    high: Ints

    def __len__(self) -> int:
        return len(self.starts)


def by_days(days: Sequence[int], low: Sequence[int], high: Sequence[int], columns: int) -> Bars:
    """Days (epoch days, rising, with holes where nothing is known) in at most so many columns.

    A column is one day or, where the days are more than the columns, a whole number of days counted from
    the first one, so each column's lowest and highest are exactly those of its days.
    """
    if not len(days):
        none = np.zeros(0, np.int64)
        return Bars(none, none, none, none)
    day = np.asarray(days, np.int64)
    size = -(-(int(day[-1]) - int(day[0]) + 1) // max(1, columns))
    column = (day - day[0]) // size
    firsts = np.flatnonzero(np.diff(column, prepend=-1))
    lasts = np.append(firsts[1:], len(day)) - 1
    starts = (day[0] + column[firsts] * size) if size > 1 else day[firsts]
    ends = np.minimum(starts + size, day[-1] + 1) if size > 1 else day[lasts] + 1
    return Bars(
        starts * DAY, ends * DAY,
        np.minimum.reduceat(np.asarray(low, np.int64), firsts),
        np.maximum.reduceat(np.asarray(high, np.int64), firsts),
    )  # fmt: skip


def joined(spans: Iterable[tuple[int, int]], near: float) -> list[tuple[int, int]]:
    """Stretches that are no further apart than `near` become one; in order of time."""
    found: list[tuple[int, int]] = []
    for a, b in sorted(spans):
        if found and a - found[-1][1] <= near:
            found[-1] = (found[-1][0], max(found[-1][1], b))
        else:
            found.append((a, b))
    return found


def tallied(moments: Sequence[int], start: int, end: int, columns: int) -> list[tuple[int, int]]:
    """How many of these moments lie in each column, for those with any: (middle of the column, how many).

    A moment that is alone in its column keeps its own place.
    """
    if not moments:
        return []
    at = np.sort(np.asarray(moments, np.int64))
    column = columns_of(at, start, end, columns)
    places, firsts, counts = np.unique(column, return_index=True, return_counts=True)
    width = (end - start) / columns
    return [
        (int(at[first]) if n == 1 else round(start + (place + 0.5) * width), int(n))
        for place, first, n in zip(places, firsts, counts, strict=True)
    ]
