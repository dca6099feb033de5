"""One phase of a tube's life: what is known of how warm it was, added up over every place it stood in.

Promises: measured + assumed + no data is the whole phase; time at a unit's set point without a logger is
assumed, never measured; an excursion goes on across a move; the sample's frozen or thawed state goes with it;
nothing is rounded before the very end.
Definitions of the words: custody.core.thermal, which turns readings into the numbers joined here.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .edge import TRAPEZOID
from .kinetic import DH_OVER_R, KELVIN, mean_kinetic_centi, rate_at
from .spec import Gaps, Spec
from .tally import Beyond, Tally

if TYPE_CHECKING:
    from .measured import Measured
    from .thermal import Series

__all__ = [
    "DH_OVER_R",
    "KELVIN",
    "Excursion",
    "PhaseSummary",
    "Stretch",
    "join",
    "mean_kinetic_centi",
    "outward",
    "rate_at",
]

Sides = dict[int, Beyond]
Found = tuple["Measured", int]  # what a series said of many stretches, and the place of one among them


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
    mean_kinetic_centi      over measured and assumed time, by mkt_method; None: neither. Nothing to judge
                            frozen storage by
    above, below            ms strictly above / below each limit, assumed time at its set point included
    longest_above, _below   ms of the longest unbroken stretch above / below, joined across moves
    longest_above_open, longest_below_open  it began or ended with the data or with the phase: it may have
                            been longer
    excursions_above, _below  how many; one that goes on across a move is one
    at_or_above, at_or_below, longest_at_or_above, longest_at_or_below  the same with the limit itself in,
                            if that was asked
    All these are empty where nothing is known: `.get(limit)` then says None, not zero.
    thaws                   how often the sample went from frozen to thawed; None: not asked, or nothing known
    frozen_after            its state at the end; None: not asked
    thaws_unsure            there is time without data, in it or since the state was last certain: it may
                            have thawed more often
    stability_used          share of the budget; None: not asked, or nothing known
    forbidden               was it ever warmer than the budget's forbidden temperature? None: not asked, or
                            not that anybody saw, but not everything was seen
    gaps                    what time without data counted as in these numbers (see Spec)
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
    longest_below: dict[int, int] = field(default_factory=dict)
    longest_above_open: dict[int, bool] = field(default_factory=dict)
    longest_below_open: dict[int, bool] = field(default_factory=dict)
    excursions_above: dict[int, int] = field(default_factory=dict)
    excursions_below: dict[int, int] = field(default_factory=dict)
    at_or_above: dict[int, int] = field(default_factory=dict)
    at_or_below: dict[int, int] = field(default_factory=dict)
    longest_at_or_above: dict[int, int] = field(default_factory=dict)
    longest_at_or_below: dict[int, int] = field(default_factory=dict)
    thaws: int | None = None
    frozen_after: bool | None = None
    thaws_unsure: bool = False
    stability_used: float | None = None
    forbidden: bool | None = None
    mkt_method: str = TRAPEZOID
    gaps: Gaps = "exclude"

    @property
    def coverage(self) -> float:
        """Share of the phase that was measured, 0 to 1; a phase of no length has none."""
        length = self.end_ms - self.start_ms
        return self.measured_ms / length if length else 0.0


@dataclass(frozen=True)
class Stretch:
    """Part of a stay: a logger's series governs it, or a set point is assumed, or nothing is known.

    With a series, the set point counts only where the specification takes gaps for nominal.
    logger  in place of a series: which one governs, for `life.lives` to load
    """

    start_ms: int
    end_ms: int
    series: Series | None = None
    nominal_centi: int | None = None
    logger: Hashable | None = None

    @property
    def governed(self) -> bool:
        """By a logger: where that says nothing, the set point is no answer."""
        return self.series is not None or self.logger is not None


def outward(value: float) -> int:
    """The next whole number up; 400.0000001 is 400 with noise, not 401."""
    return math.ceil(value - 1e-6)


def join(
    name: str,
    stretches: Sequence[Stretch],
    wanted: Iterable[int] | Spec,
    found: Sequence[Found | None] | None = None,
) -> PhaseSummary:
    """Several stretches, in time order, as one phase.

    wanted  a specification, or limits alone
    found   what `Series.measure` said for each stretch, and its place in those answers; None where no
            logger governs. So many phases share one question per logger. Without it, each stretch's
            own series is asked.
    Time between two stretches is no data and ends an excursion. ValueError: none, or not in order.
    """
    spec = Spec.of(wanted)
    total = Tally(spec, spec.starts_frozen)
    return finish(name, *run_through([total], stretches, found), total)


def run_through(
    totals: Sequence[Tally],
    stretches: Sequence[Stretch],
    found: Sequence[Found | None] | None,
    clock: int | None = None,
) -> tuple[int, int]:
    """Adds stretches to every total, and says from when to when they go. clock: where the life stands."""
    if not stretches:
        raise ValueError("a phase has at least one stretch")
    clock = stretches[0].start_ms if clock is None else clock
    for k, stretch in enumerate(stretches):
        if stretch.start_ms < clock or stretch.end_ms < stretch.start_ms:
            raise ValueError("stretches are not in time order")
        here = found[k] if found is not None else _ask(stretch, totals[0].spec)
        for total in totals:
            if stretch.start_ms > clock:
                total.unknown(stretch.start_ms - clock)
            _add(total, stretch, here)
        clock = stretch.end_ms
    return stretches[0].start_ms, clock


def _ask(stretch: Stretch, spec: Spec) -> Found | None:
    if stretch.series is None:
        return None
    return stretch.series.measure(stretch.start_ms, stretch.end_ms, spec), 0


def _add(total: Tally, stretch: Stretch, here: Found | None) -> None:
    length = float(stretch.end_ms - stretch.start_ms)
    if not length:
        return
    if here is not None and here[0].places is not None:
        _add_parts(total, stretch, *here)
    elif here is not None:
        total.add(*here, length)
    elif stretch.nominal_centi is not None and (not stretch.governed or total.spec.gaps == "nominal"):
        total.assume(stretch.nominal_centi, length)
    else:
        total.unknown(length)


def _add_parts(total: Tally, stretch: Stretch, found: Measured, k: int) -> None:
    assert found.places is not None and found.gaps is not None
    for part in range(int(found.places[k]), int(found.places[k + 1])):
        length = float(found.ends[part] - found.starts[part])
        if found.gaps[part]:
            total.gap(found, part, length, stretch.nominal_centi)
        else:
            total.add(found, part, length)


def finish(name: str, start: int, end: int, total: Tally) -> PhaseSummary:
    """The phase in whole ms and centi. The total is closed and takes nothing more."""
    total.close()
    spec, measured, assumed = total.spec, round(total.measured), round(total.assumed)
    no_data = end - start - measured - assumed
    known = measured + assumed > 0 or (spec.gaps == "worst" and no_data > 0)
    kinetic = mean_kinetic_centi(total.rate, total.measured + total.assumed)
    above, below, at_above, at_below = _sides(total) if known else ({}, {}, {}, {})
    return PhaseSummary(
        name, start, end, measured, assumed, no_data,
        -outward(-total.low) if total.low < math.inf else None,
        outward(total.high) if total.high > -math.inf else None,
        None if kinetic is None else round(kinetic),
        above=_ms(above), longest_above=_longest(above), longest_above_open=_open(above),
        excursions_above=_counts(above),
        below=_ms(below), longest_below=_longest(below), longest_below_open=_open(below),
        excursions_below=_counts(below),
        at_or_above=_ms(at_above), longest_at_or_above=_longest(at_above),
        at_or_below=_ms(at_below), longest_at_or_below=_longest(at_below),
        thaws=total.thaws if spec.thaw and (known or total.seen) else None,
        frozen_after=total.frozen if spec.thaw else None,
        thaws_unsure=spec.thaw is not None and total.thaws_unsure,
        stability_used=max(total.used, 0.0) if spec.bands and known else None,
        forbidden=_forbidden(total, no_data), mkt_method=total.method, gaps=spec.gaps,
    )  # fmt: skip


def _sides(total: Tally) -> tuple[Sides, Sides, Sides, Sides]:
    """Above, below, at or above, at or below: for each limit."""
    found: tuple[Sides, Sides, Sides, Sides] = ({}, {}, {}, {})
    for edge, one in total.beyond.items():
        found[2 * edge.inclusive + (edge.side == "below")][edge.centi] = one
    return found


def _ms(found: Sides) -> dict[int, int]:
    return {limit: round(one.ms) for limit, one in found.items()}


def _longest(found: Sides) -> dict[int, int]:
    return {limit: round(one.longest) for limit, one in found.items()}


def _open(found: Sides) -> dict[int, bool]:
    return {limit: one.open for limit, one in found.items()}


def _counts(found: Sides) -> dict[int, int]:
    return {limit: one.count for limit, one in found.items()}


def _forbidden(total: Tally, no_data: int) -> bool | None:
    bands = total.spec.bands
    if bands is None or bands.forbidden_centi is None:
        return None
    if total.warmest > bands.forbidden_centi:
        return True
    return True if no_data and total.spec.gaps == "worst" else None if no_data else False
