"""One phase of a tube's life: what is known of how warm it was, added up over every place it stood in.

Promises: measured + assumed + no data is the whole phase; time at a unit's set point without a logger is
assumed, never measured; an excursion goes on across a move; nothing is rounded before the very end.
Definitions of the words: custody.core.thermal, which turns readings into the numbers joined here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .thermal import Measured, Series

KELVIN = 273.15  # K at 0 °C
DH_KJ_PER_MOL = 83.144  # activation energy, USP 29 <1160>
R_KJ_PER_MOL_K = 8.3144e-3  # gas constant as that chapter rounds it
DH_OVER_R = DH_KJ_PER_MOL / R_KJ_PER_MOL_K  # 10,000 K


@dataclass(frozen=True)
class Excursion:
    """One stretch on which the temperature stayed above (or below) a limit.

    peak_centi        the warmest (or coldest) value in it, rounded outward
    open_start/_end   it began or ended with the data, or was cut there: it may have been longer
    """

    start_ms: int
    end_ms: int
    peak_centi: int
    open_start: bool
    open_end: bool


@dataclass(frozen=True)
class PhaseSummary:
    """What is known of one phase of a tube's life. Sums: measured + assumed + no_data = end - start.

    min_centi, max_centi    measured only, interpolated at the edges, rounded outward (so that max is
                            above a limit exactly when time was spent above it); None: nothing measured
    mean_kinetic_centi      over measured and assumed time; None: neither
    above, below            ms strictly above / below each limit, assumed time at its set point included
    longest_above           ms of the longest unbroken stretch above, joined across moves
    These three are empty where nothing is known: `.get(limit)` then says None, not zero.
    """

    name: str
    start_ms: int
    end_ms: int
    measured_ms: int
    assumed_ms: int
    no_data_ms: int
    min_centi: int | None = None
    max_centi: int | None = None
    mean_kinetic_centi: int | None = None
    above: dict[int, int] = field(default_factory=dict)
    longest_above: dict[int, int] = field(default_factory=dict)
    below: dict[int, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Stretch:
    """Part of a stay: a logger's series governs it, or a set point is assumed, or nothing is known."""

    start_ms: int
    end_ms: int
    series: Series | None = None
    nominal_centi: int | None = None


def outward(value: float) -> int:
    """The next whole number up; 400.0000001 is 400 with noise, not 401."""
    return math.ceil(value - 1e-6)


def rate_at(centi: float) -> float:
    """exp(-dH/(R T)) at one temperature in hundredths of °C; no unit."""
    return math.exp(-DH_OVER_R / (centi / 100 + KELVIN))


def mean_kinetic_centi(rate_ms: float, ms: float) -> float | None:
    """Mean kinetic temperature in (fractional) centi from a rate integral and the time it covers."""
    if ms <= 0 or rate_ms <= 0:
        return None
    return (DH_OVER_R / -math.log(rate_ms / ms) - KELVIN) * 100


@dataclass
class _Sum:
    """What `join` has added up so far; floats until the end."""

    measured: float = 0.0
    assumed: float = 0.0
    rate: float = 0.0
    low: float = math.inf
    high: float = -math.inf
    above: dict[int, float] = field(default_factory=dict)
    below: dict[int, float] = field(default_factory=dict)
    longest: dict[int, float] = field(default_factory=dict)
    run: dict[int, float] = field(default_factory=dict)

    def prolong(self, limit: int, length: float, longest: float, lead_in: float, run_out: float) -> None:
        """An excursion goes on across a move: the run so far meets the next stretch's lead-in."""
        joined = self.run.get(limit, 0.0) + lead_in
        self.longest[limit] = max(self.longest.get(limit, 0.0), longest, joined)
        self.run[limit] = joined if lead_in >= length else run_out

    def assume(self, stretch: Stretch, nominal: int, limits: Iterable[int]) -> None:
        length = float(stretch.end_ms - stretch.start_ms)
        self.assumed += length
        self.rate += length * rate_at(nominal)
        for limit in limits:
            over = length if nominal > limit else 0.0
            self.above[limit] = self.above.get(limit, 0.0) + over
            self.below[limit] = self.below.get(limit, 0.0) + (length if nominal < limit else 0.0)
            self.prolong(limit, length, over, over, over)

    def add(self, stretch: Stretch, found: Measured, k: int) -> None:
        self.measured += float(found.ms[k])
        self.rate += float(found.rate[k])
        if not math.isnan(found.low[k]):
            self.low, self.high = min(self.low, float(found.low[k])), max(self.high, float(found.high[k]))
        for limit, runs in found.runs.items():
            self.above[limit] = self.above.get(limit, 0.0) + float(found.above[limit][k])
            self.below[limit] = self.below.get(limit, 0.0) + float(found.below[limit][k])
            length = float(stretch.end_ms - stretch.start_ms)
            longest, lead_in, run_out = runs.longest[k], runs.lead_in[k], runs.run_out[k]
            self.prolong(limit, length, float(longest), float(lead_in), float(run_out))


def join(
    name: str,
    stretches: Sequence[Stretch],
    limits: Iterable[int],
    found: Sequence[tuple[Measured, int] | None] | None = None,
) -> PhaseSummary:
    """Several stretches, in time order, as one phase.

    found  what `Series.measure` said for each stretch, and its place in those arrays; None where no
           logger governs. So many phases share one question per logger. Without it, each stretch's
           own series is asked.
    Time between two stretches is no data and ends an excursion. ValueError: none, or not in order.
    """
    wanted = list(limits)
    if not stretches:
        raise ValueError("a phase has at least one stretch")
    total, clock = _Sum(), stretches[0].start_ms
    for k, stretch in enumerate(stretches):
        if stretch.start_ms < clock or stretch.end_ms < stretch.start_ms:
            raise ValueError("stretches are not in time order")
        if stretch.start_ms > clock:
            total.run.clear()
        clock = stretch.end_ms
        here = found[k] if found is not None else _ask(stretch, wanted)
        if here is not None:
            total.add(stretch, *here)
        elif stretch.nominal_centi is not None:
            total.assume(stretch, stretch.nominal_centi, wanted)
        else:
            total.run.clear()
    return _finish(name, stretches[0].start_ms, clock, total)


def _ask(stretch: Stretch, limits: list[int]) -> tuple[Measured, int] | None:
    if stretch.series is None:
        return None
    return stretch.series.measure(stretch.start_ms, stretch.end_ms, limits), 0


def _finish(name: str, start: int, end: int, total: _Sum) -> PhaseSummary:
    measured, assumed = round(total.measured), round(total.assumed)
    known = measured + assumed > 0
    kinetic = mean_kinetic_centi(total.rate, total.measured + total.assumed)

    def whole(times: dict[int, float]) -> dict[int, int]:
        return {limit: round(ms) for limit, ms in times.items()} if known else {}

    return PhaseSummary(
        name, start, end, measured, assumed, end - start - measured - assumed,
        -outward(-total.low) if total.low < math.inf else None,
        outward(total.high) if total.high > -math.inf else None,
        None if kinetic is None else round(kinetic),
        whole(total.above), whole(total.longest), whole(total.below),
    )  # fmt: skip
