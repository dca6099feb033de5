"""How long a freezer stays cold: figures of the trade, and readings drawn on.

Sources of the two figures (both weak, so both ends of the spread are shown): 1 to 2 h to −40 °C unopened, a
laboratory's experience told on a mailing list of histologists (2013); 4 to 6 h, a supplier's page. Newton's
law of cooling is school physics: the gap to the surroundings shrinks by the same share in equal times.
"""

from __future__ import annotations

import math

import pytest

from biobank.core.warming import HOUR, nominal, rising, trend

MIN = 60_000


def test_the_figures_themselves_are_met():
    span = nominal(-8000, -4000)
    assert (span.earliest_ms, span.latest_ms) == (1 * HOUR, 6 * HOUR)


def test_between_the_figures_the_gap_to_the_room_shrinks_evenly():
    # −80 °C is 100 K below a room of 20 °C, −40 °C is 60 K, −60 °C is 80 K: log(100/80) of log(100/60)
    share = math.log(100 / 80) / math.log(100 / 60)
    span = nominal(-8000, -6000)
    assert span.earliest_ms == pytest.approx(share * HOUR, abs=1)
    assert span.latest_ms == pytest.approx(6 * share * HOUR, abs=1)


def test_the_colder_limit_is_reached_first_and_a_warm_room_is_quicker():
    spans = [nominal(-8000, limit) for limit in (-7000, -6000, -4000, -2000, 0)]
    assert spans == sorted(spans, key=lambda one: one.earliest_ms)
    assert nominal(-8000, -6000, 3000).earliest_ms < nominal(-8000, -6000, 1000).earliest_ms


@pytest.mark.parametrize(
    ("centi", "limit"),
    [
        (None, -6000),
        (-2000, -1000),
        (-19600, -15000),
        (400, 1000),
        (-8000, -8000),
        (-8000, -9000),
        (-8000, 2000),
    ],
)
def test_where_no_figure_is_known_there_is_none(centi, limit):
    assert nominal(centi, limit) is None


# readings -----------------------------------------------------------------------------------------


def test_three_that_rise_are_needed():
    assert trend([(0, -8000), (MIN, -7900)], -6000) is None
    assert trend([(0, -7900), (MIN, -7900), (2 * MIN, -7900)], -6000) is None, "level is not rising"
    assert trend([(0, -7800), (MIN, -7900), (2 * MIN, -7850)], -6000) is None
    assert trend([], -6000) is None
    assert trend([(0, -8000), (MIN, -7900), (2 * MIN, -7800)], -6000) is not None


def test_only_the_newest_rise_counts():
    said = [(0, -7000), (1, -8000), (2, -8100), (3, -7900), (4, -7800)]
    assert rising(said) == [(2, -8100), (3, -7900), (4, -7800)]


def test_a_straight_rise_is_drawn_on_straight():
    # 1 K a minute from −80 °C: −60 °C after 20 min
    found = trend([(at * MIN, -8000 + 100 * at) for at in range(6)], -6000)
    assert found.line_ms == pytest.approx(20 * MIN, abs=2)
    assert (found.readings, found.now_centi, found.newest_ms, found.reached) == (6, -7500, 5 * MIN, False)


def test_a_body_that_warms_in_a_room_is_drawn_on_as_one():
    # gap 100 K, halved every 60 min: 80 K (that is −60 °C) after 60 * log2(100/80) min
    said = [(at * MIN, round(2000 - 10000 * 2 ** (-at / 60))) for at in range(0, 15, 2)]
    found = trend(said, -6000)
    assert found.curve_ms == pytest.approx(60 * math.log2(100 / 80) * MIN, rel=0.01)
    assert found.earliest_ms == found.line_ms < found.curve_ms == found.latest_ms, (
        "a curve that flattens is later"
    )


def test_at_the_limit_nothing_is_left():
    found = trend([(0, -6300), (1, -6200), (2, -6000)], -6000)
    assert found.reached
    assert found.earliest_ms is found.latest_ms is None


def test_a_limit_above_the_room_is_never_reached_by_the_curve():
    found = trend([(0, -100), (1, 0), (2, 100)], 3000)
    assert found.curve_ms is None
    assert found.line_ms == pytest.approx(31, abs=1)
