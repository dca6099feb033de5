"""A logger's readings and where a tube was, turned into how warm the tube was and for how long.

Definitions. Times are whole UTC milliseconds, stretches are half-open [start, end), temperatures are
whole hundredths of a degree Celsius (centi). Between two readings no further apart than the gap limit
the temperature is the straight line between them; everything else is *no data*, never good. A reading
that equals a limit is neither above nor below it.

Promises: every time integral adds up (a stretch cut in two gives the same sum); nothing is rounded
before the very end; time at a unit's set point without a logger is *assumed*, never *measured*.
The logger measures what its probe is in, not the sample; thermal lag is not modelled.

Mean kinetic temperature: T = (dH/R) / -ln(mean of exp(-dH/(R T))), dH = 83.144 kJ/mol and
R = 8.3144e-3 kJ/(K mol), so dH/R = 10,000 K (USP 29 <1160>). Between readings the *rate* is taken as
linear (trapezoid on the rate, Tong & Lock, JSM 2015, 2065-2070); this never gives less than the exact
value. It is no measure for frozen storage: there it is one warm minute. Use times above a limit.

Uses numpy, as `ranges` does and no other core file: tables are built once for each logger, then answer
many stretches.
Sums of rates are kept in tables that only add. They span 35 decades, and a difference of running sums
loses a cold stretch after a warm year altogether.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .phase import (
    DH_OVER_R,
    KELVIN,
    Excursion,
    PhaseSummary,
    Stretch,
    join,
    mean_kinetic_centi,
    outward,
)
from .ranges import Ranges

__all__ = [
    "GAP_FACTOR",
    "Excursion",
    "Measured",
    "PhaseSummary",
    "Runs",
    "Series",
    "Stretch",
    "arrhenius",
    "join",
    "mean_kinetic_centi",
    "summary",
]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

GAP_FACTOR = 3  # a silence longer than three recording intervals is no data. Common practice, no source


@dataclass(frozen=True)
class Runs:
    """For each of many stretches and one limit, in ms: the longest run above it, those at both ends."""

    longest: Floats
    lead_in: Floats
    run_out: Floats


@dataclass(frozen=True)
class Measured:
    """Everything `join` needs about many stretches of one logger, one array place for each stretch.

    ms      measured time; low, high centi (nan: none); rate integral of the Arrhenius rate, ms
    above, below  ms for each limit; runs  the excursions above each limit
    """

    ms: Floats
    low: Floats
    high: Floats
    rate: Floats
    above: dict[int, Floats]
    below: dict[int, Floats]
    runs: dict[int, Runs]


def _time_over(limit: float, u: Floats, v: Floats, length: Floats) -> Floats:
    """How much of `length`, on a straight line from u to v, lies strictly above the limit."""
    high, low = np.maximum(u, v), np.minimum(u, v)
    rise = np.where(high > low, high - low, 1.0)
    share = np.clip((high - limit) / rise, 0.0, 1.0)
    return np.asarray(length * np.where(low >= limit, high > limit, share), dtype=np.float64)


@dataclass(frozen=True)
class _Limit:
    """Tables of one limit: running time above before each reading, and the runs above it."""

    before: Floats
    start: Floats
    end: Floats
    open_start: NDArray[np.bool_]
    open_end: NDArray[np.bool_]
    lengths: Ranges


class Series:
    """One logger's readings. Build once, ask for many stretches, drop.

    times_ms    int, strictly increasing; centi  int, the same number of them. ValueError otherwise.
    max_gap_ms  the gap limit, one number or one for each reading (for the pair that begins with it)
    Every question takes arrays of starts and ends in ms and answers with float64 arrays of that length.
    """

    def __init__(self, times_ms: ArrayLike, centi: ArrayLike, max_gap_ms: ArrayLike) -> None:
        t, c = np.asarray(times_ms, dtype=np.int64), np.asarray(centi, dtype=np.int64)
        if t.shape != c.shape or t.ndim != 1:
            raise ValueError("as many times as temperatures are needed")
        if np.any(np.diff(t) <= 0):
            raise ValueError("readings are not in time order")
        self.times_ms, self.centi = t, c
        self._zero = int(t[0]) if len(t) else 0  # small numbers keep fractions of a millisecond exact
        self._t = (t - self._zero).astype(np.float64)
        self._c = c.astype(np.float64)
        step = np.diff(self._t, append=self._t[-1:])
        self._ok = (step <= np.asarray(max_gap_ms)) & (step > 0)  # the last reading begins no piece
        self._step = np.where(step > 0, step, 1.0)
        self._next = np.append(self._c[1:], self._c[-1:])
        self._gap = max_gap_ms
        self._made: dict[Any, Any] = {}

    def __len__(self) -> int:
        return len(self._t)

    @property
    def linked(self) -> NDArray[np.bool_]:
        """For each reading, whether the line goes on to the next one (no gap)."""
        return self._ok

    # --- where a moment falls -------------------------------------------------------------------

    def _edges(self, a: ArrayLike, b: ArrayLike) -> tuple[Floats, Floats]:
        start = np.atleast_1d(np.asarray(a, dtype=np.int64) - self._zero).astype(np.float64)
        end = np.atleast_1d(np.asarray(b, dtype=np.int64) - self._zero).astype(np.float64)
        if np.any(end < start):
            raise ValueError("a stretch ends before it starts")
        return start, end

    def _piece(self, x: Floats, side: str) -> tuple[Ints, NDArray[np.bool_]]:
        """The piece that holds x (side 'right': x may be its start, 'left': its end), and if one does."""
        i = np.searchsorted(self._t, x, side=side).astype(np.int64) - 1  # type: ignore[call-overload]
        return np.maximum(i, 0), (i >= 0) & self._ok[np.maximum(i, 0)]

    def _value(self, i: Ints, x: Floats) -> Floats:
        share = (x - self._t[i]) / self._step[i]
        return np.asarray(self._c[i] + (self._next[i] - self._c[i]) * share, dtype=np.float64)

    def _table(self, key: Any, make: Any) -> Any:
        if key not in self._made:
            self._made[key] = make()
        return self._made[key]

    # --- times ----------------------------------------------------------------------------------

    def measured(self, a: ArrayLike, b: ArrayLike) -> Floats:
        """ms of [a, b) that lie between two readings no further apart than the gap limit."""
        start, end = self._edges(a, b)
        if not len(self):
            return np.zeros(len(start))
        before = self._table("measured", lambda: _running(np.where(self._ok, self._step, 0.0)))

        def until(x: Floats) -> Floats:
            i, inside = self._piece(x, "right")
            return np.asarray(before[i] + np.where(inside, x - self._t[i], 0.0), dtype=np.float64)

        return until(end) - until(start)

    def above(self, limit: int, a: ArrayLike, b: ArrayLike) -> Floats:
        """ms of [a, b) strictly above the limit (centi), by the exact crossings of the lines."""
        start, end = self._edges(a, b)
        if not len(self):
            return np.zeros(len(start))
        before = self._limit(limit).before

        def until(x: Floats) -> Floats:
            i, inside = self._piece(x, "right")
            part = _time_over(limit, self._c[i], self._value(i, x), x - self._t[i])
            return np.asarray(before[i] + np.where(inside, part, 0.0), dtype=np.float64)

        return np.maximum(until(end) - until(start), 0.0)

    def below(self, limit: int, a: ArrayLike, b: ArrayLike) -> Floats:
        """ms of [a, b) strictly below the limit (centi): what is measured, and neither above nor at it."""
        return self._rest(limit, self.measured(a, b), self.above(limit, a, b), a, b)

    def _rest(self, limit: int, measured: Floats, above: Floats, a: ArrayLike, b: ArrayLike) -> Floats:
        """A thousandth of a millisecond less than nothing is nothing: differences of large sums."""
        left = measured - above - self._level(limit, a, b)
        return np.asarray(np.where(left < 1e-3, 0.0, left), dtype=np.float64)

    def _level(self, limit: int, a: ArrayLike, b: ArrayLike) -> Floats:
        """ms of [a, b) exactly at the limit: between two readings that both equal it."""
        flat = self._ok & (self._c == limit) & (self._next == limit)
        if not flat.any():
            return np.zeros(1)
        start, end = self._edges(a, b)
        before = self._table(("level", limit), lambda: _running(np.where(flat, self._step, 0.0)))

        def until(x: Floats) -> Floats:
            i, _ = self._piece(x, "right")
            return np.asarray(before[i] + np.where(flat[i], np.maximum(x - self._t[i], 0.0), 0.0))

        return until(end) - until(start)

    def _mirror(self) -> Series:
        mirror: Series = self._table("mirror", lambda: Series(self.times_ms, -self.centi, self._gap))
        return mirror

    def _limit(self, limit: int) -> _Limit:
        made: _Limit = self._table(("limit", limit), lambda: self._find_runs(limit))
        return made

    def _find_runs(self, limit: int) -> _Limit:
        over = np.where(self._ok, _time_over(limit, self._c, self._next, self._step), 0.0)
        at = np.flatnonzero(over > 0)
        start = self._t[at] + np.where(self._c[at] > limit, 0.0, self._step[at] - over[at])
        end = self._t[at] + np.where(self._next[at] > limit, self._step[at], over[at])
        # A run goes on into the next piece only through a reading above the limit: touching it ends it.
        goes_on = (at[1:] == at[:-1] + 1) & (self._c[at[1:]] > limit) if len(at) else np.zeros(0, bool)
        first, last = np.append(True, ~goes_on)[: len(at)], np.append(~goes_on, True)[: len(at)]
        start, end = start[first], end[last]
        return _Limit(
            _running(over), start, end, self._c[at[first]] > limit, self._next[at[last]] > limit,
            Ranges(np.maximum, end - start, 0.0),
        )  # fmt: skip

    # --- excursions -----------------------------------------------------------------------------

    def runs(self, limit: int, a: ArrayLike, b: ArrayLike) -> Runs:
        """Longest unbroken time above the limit in each [a, b), and the runs that touch its two ends.

        A run ends at a gap and where the temperature touches the limit, and is cut at a and b. A run
        over the whole stretch is both lead-in and run-out.
        """
        start, end = self._edges(a, b)
        table, none = self._limit(limit), np.zeros(len(start))
        if not len(table.start):
            return Runs(none, none, none)
        first = np.searchsorted(table.end, start, side="right").astype(np.int64)
        last = np.searchsorted(table.start, end, side="left").astype(np.int64) - 1
        some = (first <= last) & (end > start)
        i, j = np.where(some, first, 0), np.where(some, last, 0)
        head = np.minimum(table.end[i], end) - np.maximum(table.start[i], start)
        tail = np.minimum(table.end[j], end) - np.maximum(table.start[j], start)
        at_start = (table.start[i] == start) & table.open_start[i]  # began above, not by a crossing
        at_end = (table.end[j] == end) & table.open_end[j]
        longest = np.maximum(np.maximum(head, tail), table.lengths.over(i + 1, j - 1))
        return Runs(
            np.where(some, longest, 0.0),
            np.where(some & (at_start | (table.start[i] < start)), head, 0.0),
            np.where(some & (at_end | (table.end[j] > end)), tail, 0.0),
        )

    def excursions(self, limit: int, a: int, b: int) -> list[Excursion]:
        """Every excursion above the limit in [a, b), oldest first, in whole ms."""
        table, start, end = self._limit(limit), float(a - self._zero), float(b - self._zero)
        wanted = np.flatnonzero((table.end > start) & (table.start < end))
        begins, ends = np.maximum(table.start[wanted], start), np.minimum(table.end[wanted], end)
        left = np.floor(begins).astype(np.int64) + self._zero
        right = np.ceil(ends).astype(np.int64) + self._zero
        peaks = self.extremes(left, right)[1] if len(wanted) else np.zeros(0)
        return [
            Excursion(
                int(left[k]), int(right[k]), outward(float(peaks[k])),
                bool(table.open_start[n] or table.start[n] < start),
                bool(table.open_end[n] or table.end[n] > end),
            )
            for k, n in enumerate(wanted)
        ]  # fmt: skip

    def excursions_below(self, limit: int, a: int, b: int) -> list[Excursion]:
        """Every excursion below the limit in [a, b); its peak is the coldest value."""
        found = self._mirror().excursions(-limit, a, b)
        return [Excursion(e.start_ms, e.end_ms, -e.peak_centi, e.open_start, e.open_end) for e in found]

    # --- extremes and mean kinetic temperature --------------------------------------------------

    def extremes(self, a: ArrayLike, b: ArrayLike) -> tuple[Floats, Floats]:
        """Lowest and highest centi of the readings in [a, b) and of the lines cut at a and b; else nan.

        A reading between two gaps counts here, though it covers no time.
        """
        start, end = self._edges(a, b)
        if not len(self):
            return np.full(len(start), np.nan), np.full(len(start), np.nan)
        low = self._table("low", lambda: Ranges(np.minimum, self._c, np.inf))
        high = self._table("high", lambda: Ranges(np.maximum, self._c, -np.inf))
        first = np.searchsorted(self._t, start, side="left").astype(np.int64)
        last = np.searchsorted(self._t, end, side="left").astype(np.int64) - 1
        bottom, top = low.over(first, last), high.over(first, last)
        for x, side in ((start, "right"), (end, "left")):
            i, inside = self._piece(x, side)
            inside &= end > start
            value = self._value(i, x)
            bottom = np.where(inside, np.minimum(bottom, value), bottom)
            top = np.where(inside, np.maximum(top, value), top)
        return np.where(np.isinf(bottom), np.nan, bottom), np.where(np.isinf(top), np.nan, top)

    def rate(self, a: ArrayLike, b: ArrayLike) -> Floats:
        """Integral of exp(-dH/(R T)) over the measured part of [a, b), in ms; the rate is linear
        between readings, also where a piece is cut, so these add up. See `mean_kinetic_centi`."""
        start, end = self._edges(a, b)
        if not len(self):
            return np.zeros(len(start))
        rates = self._table("rates", lambda: arrhenius(self._c))
        after = np.append(rates[1:], rates[-1:])
        pieces = self._table(
            "rate", lambda: Ranges(np.add, np.where(self._ok, self._step * (rates + after) / 2, 0.0), 0.0)
        )

        def part(i: Ints, inside: NDArray[np.bool_], u: Floats, w: Floats) -> Floats:
            slope = (after[i] - rates[i]) / self._step[i]
            middle = rates[i] + slope * ((u + w) / 2 - self._t[i])
            return np.asarray(np.where(inside, (w - u) * middle, 0.0), dtype=np.float64)

        i, in_i = self._piece(start, "right")
        j, in_j = self._piece(end, "left")
        same = (i == j) & (end > start)
        begun = np.searchsorted(self._t, start, side="right") > 0
        whole_from = np.where(begun, i + 1, 0)
        ends_i = self._t[np.minimum(i + 1, len(self) - 1)]
        apart = part(i, in_i, start, ends_i) + pieces.over(whole_from, j - 1) + part(j, in_j, self._t[j], end)
        inside_one = part(i, in_i & in_j, start, end)
        out = np.where(same & begun, inside_one, apart)
        return np.where(end > start, out, 0.0)

    def measure(self, a: ArrayLike, b: ArrayLike, limits: Iterable[int]) -> Measured:
        """All numbers of many stretches at once."""
        low, high = self.extremes(a, b)
        measured = self.measured(a, b)
        above = {limit: self.above(limit, a, b) for limit in limits}
        return Measured(
            measured, low, high, self.rate(a, b), above,
            {limit: self._rest(limit, measured, over, a, b) for limit, over in above.items()},
            {limit: self.runs(limit, a, b) for limit in above},
        )  # fmt: skip


def _running(values: Floats) -> Floats:
    """The sum before each place."""
    return np.append(0.0, np.cumsum(values)[:-1])[: len(values)]


def arrhenius(centi: ArrayLike) -> Floats:
    """exp(-dH/(R T)) of temperatures in centi; no unit. At least 1 K above absolute zero is expected."""
    kelvin = np.asarray(centi, dtype=np.float64) / 100 + KELVIN
    return np.asarray(np.exp(-DH_OVER_R / kelvin), dtype=np.float64)


def summary(
    series: Series, start_ms: int, end_ms: int, limits: Iterable[int], name: str = "measured"
) -> PhaseSummary:
    """One logger over one stretch: the short form of `join`."""
    return join(name, [Stretch(start_ms, end_ms, series)], limits)
