"""thermal and phase: one test for each clause of their docstrings, and one slow, other way to count.

The oracle of the property tests walks the readings in steps of 50 ms with exact fractions and knows
nothing of tables. Source of the definitions: the module's own docstring (strict limits, half-open
stretches, straight lines up to the gap limit); no published table of times above a limit was found.
"""

from __future__ import annotations

import math
import time
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from custody.core.thermal import Series, Stretch, arrhenius, join, mean_kinetic_centi, summary

GAP = 15_000
STEP = 50
LIMITS = [-2000, 0, 400, 800]


@st.composite
def readings(draw):
    """Up to 14 readings 1 to 20 s apart: some pairs wider than the gap limit of 15 s, many at a limit."""
    steps = draw(st.lists(st.integers(1, 20), min_size=0, max_size=13))
    times = [1_700_000_000_000]
    for step in steps:
        times.append(times[-1] + step * 1000)
    value = st.one_of(st.sampled_from(LIMITS), st.integers(-3000, 1500))
    return times, draw(st.lists(value, min_size=len(times), max_size=len(times)))


def at(times, centi, moment):
    """The temperature at one moment, exactly, or None."""
    for (t, u), c, d in zip(pairwise(times), centi, centi[1:], strict=False):
        if t <= moment < u and u - t <= GAP:
            return c + Fraction(moment - t, u - t) * (d - c)
    return None


def walk(times, centi, a, b):
    return [at(times, centi, m + Fraction(STEP, 2)) for m in range(a, b, STEP)]


def longest(flags):
    best = run = 0
    for flag in flags:
        run = run + 1 if flag else 0
        best = max(best, run)
    return best * STEP


@given(readings(), st.integers(-10, 200), st.integers(0, 250))
@settings(deadline=None, max_examples=60)
def test_the_tables_agree_with_walking_in_small_steps(data, first, length):
    times, centi = data
    a = times[0] + first * 1000
    b = a + length * 1000
    found = summary(Series(times, centi, GAP), a, b, LIMITS)
    walked = walk(times, centi, a, b)
    known = [v for v in walked if v is not None]
    assert found.measured_ms == len(known) * STEP  # all readings are on whole seconds
    assert found.no_data_ms == (b - a) - found.measured_ms and found.assumed_ms == 0
    for limit in LIMITS if known else []:
        crossings = 2 * len(times) + 2
        assert abs(found.above[limit] - STEP * sum(v > limit for v in known)) <= crossings * STEP
        assert abs(found.below[limit] - STEP * sum(v < limit for v in known)) <= crossings * STEP
        # A touch of the limit ends an excursion but may fall between two steps: then the walk is longer.
        assert found.longest_above[limit] <= longest(v is not None and v > limit for v in walked) + 2 * STEP
        assert found.longest_above[limit] <= found.above[limit]


@given(readings(), st.integers(-10, 100), st.integers(0, 100), st.integers(0, 100))
@settings(deadline=None, max_examples=100)
def test_a_stretch_cut_in_two_gives_the_same_sums(data, first, one, two):
    times, centi = data
    series = Series(times, centi, GAP)
    a = times[0] + first * 777
    cuts = [a, a + one * 777, a + (one + two) * 777]

    def sums(x, y):
        return [
            float(v[0])
            for v in [
                series.measured(x, y), *(series.above(n, x, y) for n in LIMITS),
                *(series.below(n, x, y) for n in LIMITS),
            ]
        ]  # fmt: skip

    parts = [p + q for p, q in zip(sums(*cuts[:2]), sums(*cuts[1:]), strict=True)]
    assert sums(cuts[0], cuts[2]) == pytest.approx(parts, rel=1e-9, abs=1e-6)
    rates = [float(series.rate(x, y)[0]) for x, y in (cuts[:2], cuts[1:], (cuts[0], cuts[2]))]
    assert rates[2] == pytest.approx(rates[0] + rates[1], rel=1e-9, abs=0)  # tiny numbers: no slack
    whole = join("x", [Stretch(cuts[0], cuts[2], series)], LIMITS)
    split = join("x", [Stretch(cuts[0], cuts[1], series), Stretch(cuts[1], cuts[2], series)], LIMITS)
    assert whole.longest_above == split.longest_above
    assert (whole.min_centi, whole.max_centi) == (split.min_centi, split.max_centi)


@given(readings(), st.integers(-3000, 1500))
@settings(deadline=None, max_examples=60)
def test_time_above_falls_as_the_limit_rises_and_the_maximum_says_if_there_is_any(data, limit):
    times, centi = data
    series = Series(times, centi, GAP)
    low, high = (float(series.above(n, times[0], times[-1])[0]) for n in (limit, limit + 1))
    assert low >= high
    found = summary(series, times[0], times[-1] + 1, [limit])
    if found.measured_ms and all(u - t <= GAP for t, u in pairwise(times)):
        assert (found.max_centi > limit) == (float(series.above(limit, times[0], times[-1])[0]) > 0)


