"""The warming curve: which readings, what range, and when nothing is said. Newton's law is school physics;
the fit itself is held to scipy and to published measurements in tests/outside/test_cooling.py."""

from __future__ import annotations

import math
import random

import pytest

from biobank.core.warmup import AHEAD_MS, HOUR, fit, thinned, warming

MIN = 60_000


def curve(n, every=5 * MIN, tau_h=5.0, start=-80.0, room=20.0, noise=0.0, seed=1):
    """Readings of a body that warms in a room."""
    chance = random.Random(seed)
    return [
        (at, round(100 * (room - (room - start) * math.exp(-at / HOUR / tau_h) + chance.gauss(0, noise))))
        for at in range(0, n * every, every)
    ]


def when(limit, tau_h=5.0, start=-80.0, room=20.0):
    """The moment by the law itself, ms."""
    return tau_h * HOUR * math.log((room - start) / (room - limit))


# which readings -----------------------------------------------------------------------------------


def test_the_plateau_before_the_failure_is_left_out():
    quiet = [(k * 5 * MIN, -8000 + (k % 3) * 20) for k in range(-60, 0)]
    rise = [(at, centi) for at, centi in curve(12)]
    used = warming([*quiet, *rise])
    assert used[0][0] in range(-10 * MIN, 5 * MIN + 1)
    assert used[-1] == rise[-1]


def test_what_was_warmer_before_ends_it():
    door = [(-20 * MIN, -6000), (-15 * MIN, -7000), (-10 * MIN, -7600), (-5 * MIN, -7900)]
    assert warming([*door, *curve(8)])[0][0] >= -5 * MIN


def test_less_than_a_degree_is_no_warming_and_a_fall_ends_it():
    assert warming([(0, -8000), (1, -7950), (2, -7901)]) == []
    assert warming([(0, -8000), (1, -7950), (2, -7900)]) != []
    assert warming([*curve(12), (12 * 5 * MIN, -7900)]) == [], "it gets colder again"
    assert warming([]) == []


def test_readings_before_the_failure_was_said_do_not_count():
    assert warming(curve(12), 20 * MIN)[0][0] >= 20 * MIN
    assert warming(curve(12), 10 * HOUR) == []


def test_of_thousands_300_are_taken_and_the_newest_is_one():
    many = curve(1000, MIN)
    assert len(thinned(many)) <= 300
    assert thinned(many)[-1] == many[-1]
    assert thinned(many[:300]) == many[:300]


# the fit ------------------------------------------------------------------------------------------


def test_readings_without_noise_give_the_law_back():
    found = fit(curve(24), room_centi=2000)
    assert found.kind == "curve"
    assert found.tau_ms == pytest.approx(5 * HOUR, rel=1e-3)
    for limit in (-6000, -4000, -2000, 0):
        one = found.reach(limit)
        assert one.reached or one.at_ms == pytest.approx(when(limit / 100), abs=2 * MIN)


def test_the_room_is_fitted_only_when_the_readings_tell_it():
    assert fit(curve(12, room=26.0)).fitted is False
    told = fit(curve(100, room=26.0))
    assert told.fitted
    assert told.room == pytest.approx(26, abs=0.2)


def test_a_supposed_room_makes_the_range_wider_than_a_measured_one():
    readings = curve(12, noise=0.1)
    known, not_known = fit(readings, 2000).reach(-2000), fit(readings).reach(-2000)
    assert not_known.earliest_ms < known.earliest_ms
    assert not_known.latest_ms is None or not_known.latest_ms > known.latest_ms


def test_the_range_holds_the_truth_about_as_often_as_it_says():
    """By chance 95 of 100; by the stretch for readings that hang together somewhat more."""
    hits = 0
    for seed in range(200):
        found = fit(curve(18, noise=0.3, seed=seed), room_centi=2000)
        one = found.reach(-4000)
        hits += found.kind == "curve" and one.earliest_ms <= when(-40) <= (one.latest_ms or math.inf)
    assert 182 <= hits <= 200


def test_more_readings_tell_more():
    widths = []
    for n in (8, 16, 32):
        one = fit(curve(n, noise=0.3), room_centi=2000).reach(-3000)
        widths.append(math.inf if one.latest_ms is None else one.latest_ms - one.earliest_ms)
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] < widths[0]


def test_four_noisy_readings_say_next_to_nothing():
    one = fit(curve(4, every=MIN, noise=0.3, seed=5), room_centi=2000).reach(-2000)
    assert one.latest_ms is None or one.latest_ms - one.earliest_ms > 15 * HOUR


def test_never_narrower_than_one_recording_interval():
    for every in (MIN, 5 * MIN, 15 * MIN):
        one = fit(curve(12, every), room_centi=2000).reach(0)
        assert one.latest_ms - one.earliest_ms >= every
        assert one.earliest_ms <= one.at_ms <= one.latest_ms


def test_at_the_limit_nothing_is_left_and_above_the_room_it_is_never_reached():
    found = fit(curve(24), room_centi=2000)
    assert found.reach(found.newest[1]).reached
    never = found.reach(2500)
    assert (never.reached, never.at_ms, never.latest_ms) == (False, None, None)


def test_a_limit_later_than_three_days_is_not_said():
    assert fit(curve(24, tau_h=400.0), room_centi=2000).reach(1900).at_ms is None
    assert AHEAD_MS == 72 * HOUR


def test_where_the_curve_does_not_fit_only_a_line_is_drawn_on():
    melting = [
        (k * 5 * MIN, centi)
        for k, centi in enumerate([-300, -200, -100, -20, 0, 0, 0, 0, 100, 300, 700, 1200])
    ]
    found = fit(melting, room_centi=2000)
    assert found.kind == "line"
    assert found.tau_ms is None
    ramp = [(k * 5 * MIN, -8000 + 50 * k * k) for k in range(12)]
    assert fit(ramp, room_centi=2000).kind == "line", "it gets faster and faster: a heater, not a room"


def test_too_few_or_one_moment_or_a_fall_give_nothing():
    assert fit(curve(3), 2000) is None
    assert fit([(0, -8000), (0, -7900), (0, -7800), (0, -7700)], 2000) is None
    assert fit([(k * MIN, -5000 - 100 * k) for k in range(8)], 2000) is None
    assert fit([], None) is None


def test_readings_as_warm_as_the_room_are_a_line_or_nothing():
    found = fit([(k * MIN, 1900 + 50 * k) for k in range(8)], room_centi=2000)
    assert found is None or found.kind == "line"


def test_the_band_opens_ahead_and_holds_the_curve():
    found = fit(curve(18, noise=0.3), room_centi=2000)
    last = 0.0
    for hours in (2, 3, 4, 6):
        low, high = found.band(hours * HOUR)
        assert low < found.at(hours * HOUR) < high
        assert high - low > last
        last = high - low
