"""How much of what a sample bears has been used: a rule's bands against what is known of its temperatures.

Promises: two bounds, and the truth lies between them. Whole numbers all the way, so a tube that used exactly
what it bears has used 100 % and not a hair more.

What can be said. A stay tells how long it was above each edge, and how much of that time stood at a set point
that nobody measured (assumed), not which part. So of the time by bands
- the assumed time is taken out of the bands that use most, for the lower bound, and out of those that use
  least, for the upper one: what is left was measured for sure;
- assumed time, time without data and time in no place count as unmeasured: in the band that uses least for
  the lower bound (a band that is borne for ever uses nothing), in the one that uses most for the upper one;
- ends that are not exact: the span may be shorter by so much of the time that used most, or longer by so much
  of the worst.
A warming whose highest temperature was measured counts as that warm all the way, as in every other rule.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from custody.core.facts import Phase
from custody.core.judge_said import Gap
from custody.core.kleene import Answer
from custody.core.rule import Rule


@dataclass(frozen=True, slots=True)
class Costs:
    """Bands in whole numbers: a millisecond in band k uses costs[k] of `whole`, which is all that it bears.

    edges      hundredths of °C, rising; one band more than edges; an edge is in the colder one
    limits_ms  what each band bears; None: for ever, which costs nothing
    dearest    the bands from the one that uses most to the one that uses least; cheapest: the other way
    """

    edges: tuple[int, ...]
    limits_ms: tuple[int | None, ...]
    costs: tuple[int, ...]
    whole: int
    dearest: tuple[int, ...]
    cheapest: tuple[int, ...]


@lru_cache(maxsize=4096)
def costs_of(bands: tuple[tuple[int | None, int | None], ...]) -> Costs:
    """The bands of a rule in whole numbers."""
    limits = tuple(None if s is None else s * 1000 for _, s in bands)
    whole = math.lcm(*(ms for ms in limits if ms is not None))
    costs = tuple(0 if ms is None else whole // ms for ms in limits)
    dearest = tuple(sorted(range(len(costs)), key=lambda band: -costs[band]))
    edges = tuple(edge for edge, _ in bands if edge is not None)
    return Costs(edges, limits, costs, whole, dearest, dearest[::-1])


@dataclass(frozen=True, slots=True)
class Used:
    """Share used, in parts of `whole`: at least `sure`, at most `possible`.

    by_band_ms      surely measured time in each band; unmeasured_ms: how long nobody measured
    forbidden       was it ever warmer than it must never be? "pass": surely not; None: nothing is forbidden
    """

    sure: int
    possible: int
    whole: int
    by_band_ms: tuple[int, ...]
    unmeasured_ms: int
    forbidden: Answer | None


def length(phase: Phase, asof_ms: int) -> int:
    """Milliseconds; less than none when its end is before its start."""
    return (asof_ms if phase.end_ms is None else phase.end_ms) - phase.start_ms


def used(rule: Rule, phases: Sequence[Phase], gap: Gap, asof_ms: int) -> Used:
    """What of its bands was used in a span of time.

    phases  the stays within the span, none reversed; what they leave of it is time in no place
    gap     how long the span was
    """
    costs = costs_of(rule.bands)
    rows = [_bands(phase, costs, asof_ms) for phase in phases]
    nothing = [0] * len(costs.costs)
    sure = [sum(band) for band in zip(nothing, *(row[0] for row in rows), strict=True)]
    most = [sum(band) for band in zip(nothing, *(row[1] for row in rows), strict=True)]
    away = max(gap.mid - sum(length(one, asof_ms) for one in phases), 0)
    unmeasured = away + sum(row[2] for row in rows)
    worst, least = costs.costs[costs.dearest[0]], costs.costs[costs.cheapest[0]]
    kept = _without(sure, gap.give, costs.dearest)
    cut = gap.give - (sum(sure) - sum(kept))  # what is to be cut when the measured time is used up
    low = _cost(kept, costs) + max(unmeasured - cut, 0) * least
    high = _cost(most, costs) + (unmeasured + gap.give) * worst
    warm = _forbidden(rule.forbidden_centi, phases, gap, asof_ms, unmeasured)
    return Used(low, high, costs.whole, tuple(sure), unmeasured, warm)


def _bands(phase: Phase, costs: Costs, asof_ms: int) -> tuple[list[int], list[int], int]:
    """Of one stay: measured time by bands as it used most, as it used least, and the time not measured."""
    whole, assumed = length(phase, asof_ms), phase.assumed_ms
    counted = [ms for edge in costs.edges if (ms := beyond(phase, "above", edge)) is not None]
    if len(counted) < len(costs.edges) or assumed is None or phase.no_data_ms is None:
        nothing = [0] * len(costs.costs)
        return nothing, nothing, whole
    over = min(max(whole - phase.no_data_ms, *counted, 0), whole)
    known, bands = over, []
    for ms in counted:
        bands.append(max(over - ms, 0))
        over = min(ms, over)
    bands.append(over)
    sure, most = _without(bands, assumed, costs.dearest), _without(bands, assumed, costs.cheapest)
    return sure, most, whole - known + min(assumed, known)


def beyond(phase: Phase, side: str, edge: int) -> int | None:
    """Milliseconds above (or below) an edge as the stay says; None where that was not worked out."""
    said = phase.above if side == "above" else phase.below
    return None if said is None else said.get(edge)


def _without(bands: Sequence[int], ms: int, order: Iterable[int]) -> list[int]:
    """The time by bands when `ms` is taken out of it, from the first band of `order` on."""
    left = list(bands)
    if not ms:
        return left
    for band in order:
        taken = min(ms, left[band])
        left[band] -= taken
        ms -= taken
    return left


def _cost(bands: Sequence[int], costs: Costs) -> int:
    return sum(ms * cost for ms, cost in zip(bands, costs.costs, strict=True))


def _forbidden(
    edge: int | None, phases: Sequence[Phase], gap: Gap, asof_ms: int, unmeasured: int
) -> Answer | None:
    """Fail: it surely was warmer; pass: every moment was measured, and none was."""
    if edge is None:
        return None
    low = sum(sure_ms(one, "above", edge, asof_ms) for one in phases)
    high = sum(possible_ms(one, "above", edge, asof_ms) for one in phases)
    if low > gap.give:
        return "fail"
    return "cannot_tell" if high + unmeasured + gap.give > 0 else "pass"


def sure_ms(phase: Phase, side: str, edge: int, asof_ms: int) -> int:
    """Milliseconds surely on the wrong side: what was measured, without what a set point suggests."""
    counted = beyond(phase, side, edge)
    if counted is None or phase.assumed_ms is None:
        return 0
    return max(min(counted, length(phase, asof_ms)) - phase.assumed_ms, 0)


def possible_ms(phase: Phase, side: str, edge: int, asof_ms: int) -> int:
    """The most that it can have been: everything that was not measured may have been on the wrong side."""
    whole, counted = length(phase, asof_ms), beyond(phase, side, edge)
    if counted is None or phase.assumed_ms is None or phase.no_data_ms is None:
        return whole
    return min(whole, counted + phase.assumed_ms + phase.no_data_ms)