def test_a_reading_equal_to_the_limit_is_neither_above_nor_below_it():
    found = summary(Series([0, 1000, 2000], [800, 800, 800], 5000), 0, 2000, [800])
    assert found.above == {800: 0} and found.below == {800: 0} and found.measured_ms == 2000


def test_a_crossing_is_found_between_two_readings():
    found = summary(Series([0, 1000], [0, 1000], 5000), 0, 1000, [800])
    assert found.above == {800: 200} and found.below == {800: 800}  # 200 of 1,000 ms, by hand
    assert (found.min_centi, found.max_centi) == (0, 1000)


def test_edges_are_interpolated():
    found = summary(Series([0, 1000], [0, 1000], 5000), 250, 500, [])
    assert (found.min_centi, found.max_centi) == (250, 500)


def test_the_end_of_a_stretch_does_not_belong_to_it():
    series = Series([0, 1000, 9000], [0, 0, 900], 2000)  # the last reading stands after a gap
    assert summary(series, 0, 9000, []).max_centi == 0
    assert summary(series, 0, 9001, []).max_centi == 900


def test_a_pair_exactly_at_the_gap_limit_is_measured_and_one_millisecond_more_is_not():
    assert summary(Series([0, 1000], [0, 0], 1000), 0, 1000, []).measured_ms == 1000
    assert summary(Series([0, 1000], [0, 0], 999), 0, 1000, []).no_data_ms == 1000


def test_a_gap_ends_an_excursion():
    series = Series([0, 1000, 5000, 6500], [900, 900, 900, 900], 2000)
    found = summary(series, 0, 6500, [800])
    assert found.longest_above[800] == 1500 and found.above[800] == 2500 and found.no_data_ms == 4000
    first, second = series.excursions(800, 0, 6500)
    assert first.open_start and first.open_end and second.open_start and second.open_end


def test_touching_the_limit_ends_an_excursion():
    found = summary(Series([0, 1000, 2000], [900, 800, 900], 2000), 0, 2000, [800])
    assert found.above[800] == 2000 and found.longest_above[800] == 1000


def test_an_excursion_names_its_peak_and_its_crossings():
    (one,) = Series([0, 1000, 2000], [0, 1000, 0], 2000).excursions(500, 0, 2000)
    assert (one.start_ms, one.end_ms, one.peak_centi) == (500, 1500, 1000)
    assert not one.open_start and not one.open_end
    (cold,) = Series([0, 1000, 2000], [500, -500, 500], 2000).excursions_below(0, 0, 2000)
    assert (cold.start_ms, cold.end_ms, cold.peak_centi) == (500, 1500, -500)


def test_an_excursion_goes_on_across_a_move_from_one_warm_unit_to_the_next():
    warm = Series([0, 1000, 2000], [0, 900, 900], 2000)
    other = Series([1500, 2500, 3500], [850, 850, 0], 2000)
    found = join("cold", [Stretch(0, 2000, warm), Stretch(2000, 3500, other)], [800])
    first = 2000 - 1000 * 800 / 900
    second = 500 + 1000 * 50 / 850
    assert found.longest_above[800] == round(first + second)
    apart = join("cold", [Stretch(0, 2000, warm), Stretch(2001, 3500, other)], [800])
    assert apart.longest_above[800] == round(first)  # a moment nowhere ends it


def test_a_unit_that_is_still_cold_does_not_prolong_the_excursion_before_the_move():
    warm, cold = Series([0, 1000], [900, 900], 2000), Series([1000, 2000, 3000], [0, 0, 900], 2000)
    found = join("cold", [Stretch(0, 1000, warm), Stretch(1000, 3000, cold)], [800])
    assert found.longest_above[800] == 1000 and found.above[800] == 1000 + round(1000 / 9)


def test_an_excursion_goes_on_through_a_whole_warm_stay_and_through_an_assumed_one():
    warm = Series([0, 5000], [900, 900], 6000)
    three = [Stretch(0, 1000, warm), Stretch(1000, 2000, warm), Stretch(2000, 5000, None, 2000)]
    assert join("cold", three, [800]).longest_above[800] == 5000


def test_a_stay_of_which_nothing_is_known_ends_an_excursion():
    warm = Series([0, 5000], [900, 900], 6000)
    found = join("cold", [Stretch(0, 2000, warm), Stretch(2000, 3000), Stretch(3000, 5000, warm)], [800])
    assert found.longest_above[800] == 2000 and found.above[800] == 4000 and found.no_data_ms == 1000


def test_extremes_are_rounded_outward_and_noise_is_not():
    series = Series([0, 3000], [0, 1000], 3000)
    assert summary(series, 0, 1000, []).max_centi == 334  # 333.3
    assert summary(series, 2000, 3000, []).min_centi == 666  # 666.7
    assert summary(Series([0, 700], [0, 700], 900), 0, 400, []).max_centi == 400


def test_assumed_time_is_never_measured_and_stands_at_the_set_point():
    found = join("ambient", [Stretch(0, 5000, None, 2000)], [800, 2000])
    assert (found.measured_ms, found.assumed_ms, found.no_data_ms) == (0, 5000, 0)
    assert found.min_centi is None and found.max_centi is None and found.mean_kinetic_centi == 2000
    assert found.above == {800: 5000, 2000: 0} and found.longest_above[800] == 5000


