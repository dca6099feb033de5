"""A logger's readings and where a tube was, turned into how warm the tube was and for how long.

Definitions. They are written in seconds (s), hours (h) and degrees Celsius (C); the code counts whole UTC
milliseconds (ms) and whole hundredths of a degree (centi), and keeps every fraction until the very end.

Times are whole UTC seconds. Intervals are half-open [a, b). Temperatures in C; K = C + 273.15.
reading          (t_i, x_i), after clock and calibration correction, strictly increasing t
piece            [t_i, t_i+1] with d = t_i+1 - t_i <= G, where gap limit G = k x recording interval of that
                 download (k = 3 in all tests; a setting; no source found for a standard k)
no data          the open span of any pair with d > G, everything before the first and after the last
                 reading, and any sentinel (sensor error) reading. T is undefined there
T(t), linear (default)  x_i + (t - t_i)/d (x_i+1 - x_i) inside a piece
T(t), step       x_i on [t_i, t_i+1): for loggers that record on change or record a held value. The last
                 reading then covers no time
covered(a,b)     total length of pieces inside [a,b) = measured time
no_data(a,b)     (b - a) - measured - assumed
crossing time    t_i + d (th - x_i)/(x_i+1 - x_i), only when the two readings lie on different sides
time_above(th)   length of {t: T defined and T > th}. Strict. Time exactly at th counts neither above nor
                 below
time_below(th)   length of {T < th}. above + below + at + no_data + assumed-part = b - a
inclusive rule (>=)  use th - 0.005 C (half of the stored step 0.01 C). Matters in practice: a logger with
                 0.5 C steps sits at exactly 8.0 for hours
min, max         over readings in [a,b) and the interpolated values at a and b where defined. A single
                 reading between two gaps counts for min/max but for no time
excursion above th  maximal stretch on which T is defined and > th. Touching th for an instant ends it
                 (strictness); a gap ends it and marks it `open`. Clipped to the phase
longest excursion  longest of these in the phase. Joins across a move when the sample leaves one unit warm
                 and enters the next warm
mean kinetic temperature  MKT = (dH/R) / -ln( (1/C) * integral over covered time of exp(-dH/(R T_K)) dt ),
                 C = covered + assumed seconds. dH = 83.144 kJ/mol, R = 8.3144e-3 kJ/(K mol), so dH/R =
                 10,000 K exactly (USP 29 <1160>, "Pharmaceutical calculations", as reproduced at
                 uspbpep.com/usp29/v29240/usp29nf24s0_c1160.html)
thaw cycle       two thresholds lo < hi. The sample becomes thawed at the first instant with T > hi, frozen
                 at the first instant with T < lo, otherwise keeps its state. A cycle = frozen -> thawed.
                 State is the sample's, carried through moves; start state `thawed` at collection, so the
                 first freezing is no thaw. Unknown time keeps the state and sets a flag
stability used   sum over bands j of (time in band j)/(limit_j); bands (e_j-1, e_j]; limit infinite = no
                 use. = sum_j w_j time_above(e_j), w_j = 1/limit_j+1 - 1/limit_j, plus covered/limit_1.
                 1.0 = budget spent. A forbidden band is a separate yes/no rule, not limit 0
gap treatment in a rule  `exclude` (default, reports coverage), `worst` (each gap counted in the worst band
                 the rule names) or `nominal` (assumed, flagged)

Consequences: time_above falls as th rises; f(a,b) = f(a,c) + f(c,b) for every time integral; inserting a
collinear reading changes nothing (except MKT by the trapezoid, which moves down towards the exact value);
shifting all times changes nothing.

Between readings the *rate* exp(-dH/(R T)) is taken as linear (trapezoid on the rate, Tong & Lock, JSM 2015,
2065-2070); this never gives less than the exact value. MKT says nothing for frozen storage (see `kinetic`).
Sums of rates are kept in tables that only add: they span 35 decades, and a difference of running sums loses
a cold stretch after a warm year altogether.

The logger measures what its probe is in, not the sample; thermal lag is not modelled. numpy is used here
and in `measured`, `ranges`, `spans` and `thaw` alone: tables are built once, then answer many stretches.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from .edge import HELD, READINGS, TRAPEZOID, Edge
from .kinetic import mean_kinetic_centi
from .measured import SENSOR_ERROR, Measured, arrhenius, readings
from .phase import Excursion, PhaseSummary, Stretch, join, outward
from .ranges import Ranges
from .spans import Flags, Floats, Ints, Runs, Spans
from .spec import Spec
from .thaw import Thaws, ThawTable

__all__ = [
    "GAP_FACTOR",
    "HELD",
    "READINGS",
    "SENSOR_ERROR",
    "TRAPEZOID",
    "Edge",
    "Excursion",
    "Measured",
    "PhaseSummary",
    "Runs",
    "Series",
    "Spec",
    "Stretch",
    "Thaws",
    "arrhenius",
    "join",
    "mean_kinetic_centi",
    "summary",
]

GAP_FACTOR = 3  # a silence longer than three recording intervals is no data. Common practice, no source

Made = TypeVar("Made")


@dataclass(frozen=True)
class _Window:
    """Where stretches fall among the readings: from reading `first` to `last` (none: last < first).

    i, j        the pieces that hold the start and the end
    in_i, in_j  whether there is one; else i and j mean nothing
    """

    start: Floats
    end: Floats
    first: Ints
    last: Ints
    i: Ints
    j: Ints
    in_i: Flags
    in_j: Flags


class Series:
    """One logger's readings. Build once, ask for many stretches, drop.

    times_ms    int, strictly increasing; centi  int, the same number of them. ValueError otherwise.
                A value of SENSOR_ERROR is no reading, and the time on both sides of it is no data.
    max_gap_ms  the gap limit, one number or one for each reading (for the pair that begins with it)
    step        each reading holds until the next one, instead of a straight line between them
    Every question takes arrays of starts and ends in ms and answers with float64 arrays of that length.
    ValueError: a stretch ends before it starts.
    """

    def __init__(
        self, times_ms: ArrayLike, centi: ArrayLike, max_gap_ms: ArrayLike, *, step: bool = False
    ) -> None:
        t, c, gap = readings(times_ms, centi, max_gap_ms)
        self.times_ms, self.centi, self.step = t, c, step
        self._zero = int(t[0]) if len(t) else 0  # small numbers keep fractions of a millisecond exact
        # without readings one of no value stands in: it is neither above nor below anything
        self._t = (t - self._zero).astype(np.float64) if len(t) else np.zeros(1)
        self._u = c.astype(np.float64) if len(t) else np.full(1, np.nan)
        after = np.append(self._t[1:], self._t[-1])
        self._d = after - self._t
        self._ok = np.zeros(len(self._t), np.bool_)
        self._ok[: len(t)] = self._d[: len(t)] <= gap
        self._ok[-1] = False  # the last reading begins no piece
        self._d[-1] = 1.0
        self._next = np.append(self._u[1:], self._u[-1])
        self._v = self._u if step else self._next
        self._made: dict[object, object] = {}

    def __len__(self) -> int:
        return len(self.times_ms)

    @property
    def linked(self) -> Flags:
        """For each reading, whether the temperature is known up to the next one (no gap)."""
        return self._ok[: len(self)]

    @property
    def method(self) -> str:
        return HELD if self.step else TRAPEZOID

    def _table(self, key: object, make: Callable[[], Made]) -> Made:
        if key not in self._made:
            self._made[key] = make()
        return self._made[key]  # type: ignore[return-value]

    # --- where a moment falls -------------------------------------------------------------------

    def _window(self, a: ArrayLike, b: ArrayLike) -> _Window:
        start, end = self._edges(a, b)
        i = np.searchsorted(self._t, start, side="right").astype(np.int64) - 1
        last = np.searchsorted(self._t, end, side="left").astype(np.int64) - 1
        i0, j0 = np.maximum(i, 0), np.maximum(last, 0)
        some = end > start
        first = i + ((i < 0) | (self._t[i0] < start))
        in_i, in_j = some & (i >= 0) & self._ok[i0], some & (last >= 0) & self._ok[j0]
        return _Window(start, end, first, np.where(some, last, -1), i0, j0, in_i, in_j)

    def _edges(self, a: ArrayLike, b: ArrayLike) -> tuple[Floats, Floats]:
        start = np.atleast_1d(np.asarray(a, dtype=np.int64) - self._zero).astype(np.float64)
        end = np.atleast_1d(np.asarray(b, dtype=np.int64) - self._zero).astype(np.float64)
        if np.any(end < start):
            raise ValueError("a stretch ends before it starts")
        return start, end

    def _value(self, i: Ints, x: Floats) -> Floats:
        """The temperature at x in piece i; at its end, what it comes up to."""
        u = self._u[i]
        return np.asarray(u + (self._v[i] - u) * ((x - self._t[i]) / self._d[i]), dtype=np.float64)

    # --- times ----------------------------------------------------------------------------------

    def measured(self, a: ArrayLike, b: ArrayLike) -> Floats:
        """ms of [a, b) that lie between two readings no further apart than the gap limit."""
        return self._covered().time(*self._edges(a, b))

    def _covered(self) -> Spans:
        return self._table("covered", lambda: Spans.plain(*self._stretches(self._ok)))

    def _stretches(self, on: Flags) -> tuple[Floats, Floats]:
        """Start and end of every unbroken row of pieces (the last reading is none, so each has an end)."""
        first = np.flatnonzero(on & ~np.append(False, on[:-1]))
        return self._t[first], self._t[np.flatnonzero(on & ~np.append(on[1:], False)) + 1]

    def above(self, limit: int, a: ArrayLike, b: ArrayLike, *, inclusive: bool = False) -> Floats:
        """ms of [a, b) above the limit (centi), by the exact crossings of the lines."""
        return self._spans(Edge("above", limit, inclusive)).time(*self._edges(a, b))

    def below(self, limit: int, a: ArrayLike, b: ArrayLike, *, inclusive: bool = False) -> Floats:
        """ms of [a, b) below the limit (centi)."""
        return self._spans(Edge("below", limit, inclusive)).time(*self._edges(a, b))

    def _spans(self, edge: Edge) -> Spans:
        return self._table(edge, lambda: self._past(edge))

    def _past(self, edge: Edge) -> Spans:
        """Every maximal stretch past an edge. It goes on from piece to piece only through a temperature
        that is itself past the edge: touching it ends it."""
        compare = np.greater if edge.side == "above" else np.less
        u, after = compare(self._u, edge.at), compare(self._next, edge.at)
        v = u if self.step else after
        on = self._ok & (u | v)
        goes_on = on[:-1] & v[:-1] & on[1:] & u[1:]
        first = np.flatnonzero(on & ~np.append(False, goes_on))
        last = np.flatnonzero(on & ~np.append(goes_on, False))
        begins = np.where(u[first], self._t[first], self._crossing(first, edge.at))
        ends = np.where(v[last], self._t[last + 1], self._crossing(last, edge.at))
        before = np.where(first > 0, self._ok[first - 1], False)
        open_end = v[last] & after[last] & ~self._ok[last + 1]
        return Spans(begins, ends, u[first], v[last], u[first] & ~before, open_end)

    def _crossing(self, i: Ints, limit: float) -> Floats:
        rise = self._v[i] - self._u[i]
        share = (limit - self._u[i]) / np.where(rise == 0, 1.0, rise)
        return np.asarray(self._t[i] + self._d[i] * share, dtype=np.float64)

    # --- excursions -----------------------------------------------------------------------------

    def runs(self, limit: int, a: ArrayLike, b: ArrayLike, *, inclusive: bool = False) -> Runs:
        """The excursions above the limit in each [a, b): how many, the longest, and those at both ends."""
        return self.runs_past(Edge("above", limit, inclusive), a, b)

    def runs_past(self, edge: Edge, a: ArrayLike, b: ArrayLike) -> Runs:
        """The excursions past any edge in each [a, b)."""
        return self._spans(edge).runs(*self._edges(a, b))

    def excursions(self, limit: int, a: int, b: int, *, inclusive: bool = False) -> list[Excursion]:
        """Every excursion above the limit in [a, b), oldest first, in whole ms."""
        return self._excursions(Edge("above", limit, inclusive), a, b)

    def excursions_below(self, limit: int, a: int, b: int, *, inclusive: bool = False) -> list[Excursion]:
        """Every excursion below the limit in [a, b); its peak is the coldest value."""
        return self._excursions(Edge("below", limit, inclusive), a, b)

    def _excursions(self, edge: Edge, a: int, b: int) -> list[Excursion]:
        spans, (start, end) = self._spans(edge), self._edges(a, b)
        wanted = np.flatnonzero((spans.end > start) & (spans.start < end) & (end > start))
        left = np.floor(np.maximum(spans.start[wanted], start)).astype(np.int64) + self._zero
        right = np.ceil(np.minimum(spans.end[wanted], end)).astype(np.int64) + self._zero
        low, high = self.extremes(left, right)
        peaks = high if edge.side == "above" else -low
        return [
            Excursion(
                int(left[k]), int(right[k]), int(edge.sign) * outward(float(peaks[k])),
                bool(spans.open_start[n] or spans.start[n] < start[0]),
                bool(spans.open_end[n] or spans.end[n] > end[0]),
            )
            for k, n in enumerate(wanted)
        ]  # fmt: skip

    def gaps(self, a: int, b: int) -> list[tuple[int, int]]:
        """Every part of [a, b) without data, oldest first, in ms. One reading between two gaps parts them."""
        starts, ends, gaps, _ = self._parts([a], [b])
        return [(int(x), int(y)) for x, y, gap in zip(starts, ends, gaps, strict=True) if gap and x < y]

    def _parts(self, a: ArrayLike, b: ArrayLike) -> tuple[Ints, Ints, Flags, Ints]:
        """Stretches cut wherever data begin or end, and at every reading between two gaps."""
        start, end = self._edges(a, b)
        loose = ~self._ok
        both = loose | np.append(True, loose[:-1])
        edges = self._t[both] if len(self) else self._t[:0]
        first, last = np.searchsorted(edges, start, "right"), np.searchsorted(edges, end, "left")
        rows = [np.r_[x, edges[i:j], y] for x, y, i, j in zip(start, end, first, last, strict=True)]
        starts = np.concatenate([row[:-1] for row in rows])
        ends = np.concatenate([row[1:] for row in rows])
        covered = self._covered().time(starts, ends) > 0
        places = np.cumsum([0, *(len(row) - 1 for row in rows)])
        return starts.astype(np.int64) + self._zero, ends.astype(np.int64) + self._zero, ~covered, places

    # --- extremes and mean kinetic temperature --------------------------------------------------

    def extremes(self, a: ArrayLike, b: ArrayLike) -> tuple[Floats, Floats]:
        """Lowest and highest centi of the readings in [a, b) and of the lines cut at a and b; else nan.

        A reading between two gaps counts here, though it covers no time.
        """
        w = self._window(a, b)
        return self._extremes(w, self._value(w.i, w.start), self._value(w.j, w.end))

    def _extremes(self, w: _Window, head: Floats, tail: Floats) -> tuple[Floats, Floats]:
        low = self._table("low", lambda: Ranges(np.minimum, self._u, np.inf)).over(w.first, w.last)
        high = self._table("high", lambda: Ranges(np.maximum, self._u, -np.inf)).over(w.first, w.last)
        for inside, value in ((w.in_i, head), (w.in_j, tail)):
            low = np.where(inside, np.minimum(low, value), low)
            high = np.where(inside, np.maximum(high, value), high)
        return np.where(np.isinf(low), np.nan, low), np.where(np.isinf(high), np.nan, high)

    def rate(self, a: ArrayLike, b: ArrayLike) -> Floats:
        """Integral of exp(-dH/(R T)) over the measured part of [a, b), in ms; the rate is linear
        between readings, also where a piece is cut, so these add up. See `mean_kinetic_centi`."""
        return self._rate(self._window(a, b))

    def _rates(self) -> Floats:
        return self._table("rates", lambda: arrhenius(self.centi) if len(self) else np.zeros(1))

    def _rate(self, w: _Window) -> Floats:
        rates = self._rates()
        after = rates if self.step else np.append(rates[1:], rates[-1])
        pieces = self._table(
            "rate", lambda: Ranges(np.add, np.where(self._ok, self._d * (rates + after) / 2, 0.0), 0.0)
        )

        def part(i: Ints, inside: Flags, x: Floats, y: Floats) -> Floats:
            slope = (after[i] - rates[i]) / self._d[i]
            middle = rates[i] + slope * ((x + y) / 2 - self._t[i])
            return np.asarray(np.where(inside, (y - x) * middle, 0.0), dtype=np.float64)

        one = w.last < w.first  # no reading inside: at most a part of one piece
        head_end = np.where(one, w.end, self._t[np.minimum(w.first, len(rates) - 1)])
        head = part(w.i, w.in_i, w.start, head_end)
        tail = part(w.j, w.in_j & ~one, self._t[w.j], w.end)
        return head + pieces.over(w.first, w.last - 1) + tail

    def mean_kinetic_of_readings(self, a: ArrayLike, b: ArrayLike) -> list[float | None]:
        """Mean kinetic temperature (centi) by the plain mean of the readings in each [a, b), whatever time
        each stands for (READINGS). Only to repeat the figure that a logger itself printed."""
        w = self._window(a, b)
        sums = self._table("sums", lambda: Ranges(np.add, self._rates(), 0.0)).over(w.first, w.last)
        counts = np.maximum(w.last - w.first + 1, 0) if len(self) else np.zeros(len(sums))
        return [mean_kinetic_centi(float(s), int(n)) for s, n in zip(sums, counts, strict=True)]

    # --- thaw cycles, and everything at once ----------------------------------------------------

    def thaws(self, freeze: int, thaw: int, a: ArrayLike, b: ArrayLike) -> Thaws:
        """What each [a, b) does to a sample's state: frozen below `freeze`, thawed above `thaw`, in centi."""
        w = self._window(a, b)
        return self._thaws(w, (freeze, thaw), self._value(w.i, w.start), self._value(w.j, w.end))

    def _thaws(self, w: _Window, pair: tuple[int, int], head: Floats, tail: Floats) -> Thaws:
        table = self._table(("thaw", pair), lambda: ThawTable(self._u, *pair))
        loose = self._table(
            "loose", lambda: np.maximum.accumulate(np.where(self._ok, -1, np.arange(len(self._ok))))
        )
        start, end = np.where(w.in_i, head, np.nan), np.where(w.in_j, tail, np.nan)
        return table.ask(w.first, w.last, table.state(start), table.state(end), loose[w.j])

    def build(self, spec: Spec) -> None:
        """Makes every table that the specification needs, which the first question would do otherwise."""
        self.measure([], [], spec)

    def measure(self, a: ArrayLike, b: ArrayLike, wanted: Iterable[int] | Spec) -> Measured:
        """All numbers of many stretches at once. wanted: a specification, or limits alone."""
        spec = Spec.of(wanted)
        if spec.gaps == "exclude":
            return self._measure(a, b, spec)
        starts, ends, gaps, places = self._parts(a, b)
        return self._measure(starts, ends, spec, gaps, places)

    def _measure(
        self, a: ArrayLike, b: ArrayLike, spec: Spec, gaps: Flags | None = None, places: Ints | None = None
    ) -> Measured:
        w = self._window(a, b)
        head, tail = self._value(w.i, w.start), self._value(w.j, w.end)
        runs = {edge: self._spans(edge).runs(w.start, w.end) for edge in spec.edges}
        above = {e.centi: one.ms for e, one in runs.items() if e.side == "above" and not e.inclusive}
        bands = spec.bands.edges_centi if spec.bands else ()
        return Measured(
            self._covered().time(w.start, w.end), *self._extremes(w, head, tail), self._rate(w),
            w.in_i, w.in_j, runs,
            {e: above[e] if e in above else self.above(e, a, b) for e in bands},
            self._thaws(w, spec.thaw, head, tail) if spec.thaw else None, self.method,
            np.atleast_1d(np.asarray(a, np.int64)), np.atleast_1d(np.asarray(b, np.int64)), gaps, places,
        )  # fmt: skip


def summary(
    series: Series, start_ms: int, end_ms: int, limits: Iterable[int] | Spec, name: str = "measured"
) -> PhaseSummary:
    """One logger over one stretch: the short form of `join`."""
    return join(name, [Stretch(start_ms, end_ms, series)], limits)
