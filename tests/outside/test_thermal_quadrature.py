"""Every number of custody.core.thermal against a walk with scipy (tests/outside/walked.py), to 1e-6.

Random series, fixed seeds: 2 to 60 readings one to fifteen minutes apart with gaps, -196 to 60 °C, many
exactly at a limit, read as lines and as steps; stretches with whole millisecond ends, some in front of the
first reading and some after the last.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from custody.core.budget import Bands
from custody.core.spec import Spec
from custody.core.thermal import Series, Stretch, join, summary
from tests.outside.walked import Walk

MINUTE = 60_000
GAP = 15 * MINUTE
LIMITS = [800, -2000, -6000, -13_200]
EDGES, BEARS = [-13_200, -6000, -2000, 800], [math.inf, 9e8, 5e7, 4e6, 3e5]
THAW = (-500, 0)
SPEC = Spec(tuple(LIMITS), inclusive=True, thaw=THAW, bands=Bands(tuple(EDGES), tuple(BEARS)))
SEEDS = range(40)


def made(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 60))
    steps = np.where(
        rng.random(n) < 0.12, rng.integers(GAP + 1, 4 * GAP, n), rng.integers(MINUTE, GAP + 1, n)
    )
    times = 1_760_000_000_000 + np.cumsum(steps)
    held = rng.choice([*LIMITS, *THAW], n)
    free = rng.integers(-19_600, 6001, n)
    near = np.clip(np.cumsum(rng.integers(-900, 901, n)), -19_600, 6000)
    kind = rng.random(n)
    centi = np.where(kind < 0.25, held, np.where(kind < 0.6, free, near))
    queries = [np.sort(rng.integers(times[0] - GAP, times[-1] + GAP, 2)) for _ in range(5)]
    queries += [np.sort(rng.choice(times, 2)), np.array([times[0], times[-1]])]
    return times, centi, [(int(a), int(b)) for a, b in queries], bool(rng.integers(2))


CASES = [(seed, step) for seed in SEEDS for step in (False, True)]


@pytest.mark.parametrize(("seed", "step"), CASES)
def test_every_number_agrees_with_the_walk(seed, step):
    times, centi, queries, frozen = made(seed)
    series, walk = Series(times, centi, GAP, step=step), Walk(times, centi, GAP, step)
    a, b = np.array(queries).T
    found = series.measure(a, b, SPEC)
    cycles, after = found.thaws.of(frozen)
    for k, (x, y) in enumerate(queries):
        covered = walk.covered(x, y)
        assert found.ms[k] == covered
        assert (found.low[k], found.high[k]) == pytest.approx(walk.extremes(x, y), rel=1e-6, nan_ok=True)
        assert (int(cycles[k]), bool(after[k])) == walk.thaws(x, y, *THAW, frozen)
        used = SPEC.bands.used(found.ms[k], lambda edge, k=k: found.above_bands[edge][k])
        assert used == pytest.approx(walk.used(x, y, EDGES, BEARS), rel=1e-6, abs=1e-9)
        assert found.rate[k] == pytest.approx(walk.trapezoid(x, y), rel=1e-6, abs=0)


@pytest.mark.parametrize(("seed", "step"), CASES)
def test_times_and_excursions_agree_with_the_walk_on_both_sides_of_every_limit(seed, step):
    times, centi, queries, _ = made(seed)
    series = Series(times, centi, GAP, step=step)
    a, b = np.array(queries).T
    runs = series.measure(a, b, SPEC).runs
    assert len(runs) == 4 * len(LIMITS)
    for edge, found in runs.items():
        # below a limit is above its negative: the walk looks up only
        sign = 1 if edge.side == "above" else -1
        walk, limit = Walk(times, sign * centi, GAP, step), sign * edge.centi - 0.5 * edge.inclusive
        for k, (x, y) in enumerate(queries):
            walked = walk.runs(x, y, limit)
            assert found.ms[k] == pytest.approx(walk.above(x, y, limit), rel=1e-6, abs=1e-3)
            assert found.longest[k] == pytest.approx(max(walked, default=0), rel=1e-6, abs=1e-3)
            assert found.count[k] == len(walked)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_trapezoid_on_the_rate_is_never_below_the_exact_integral(seed):
    times, centi, queries, _ = made(seed)
    series, walk = Series(times, centi, GAP), Walk(times, centi, GAP)
    for x, y in queries:
        whole = [t for t in times if x <= t < y]  # between readings the trapezoid's chord is cut, not redrawn
        if len(whole) > 1:
            ours = float(series.rate(whole[0], whole[-1])[0])
            assert ours >= walk.exact(whole[0], whole[-1]) * (1 - 1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_fine_readings_bring_the_trapezoid_to_the_exact_integral(seed):
    """A straight line of temperature read every 1/4000 of it: what is left is the rounding to hundredths."""
    rng = np.random.default_rng(seed)
    low, high = sorted(int(v) for v in rng.integers(-100, 50, 2))
    span = 4000 * MINUTE
    times = np.arange(4001) * MINUTE
    centi = low * 100 + (high - low) * 100 * np.arange(4001) // 4000
    ours = float(Series(times, centi, GAP).rate(0, span)[0])
    assert ours == pytest.approx(Walk([0, span], [low * 100, high * 100], span).exact(0, span), rel=2e-3)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_life_over_several_units_agrees_with_one_walk_through_all_of_them(seed):
    """Three loggers read the same air at the same moments: three stays are one stay."""
    times, centi, _, frozen = made(seed)
    spec = Spec(tuple(LIMITS), thaw=THAW, bands=SPEC.bands, starts_frozen=frozen)
    start, end = int(times[0]) - 5, int(times[-1]) + 5
    cuts = sorted(np.random.default_rng(seed + 99).integers(start, end, 2).tolist())
    series = [Series(times, centi, GAP) for _ in range(3)]
    stays = [(start, cuts[0]), (cuts[0], cuts[1]), (cuts[1], end)]
    moved = join("x", [Stretch(a, b, one) for (a, b), one in zip(stays, series, strict=True)], spec)
    stayed = summary(series[0], start, end, spec, "x")
    walk = Walk(times, centi, GAP)
    assert (moved.thaws, moved.frozen_after) == walk.thaws(start, end, *THAW, frozen)
    assert moved.measured_ms == walk.covered(start, end)
    for limit in LIMITS if stayed.measured_ms else []:
        walked = walk.runs(start, end, limit)
        assert abs(moved.longest_above[limit] - max(walked, default=0)) <= 1
        assert moved.excursions_above[limit] == len(walked)
        assert moved.longest_above_open == stayed.longest_above_open
        assert moved.longest_below_open == stayed.longest_below_open
    assert moved.stability_used == pytest.approx(stayed.stability_used, rel=1e-9)
