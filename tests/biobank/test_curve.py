"""The warming curve beside the time left: which limits, what is drawn, and when nothing is said."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from biobank.acting import ms
from biobank.evacuation.curve import BOTTOM, HEIGHT, LEFT, LIMITS, RIGHT, TOP, WIDTH, ahead

MIN = 60_000
START = ms(datetime(2026, 5, 3, 10, tzinfo=UTC))


def readings(n, start=-80.0, room=20.0, tau_h=5.0, every=5 * MIN, begin=START):
    gap = room - start
    return [
        (begin + k * every, round(100 * (room - gap * math.exp(-k * every / 3_600_000 / tau_h))))
        for k in range(n)
    ]


def points(text):
    return [tuple(map(float, pair.split(","))) for pair in text.split()]


def test_the_unit_s_own_alarm_is_one_more_limit_and_what_was_never_colder_is_left_out():
    found = ahead(readings(12), -6500, 5 * MIN)
    assert [one.limit for one in found.reaches] == [-6500, *LIMITS]
    fridge = ahead(readings(12, start=4.0, tau_h=1.0), 800, 5 * MIN)
    assert [one.limit for one in fridge.reaches] == [800]
    assert [one.limit for one in ahead(readings(12), -6000, 5 * MIN).reaches] == list(LIMITS)


def test_the_next_limit_is_the_first_that_is_not_reached():
    found = ahead(readings(20), None, 5 * MIN)  # −53 °C by now
    assert found.reaches[0].reached
    assert found.next.limit == -4000
    law = START + 5 * 3_600_000 * math.log(100 / 60)
    assert found.next.earliest_ms <= law <= found.next.latest_ms


def test_a_freezer_that_stays_cold_or_cools_again_has_no_curve():
    level = [(START + k * MIN, -8000 + (k % 3) * 20) for k in range(30)]
    assert ahead(level, None, MIN) is None
    assert ahead(list(reversed([(START + k * MIN, -7000 - 50 * k) for k in range(20)])), None, MIN) is None
    assert ahead([], None, MIN) is None


def test_everything_drawn_lies_in_the_picture_and_the_curve_starts_at_the_readings():
    for n, every in ((6, 5 * MIN), (30, 5 * MIN), (8, 60 * MIN)):
        drawn = ahead(readings(n, every=every), -6500, every).drawing
        everything = [*drawn.points, *points(drawn.line), *points(drawn.band)]
        everything += [(drawn.now, mark.at) for mark in [*drawn.limits, *drawn.y_ticks]]
        assert all(LEFT <= x <= WIDTH - RIGHT and TOP <= y <= HEIGHT - BOTTOM for x, y in everything)
        assert len(drawn.points) == n
        assert abs(points(drawn.line)[0][1] - drawn.points[0][1]) < 2
        assert 2 <= len(drawn.x_ticks) <= 7
        assert drawn.y_ticks


def test_the_hours_of_the_night_of_the_clock_change_are_those_of_the_wall():
    """25 October 2026 in Oslo: 03:00 becomes 02:00 at 01:00 UTC (tz database)."""
    begin = ms(datetime(2026, 10, 24, 23, tzinfo=UTC))
    drawn = ahead(readings(20, begin=begin), None, 5 * MIN, tz="Europe/Oslo").drawing
    said = [tick.words for tick in drawn.x_ticks]
    assert said[:4] == ["01:00", "02:00", "02:00", "03:00"]


def test_where_the_curve_does_not_fit_there_is_a_line_and_no_tau():
    ramp = [(START + k * 5 * MIN, -8000 + 50 * k * k) for k in range(12)]
    found = ahead(ramp, None, 5 * MIN)
    assert (found.fit.kind, found.tau_ms, found.tau_error_ms) == ("line", None, None)
