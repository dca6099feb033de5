"""One test for each word that custody.core.thermal defines, and one for each consequence that it names.

Every expected value is worked out by hand beside it. Source of the words: the head of that file.
Times in ms (a second is 1000), temperatures in hundredths of a degree.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from custody.core import thermal
from custody.core.budget import Bands
from custody.core.spec import Spec
from custody.core.thermal import SENSOR_ERROR, Series, Stretch, join, mean_kinetic_centi, summary

GAP = 3000
THAWING = Spec(thaw=(-500, 0))


def one(values):
    """The only value of an answer about one stretch."""
    (value,) = values
    return float(value)


# --- the words ------------------------------------------------------------------------------------


def test_reading():
    """(t_i, x_i), strictly increasing t: whatever else is refused."""
    series = Series([0, 1000], [400, 500], GAP)
    assert series.times_ms.tolist() == [0, 1000] and series.centi.tolist() == [400, 500]
    for wrong in ([1000, 1000], [1000, 0]):
        with pytest.raises(ValueError, match="order"):
            Series(wrong, [400, 500], GAP)


def test_piece():
    """d <= G: a pair exactly at the gap limit is a piece, and each pair has the limit of its download."""
    assert one(Series([0, 3000], [0, 0], 3000).measured(0, 3000)) == 3000
    assert one(Series([0, 3001], [0, 0], 3000).measured(0, 3001)) == 0
    assert thermal.GAP_FACTOR == 3  # k
    two = Series([0, 3000, 6000], [0, 0, 0], [3000, 2999, 2999])
    assert one(two.measured(0, 6000)) == 3000


def test_no_data():
    """Wide pairs, before the first and after the last reading, and around a sensor error."""
    series = Series([10_000, 12_000, 20_000, 21_000], [400] * 4, GAP)
    assert series.gaps(5000, 25_000) == [(5000, 10_000), (12_000, 20_000), (21_000, 25_000)]
    low, high = series.extremes([0, 13_000, 22_000], [9000, 19_000, 25_000])
    assert np.isnan(low).all() and np.isnan(high).all()
    error = Series([0, 1000, 2000, 3000], [400, SENSOR_ERROR, 400, 400], GAP)
    assert error.gaps(0, 3000) == [(0, 2000)] and one(error.extremes(0, 3000)[0]) == 400


def test_linear():
    """x_i + (t - t_i)/d (x_i+1 - x_i): at a quarter of 0 to 1000 it is 250, at three quarters 750."""
    found = summary(Series([0, 2000], [0, 1000], GAP), 500, 1500, [])
    assert (found.min_centi, found.max_centi) == (250, 750)


def test_step():
    """x_i on [t_i, t_i+1), and the last reading covers no time."""
    series = Series([0, 1000, 3000], [900, 100, 900], GAP, step=True)
    found = summary(series, 0, 4000, [800])
    assert (found.above[800], found.below[800]) == (1000, 2000)  # 900 for 1 s, then 100 for 2 s
    assert (found.measured_ms, found.no_data_ms) == (3000, 1000)
    assert (found.min_centi, found.max_centi) == (100, 900)
    inside = summary(series, 200, 700, [800])
    assert inside.above[800] == 500 and (inside.min_centi, inside.max_centi) == (900, 900)
    rate = one(series.rate(0, 3000))
    assert rate == pytest.approx(1000 * math.exp(-1e4 / 282.15) + 2000 * math.exp(-1e4 / 274.15), rel=1e-12)
    assert found.mkt_method == thermal.HELD != thermal.TRAPEZOID


def test_a_step_ends_an_excursion_where_the_next_reading_stands_and_a_gap_leaves_it_open():
    series = Series([0, 1000, 2000, 9000, 10_000], [900, 100, 900, 900, 100], GAP, step=True)
    first, second = series.excursions(800, 0, 10_000)
    assert (first.start_ms, first.end_ms, first.open_start, first.open_end) == (0, 1000, True, False)
    assert (second.start_ms, second.end_ms, second.open_start, second.open_end) == (9000, 10_000, True, False)
    ends = Series([0, 1000, 2000, 9000], [100, 900, 900, 900], GAP, step=True).excursions(800, 0, 9000)
    assert [(e.start_ms, e.end_ms, e.open_start, e.open_end) for e in ends] == [(1000, 2000, False, True)]


def test_covered():
    """Pieces inside [a, b): 500 to 2000 of the first, nothing of the gap, 9000 to 9500 of the last."""
    assert one(Series([0, 2000, 9000, 10_000], [0] * 4, GAP).measured(500, 9500)) == 1500 + 500


def test_no_data_time():
    """(b - a) - measured - assumed = 10 s - 2 s - 3 s."""
    stretches = [Stretch(0, 7000, Series([0, 2000], [400, 400], GAP)), Stretch(7000, 10_000, None, 400)]
    found = join("cold", stretches, [])
    assert (found.measured_ms, found.assumed_ms, found.no_data_ms) == (2000, 3000, 5000)
    assert found.coverage == 0.2
    assert join("cold", [Stretch(5, 5, None, 400)], []).coverage == 0


def test_crossing_time():
    """t_i + d (th - x_i)/(x_i+1 - x_i) = 1000 + 2000 * (800 - 600)/(1100 - 600) = 1800."""
    series = Series([1000, 3000], [600, 1100], GAP)
    (warm,) = series.excursions(800, 0, 5000)
    assert (warm.start_ms, warm.end_ms, warm.open_start, warm.open_end) == (1800, 3000, False, True)
    assert series.excursions(1100, 0, 5000) == []  # both on one side or at it: no crossing


def test_time_above():
    """Strict: 600 to 1000 crosses 800 half way; at exactly 800 it is not above."""
    series = Series([0, 1000, 2000, 3000], [600, 1000, 800, 800], GAP)
    assert one(series.above(800, 0, 3000)) == 500 + 1000
    assert one(series.above(800, 2000, 3000)) == 0


def test_time_below():
    """The mirror. above + below + at + no data + assumed = the phase."""
    series = Series([0, 1000, 2000, 3000], [600, 1000, 800, 800], GAP)
    assert one(series.below(800, 0, 3000)) == 500
    found = join("x", [Stretch(0, 3500, series), Stretch(3500, 4000, None, 800)], [800])
    at = 1000  # the last piece
    assert found.above[800] + found.below[800] + at + found.no_data_ms + found.assumed_ms == 4000


def test_inclusive_rule():
    """Half of the stored step: a logger that sits at exactly 8.00 is at or above it, and at or below it."""
    series = Series([0, 1000, 2000, 3000], [800, 800, 700, 800], GAP)
    assert one(series.above(800, 0, 3000)) == 0
    # at 799.5 of the line from 800 to 700 it is 5 ms past the reading, and 5 ms before the next
    assert one(series.above(800, 0, 3000, inclusive=True)) == pytest.approx(1000 + 5 + 5)
    assert one(series.below(800, 0, 3000, inclusive=True)) == 3000
    assert one(series.below(700, 0, 3000)) == 0
    assert one(series.below(700, 0, 3000, inclusive=True)) == pytest.approx(5 + 5)
    found = summary(series, 0, 3000, Spec((800,), inclusive=True))
    assert (found.above, found.at_or_above, found.at_or_below) == ({800: 0}, {800: 1010}, {800: 3000})
    assert (found.longest_at_or_above, found.longest_at_or_below) == ({800: 1005}, {800: 3000})
    assert summary(series, 0, 3000, [800]).at_or_above == {}  # only when asked
    runs = series.runs(800, 0, 3000, inclusive=True)
    assert one(runs.count) == 2 and one(series.runs(800, 0, 3000).count) == 0
    assert len(series.excursions(800, 0, 3000, inclusive=True)) == 2
    assert len(series.excursions_below(700, 0, 3000, inclusive=True)) == 1


def test_min_max():
    """Readings in [a, b) and the lines cut at a and b; a single reading between two gaps counts too."""
    series = Series([0, 1000, 9000, 20_000], [0, 400, 5000, 0], GAP)
    found = summary(series, 250, 10_000, [])
    assert (found.min_centi, found.max_centi, found.measured_ms) == (100, 5000, 750)
    assert summary(series, 250, 9000, []).max_centi == 400  # b does not belong to it


def test_excursion():
    """Touching ends it; a gap ends it and leaves it open; the phase cuts it."""
    series = Series([0, 1000, 2000, 3000, 9000, 10_000], [900, 800, 900, 900, 900, 700], GAP)
    found = series.excursions(800, 500, 10_000)
    assert [(e.start_ms, e.end_ms) for e in found] == [(500, 1000), (1000, 3000), (9000, 9500)]
    assert [(e.open_start, e.open_end) for e in found] == [(True, False), (False, True), (True, False)]
    assert [e.peak_centi for e in found] == [850, 900, 900]
    said = summary(series, 500, 10_000, [800])
    assert said.excursions_above == {800: 3} and said.longest_above == {800: 2000}
    assert said.longest_above_open == {800: True}
    assert said.excursions_below == {800: 1} and said.longest_below == {800: 500}
    assert said.longest_below_open == {800: True}  # it ends with the data


def test_only_the_longest_excursion_says_whether_the_longest_is_open():
    """2 s between two crossings; then half a second that ends at a gap."""
    series = Series(
        [0, 1000, 2000, 3000, 4000, 9000, 10_000], [700, 900, 900, 700, 900, 700, 700], GAP
    )  # above from 500 to 2500, and from 3500 to the gap at 4000
    found = summary(series, 0, 10_000, [800])
    assert (found.longest_above, found.longest_above_open) == ({800: 2000}, {800: False})
    later = summary(series, 2600, 10_000, [800])
    assert (later.longest_above, later.longest_above_open) == ({800: 500}, {800: True})


def test_longest_excursion_joins_across_a_move():
    """1 s warm in one unit, 2 s in the next: one excursion of 3 s, closed on both sides."""
    here = Series([0, 1000, 2000], [700, 900, 900], GAP)
    there = Series([1500, 3500, 4500], [900, 900, 700], GAP)
    found = join("cold", [Stretch(0, 2000, here), Stretch(2000, 4500, there)], [800])
    assert found.longest_above == {800: 500 + 1000 + 1500 + 500} and found.excursions_above == {800: 1}
    assert found.longest_above_open == {800: False} and found.above == {800: 3500}
    cold = Series([1500, 3500, 4500], [700, 700, 700], GAP)
    apart = join("cold", [Stretch(0, 2000, here), Stretch(2000, 4500, cold)], [800])
    assert apart.longest_above == {800: 1500} and apart.longest_above_open == {800: False}
    unknown = join("cold", [Stretch(0, 2000, here), Stretch(2000, 4500)], [800])
    assert unknown.longest_above == {800: 1500} and unknown.longest_above_open == {800: True}
    late = Series([2500, 3500, 4500], [900, 900, 700], GAP)
    waits = join("cold", [Stretch(0, 2000, here), Stretch(2000, 4500, late)], [800])
    assert waits.excursions_above == {800: 2} and waits.longest_above_open == {800: True}
    cold_late = Series([2500, 3500, 4500], [700, 700, 700], GAP)
    waits = join("cold", [Stretch(0, 2000, here), Stretch(2000, 4500, cold_late)], [800])
    assert waits.excursions_above == {800: 1} and waits.longest_above_open == {800: True}
    short = Series([2500, 3500, 4000, 4500], [700, 700, 900, 700], GAP)  # above for 500 ms, later
    waits = join("cold", [Stretch(0, 2000, here), Stretch(2000, 4500, short)], [800])
    assert waits.longest_above == {800: 1500} and waits.longest_above_open == {800: True}


def test_a_move_at_the_very_moment_of_a_crossing_joins_nothing():
    """At the moment of the move one of the two units stands exactly at the limit: touching it ends it."""
    warm = Series([0, 1000], [900, 900], GAP)
    rising = Series([0, 1000, 2000], [700, 900, 900], GAP)  # at 800 after 500 ms
    falling = Series([0, 1000], [900, 700], GAP)  # at 800 after 500 ms
    up = join("x", [Stretch(0, 500, warm), Stretch(500, 2000, rising)], [800])
    assert (up.excursions_above, up.longest_above) == ({800: 2}, {800: 1500})
    down = join("x", [Stretch(0, 500, falling), Stretch(500, 1000, warm)], [800])
    assert (down.excursions_above, down.longest_above) == ({800: 2}, {800: 500})
    assert one(rising.runs(800, 500, 2000).lead_in) == 0 == one(falling.runs(800, 0, 500).run_out)
    assert one(rising.runs(800, 501, 2000).lead_in) == 1499 and one(falling.runs(800, 0, 499).run_out) == 499


def test_longest_below_joins_across_a_move_too():
    here, there = Series([0, 2000], [-100, -100], GAP), Series([2000, 4000], [-100, 100], GAP)
    found = join("cold", [Stretch(0, 2000, here), Stretch(2000, 4000, there)], [0])
    assert found.longest_below == {0: 3000} and found.excursions_below == {0: 1}


def test_mean_kinetic_temperature():
    """1 h at 20 and 1 h at 30 °C, held: the mean of exp(-10000/293.15) and exp(-10000/303.15), and back."""
    held = Series([0, 3_600_000, 7_200_000], [2000, 3000, 3000], 3_600_000, step=True)
    mean = (math.exp(-10_000 / 293.15) + math.exp(-10_000 / 303.15)) / 2
    by_hand = (10_000 / -math.log(mean) - 273.15) * 100
    assert summary(held, 0, 7_200_000, []).mean_kinetic_centi == round(by_hand) == 2626
    assert thermal.mean_kinetic_centi(2 * mean, 2) == pytest.approx(by_hand, abs=1e-9)
    line = Series([0, 3_600_000], [2000, 3000], 3_600_000)  # the trapezoid on the rate has the same mean
    found = summary(line, 0, 3_600_000, [])
    assert found.mean_kinetic_centi == 2626 and found.mkt_method == "trapezoid on the rate"
    both = join("x", [Stretch(0, 3_600_000, line), Stretch(3_600_000, 7_200_000, held)], [])
    assert both.mkt_method == "trapezoid on the rate and rate of held readings"


def test_the_plain_mean_of_readings_counts_each_reading_once_whatever_time_it_stands_for():
    series = Series([0, 1000, 60_000], [2000, 3000, 3000], GAP)
    (found, none) = series.mean_kinetic_of_readings([0, 5000], [60_001, 6000])
    rates = [math.exp(-10_000 / k) for k in (293.15, 303.15, 303.15)]
    assert found == pytest.approx((10_000 / -math.log(sum(rates) / 3) - 273.15) * 100, abs=1e-9)
    assert none is None
    assert found != pytest.approx(mean_kinetic_centi(one(series.rate(0, 60_001)), 1000), abs=1)
    assert Series([], [], GAP).mean_kinetic_of_readings(0, 5) == [None]


def test_thaw_cycle():
    """Thawed at collection: freezing is none. Then 1 °C, -2 °C (between the two: no change), -10, 1: two."""
    times = list(range(0, 9000, 1000))
    values = [2000, -8000, -8000, 100, -200, -1000, 100, 100, -8000]
    found = summary(Series(times, values, GAP), 0, 8001, THAWING)
    assert (found.thaws, found.frozen_after, found.thaws_unsure) == (2, True, True)  # 1 ms has no data
    assert not summary(Series(times, values, GAP), 0, 8000, THAWING).thaws_unsure
    warm = summary(Series([0, 1000], [-400, -1], GAP), 0, 1000, THAWING)
    assert (warm.thaws, warm.frozen_after) == (0, False)  # never certain: it keeps the state it came with
    came = Spec(thaw=(-500, 0), starts_frozen=True)
    assert summary(Series([0, 1000], [0, 1], GAP), 0, 1000, came).thaws == 1
    assert summary(Series([0, 1000], [0, 0], GAP), 0, 1000, came).thaws == 0  # at the threshold: not above
    with pytest.raises(ValueError, match="freezes"):
        Spec(thaw=(0, 0))


def test_thaw_state_is_the_samples_own_and_goes_with_it_from_unit_to_unit():
    """Frozen in one unit, seen at -3 °C in the next (no change), thawed in the third: one cycle, there."""
    cold, cool = Series([0, 1000], [-8000, -8000], GAP), Series([1000, 2000], [-300, -300], GAP)
    warm = Series([2000, 3000], [500, 500], GAP)
    three = [Stretch(0, 1000, cold), Stretch(1000, 2000, cool), Stretch(2000, 3000, warm)]
    assert join("x", three, THAWING).thaws == 1
    assert join("x", three[1:], THAWING).thaws == 0  # it never was frozen
    assumed = [Stretch(0, 1000, None, -8000), Stretch(1000, 2000, None, 2000)]
    found = join("x", assumed, THAWING)
    assert (found.thaws, found.frozen_after, found.thaws_unsure) == (1, False, False)


def test_time_without_data_keeps_the_state_and_sets_a_flag():
    cold, warm = Series([0, 1000], [-8000, -8000], GAP), Series([5000, 6000], [500, 500], GAP)
    found = join("x", [Stretch(0, 1000, cold), Stretch(1000, 5000), Stretch(5000, 6000, warm)], THAWING)
    assert (found.thaws, found.frozen_after, found.thaws_unsure) == (1, False, True)
    silent = join("x", [Stretch(0, 1000, cold), Stretch(1000, 5000)], THAWING)
    assert (silent.thaws, silent.frozen_after, silent.thaws_unsure) == (0, True, True)
    lone = Series([0, 1000, 10_000, 20_000], [-8000, -8000, 500, -8000], GAP)  # an instant is enough
    assert summary(lone, 0, 20_000, THAWING).thaws == 1


def test_stability_used():
    """1 h of 10 h at or below 8 °C, 2 h of 4 h above it: 0.1 + 0.5. At 8 °C it is still the colder band."""
    hour = 3_600_000
    series = Series([0, hour, hour + 1, 3 * hour + 1], [800, 800, 900, 900], 2 * hour)
    bands = Bands((800,), (10 * hour, 4 * hour))
    used = summary(series, 0, 3 * hour + 1, Spec(bands=bands)).stability_used
    assert used == pytest.approx(0.6, abs=1e-6)
    free = Bands((800, 2500), (math.inf, 4 * hour, hour))
    assert summary(series, 0, 3 * hour + 1, Spec(bands=free)).stability_used == pytest.approx(0.5, abs=1e-6)
    assumed = [Stretch(0, hour, None, 800), Stretch(hour, 2 * hour, None, 3000)]
    assert join("x", assumed, Spec(bands=free)).stability_used == pytest.approx(0 + 1)
    assert join("x", [Stretch(0, hour)], Spec(bands=free)).stability_used is None


@pytest.mark.parametrize(
    ("edges", "limits", "words"),
    [((800,), (10, 0), "forbidden"), ((800,), (10,), "one limit more"), ((8, 8), (1, 1, 1), "rise"),
     ((800,), (math.nan, 1), "forbidden")],
)  # fmt: skip
def test_a_budget_that_contradicts_itself_cannot_exist(edges, limits, words):
    with pytest.raises(ValueError, match=words):
        Bands(edges, limits)


def test_a_forbidden_band_is_a_yes_or_no_of_its_own():
    spec = Spec(bands=Bands((800,), (math.inf, 1e6), forbidden_centi=2500))
    warm, cold = Series([0, 1000], [2400, 2600], GAP), Series([0, 1000], [2400, 2500], GAP)
    assert summary(warm, 0, 1000, spec).forbidden is True
    assert summary(cold, 0, 1000, spec).forbidden is False
    assert summary(cold, 0, 2000, spec).forbidden is None  # not everything was seen
    assert join("x", [Stretch(0, 9, None, 2600)], spec).forbidden is True
    assert summary(cold, 0, 1000, Spec()).forbidden is None


def test_gap_treatment():
    """4 s measured at 400, 4 s of silence, 2 s measured at 900. Set point 500, limit 800."""
    series = Series([0, 2000, 4000, 8000, 10_000], [400, 400, 400, 900, 900], GAP)
    stretch = [Stretch(0, 10_000, series, 500)]
    bands = Bands((800,), (10_000, 4000))
    ask = {
        how: join("x", stretch, Spec((800,), bands=bands, gaps=how))
        for how in ("exclude", "worst", "nominal")
    }
    exclude, worst, nominal = ask.values()
    assert (exclude.above[800], exclude.below[800], exclude.no_data_ms, exclude.assumed_ms) == (
        2000,
        4000,
        4000,
        0,
    )
    assert exclude.stability_used == pytest.approx(0.4 + 0.5) and exclude.coverage == 0.6
    # each gap as warm as can be for time above, as cold as can be for time below, and still no data
    assert (worst.above[800], worst.below[800], worst.no_data_ms) == (6000, 8000, 4000)
    assert worst.longest_above == {800: 6000} and worst.longest_below == {800: 8000}
    assert worst.stability_used == pytest.approx(0.4 + 0.5 + 1.0) and worst.coverage == 0.6
    assert (worst.min_centi, worst.max_centi) == (400, 900)
    assert worst.mean_kinetic_centi == exclude.mean_kinetic_centi
    assert (nominal.above[800], nominal.below[800], nominal.no_data_ms, nominal.assumed_ms) == (
        2000,
        8000,
        0,
        4000,
    )
    assert nominal.stability_used == pytest.approx(0.8 + 0.5) and nominal.coverage == 0.6
    assert [one.gaps for one in ask.values()] == ["exclude", "worst", "nominal"]
    nobody = join("x", [Stretch(0, 10_000, series)], Spec((800,), gaps="nominal"))
    assert (nobody.assumed_ms, nobody.no_data_ms) == (0, 4000)  # no set point: nothing to take it for
    with pytest.raises(ValueError, match="cannot count"):
        Spec(gaps="ignore")


def test_gap_treatment_of_thaws_and_of_a_reading_between_two_gaps():
    """Frozen; a gap from 1 s to 9 s with one reading of -8000 at 5 s; frozen."""
    series = Series([0, 1000, 5000, 9000, 10_000], [-8000] * 5, GAP)

    def asked(how, nominal=None):
        return join("x", [Stretch(0, 10_000, series, nominal)], Spec(thaw=(-500, 0), gaps=how))

    assert (asked("exclude").thaws, asked("exclude").thaws_unsure) == (0, True)
    assert (asked("worst").thaws, asked("worst").thaws_unsure) == (2, True)  # once in each half of the gap
    assert (asked("nominal", -8000).thaws, asked("nominal", -8000).thaws_unsure) == (0, False)
    assert asked("nominal", 400).thaws == 2
    never = join("x", [Stretch(0, 10_000)], Spec((800,), thaw=(-500, 0), gaps="worst"))
    assert never.above == never.longest_above == {800: 10_000} and never.frozen_after is False


# --- the consequences -----------------------------------------------------------------------------


@st.composite
def serieses(draw, step=None):
    n = draw(st.integers(1, 12))
    steps = draw(st.lists(st.integers(1, 6000), min_size=n - 1, max_size=n - 1))
    times = np.cumsum([1_700_000_000_000, *steps])
    value = st.one_of(st.sampled_from([-500, 0, 800]), st.integers(-2000, 1500))
    centi = draw(st.lists(value, min_size=n, max_size=n))
    return times, np.array(centi), draw(st.booleans()) if step is None else step


FULL = Spec((-500, 0, 800), inclusive=True, thaw=(-500, 0), bands=Bands((0, 800), (math.inf, 1e6, 1e5)))


@given(serieses(), st.lists(st.integers(-3000, 2000), min_size=2, max_size=6))
@settings(deadline=None, max_examples=60)
def test_time_above_falls_as_the_limit_rises(data, limits):
    times, centi, step = data
    series = Series(times, centi, GAP, step=step)
    above = [one(series.above(limit, times[0], times[-1])) for limit in sorted(limits)]
    assert all(x >= y - 1e-6 for x, y in pairwise(above))


@given(serieses(), st.lists(st.one_of(st.integers(-2000, 60_000), st.floats(0, 1)), min_size=3, max_size=3))
@settings(deadline=None, max_examples=150)
def test_every_time_integral_of_a_stretch_is_that_of_its_two_parts(data, ends):
    """Cut anywhere, or just at a reading (a share of the way through them), where a limit may be touched."""
    times, centi, step = data
    series = Series(times, centi, GAP, step=step)
    a, c, b = sorted(
        int(times[int(end * (len(times) - 1))] if isinstance(end, float) else times[0] + end) for end in ends
    )
    found = series.measure([a, c, a], [c, b, b], FULL)
    sums = [found.ms, *(runs.ms for runs in found.runs.values())]
    sums.append(FULL.bands.used(found.ms, lambda edge: found.above_bands[edge]))
    for left, right, whole in sums:
        assert left + right == pytest.approx(whole, rel=1e-9, abs=1e-6)
    assert found.rate[0] + found.rate[1] == pytest.approx(found.rate[2], rel=1e-9, abs=0)
    parts = [Stretch(x, y, series) for x, y in ((a, c), (c, b))]
    cut, whole = join("x", parts, FULL), summary(series, a, b, FULL, "x")
    if a < c < b:
        assert (cut.thaws, cut.frozen_after, cut.excursions_above) == (
            whole.thaws, whole.frozen_after, whole.excursions_above,
        )  # fmt: skip
        assert (cut.longest_above, cut.longest_above_open) == (whole.longest_above, whole.longest_above_open)


@given(serieses(step=False), st.integers(0, 10), st.integers(1, 99))
@settings(deadline=None, max_examples=60)
def test_a_collinear_reading_changes_nothing_but_moves_the_trapezoid_down(data, place, percent):
    times, centi, _ = data
    assume(len(times) > 1)
    times, centi = times * 100, centi * 100  # so that a hundredth of the way is a whole number
    k = place % (len(times) - 1)
    assume(times[k + 1] - times[k] <= GAP * 100)
    new = times[k] + (times[k + 1] - times[k]) * percent // 100
    value = centi[k] + (centi[k + 1] - centi[k]) * percent // 100
    before = Series(times, centi, GAP * 100)
    after = Series(np.insert(times, k + 1, new), np.insert(centi, k + 1, value), GAP * 100)
    a, b = times[0], times[-1]
    for limit in (-50_000, 3, 80_000):
        assert one(before.above(limit, a, b)) == pytest.approx(one(after.above(limit, a, b)), abs=1e-5)
        if limit not in centi:  # a reading at the limit may lie on a level line, which it does not end
            was, now = (one(series.runs(limit, a, b).longest) for series in (before, after))
            assert was == pytest.approx(now, abs=1e-5)
    assert [one(x) for x in before.extremes(a, b)] == [one(x) for x in after.extremes(a, b)]


def test_a_collinear_reading_moves_the_trapezoid_down_towards_the_exact_value():
    """From 0 to 30 °C in an hour. Exact by Simpson's rule on 1,000 parts of the line."""
    hour = 3_600_000
    coarse = one(Series([0, hour], [0, 3000], hour).rate(0, hour))
    finer = one(Series([0, hour // 2, hour], [0, 1500, 3000], hour).rate(0, hour))
    f = [math.exp(-10_000 / (273.15 + 30 * k / 1000)) for k in range(1001)]
    exact = hour / 3000 * (f[0] + f[-1] + 4 * sum(f[1:-1:2]) + 2 * sum(f[2:-1:2]))
    assert coarse > finer > exact


@given(serieses(), st.integers(-(10**12), 10**11))
@settings(deadline=None, max_examples=60)
def test_shifting_all_times_changes_nothing(data, shift):
    times, centi, step = data
    a, b = int(times[0]) - 500, int(times[-1]) + 500
    here = summary(Series(times, centi, GAP, step=step), a, b, FULL)
    there = summary(Series(times + shift, centi, GAP, step=step), a + shift, b + shift, FULL)
    assert vars(here) | {"start_ms": 0, "end_ms": 0} == vars(there) | {"start_ms": 0, "end_ms": 0}