def test_unknown_time_gives_no_numbers_at_all():
    found = join("frozen", [Stretch(0, 5000)], [800])
    assert found.no_data_ms == 5000 and found.above == {} and found.longest_above == {} and found.below == {}
    assert found.min_centi is None and found.mean_kinetic_centi is None


def test_a_silent_logger_proves_nothing():
    assert summary(Series([], [], 1000), 0, 5000, [0]).no_data_ms == 5000
    found = summary(Series([100], [-8000], 1000), 0, 5000, [0])
    assert found.no_data_ms == 5000 and found.above == found.below == found.longest_above == {}


def test_measured_assumed_and_unknown_make_up_the_phase():
    series = Series([0, 1000], [-8000, -8000], 2000)
    found = join(
        "frozen", [Stretch(0, 3000, series), Stretch(3000, 4000, None, -8000), Stretch(4000, 9000)], []
    )
    assert (found.measured_ms, found.assumed_ms, found.no_data_ms) == (1000, 1000, 7000)


def test_a_stretch_in_front_of_the_first_reading_is_no_data():
    assert summary(Series([1000, 2000], [0, 0], 2000), 0, 2000, []).no_data_ms == 1000


def test_a_cold_stretch_after_a_warm_year_keeps_its_mean_kinetic_temperature():
    """The cancellation trap: a difference of running sums answers -273.15 °C here."""
    times = np.arange(100_400, dtype=np.int64) * 300_000
    centi = np.where(np.arange(100_400) < 100_000, 2500, -18_500)
    found = summary(Series(times, centi, 900_000), int(times[100_100]), int(times[-1]), [])
    assert found.mean_kinetic_centi == -18_500


def test_mean_kinetic_temperature_is_never_below_the_mean():
    """exp(-B/T) is convex below B/2 = 5,000 K, so by Jensen's inequality it lies at or above the mean."""
    series = Series([0, 1000, 2000, 3000], [0, 2500, 400, 800], 2000)
    assert (
        mean_kinetic_centi(float(series.rate(0, 3000)[0]), 3000)
        > (0 + 2500) / 6 + (2500 + 400) / 6 + 1200 / 6
    )


def test_the_rate_agrees_with_the_trapezoid_written_out():
    times, centi = [0, 700, 1900, 2000], [-8000, 300, 2500, -19_600]
    rates = [math.exp(-10_000 / (c / 100 + 273.15)) for c in centi]
    plain = sum((u - t) * (p + q) / 2 for t, u, p, q in zip(times, times[1:], rates, rates[1:], strict=False))
    assert float(Series(times, centi, 2000).rate(0, 2000)[0]) == pytest.approx(plain, rel=1e-12)
    assert float(arrhenius(2500)) == pytest.approx(rates[2], rel=1e-12)


def test_range_tables_over_many_blocks_agree_with_slicing():
    rng = np.random.default_rng(7)
    times = np.cumsum(rng.integers(1, 4, 20_000)) * 1000
    centi = rng.integers(-9000, -6000, 20_000)
    series = Series(times, centi, 10_000)
    i = rng.integers(0, 19_000, 300)
    j = i + rng.integers(1, 900, 300)
    low, high = series.extremes(times[i], times[j])
    for k in range(300):
        assert low[k] == centi[i[k] : j[k] + 1].min() and high[k] == centi[i[k] : j[k] + 1].max()
    runs = series.runs(-7000, times[i], times[j]).longest
    for k in range(0, 300, 10):
        alone = Series(times[i[k] : j[k] + 1], centi[i[k] : j[k] + 1], 10_000)
        assert runs[k] == pytest.approx(
            max(e.end_ms - e.start_ms for e in alone.excursions(-7000, 0, 10**9)), abs=2
        )


def test_times_must_rise_and_stretches_must_run_forward():
    with pytest.raises(ValueError, match="order"):
        Series([0, 0], [1, 1], 10)
    with pytest.raises(ValueError, match="as many"):
        Series([0, 1], [1], 10)
    with pytest.raises(ValueError, match="ends before"):
        Series([0, 1], [1, 1], 10).measured(5, 4)
    with pytest.raises(ValueError, match="order"):
        join("x", [Stretch(5, 9), Stretch(0, 5)], [])
    with pytest.raises(ValueError, match="at least one"):
        join("x", [], [])


def test_ten_thousand_stretches_of_a_million_readings_take_seconds_not_hours():
    """A guard against a loop over readings creeping in, with room to spare for a busy machine."""
    times = np.arange(1_000_000, dtype=np.int64) * 300_000
    centi = np.random.default_rng(1).integers(-8300, -7000, 1_000_000)
    a = np.random.default_rng(2).integers(0, 200_000_000_000, 10_000)
    begun = time.perf_counter()
    found = Series(times, centi, 900_000).measure(a, a + 86_400_000 * 30, [-8000, -6000])
    assert time.perf_counter() - begun < 8
    assert len(found.ms) == 10_000 and float(found.above[-6000].max()) == 0
