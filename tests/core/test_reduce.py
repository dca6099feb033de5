"""Many readings as few: what may not be lost. The oracle walks all readings, column by column, slowly.

Source of the rule (first, lowest, highest and last of every pixel column keep a line's picture unchanged):
Jugel, Jerzak, Hackenbroich, Markl, "M4: A Visualization-Oriented Time Series Data Aggregation", PVLDB
7(10), 2014, pages 797-808. Clock changes: the tz database through zoneinfo (Europe/Oslo, 25 Oct and
29 Mar 2026).
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biobank.temperature.reduce import Curve, by_days, cut, joined, reduced, silences, tallied
from biobank.temperature.scale import Frame, fitted, x_ticks
from biobank.temperature.spans import Span, asked, links, read, written
from custody.core.thermal import Series

START = 1_700_000_000_000
GAP = 900_000
HOUR = 3_600_000
DAY = 24 * HOUR


def curve(rows):
    """From (seconds, centi, linked) rows."""
    times, centi, linked = zip(*rows, strict=True)
    on = np.asarray(linked, bool)
    on[-1] = False
    return Curve(START + 1000 * np.asarray(times, np.int64), np.asarray(centi, np.float64), on)


@st.composite
def curves(draw):
    times = sorted(draw(st.sets(st.integers(0, 3000), min_size=1, max_size=300)))
    centi = draw(st.lists(st.integers(-8200, 800), min_size=len(times), max_size=len(times)))
    linked = draw(st.lists(st.booleans(), min_size=len(times), max_size=len(times)))
    return curve(zip(times, centi, linked, strict=True))


def walked(one, start, end, columns):
    """Column -> (first, lowest, highest, last), slowly."""
    found = {}
    for at, value in zip(one.times.tolist(), one.centi.tolist(), strict=True):
        column = min((at - start) * columns // (end - start), columns - 1)
        first, low, high, _ = found.get(column, (value, value, value, value))
        found[column] = (first, min(low, value), max(high, value), value)
    return found


@given(curves(), st.integers(1, 60))
@settings(deadline=None, max_examples=150)
def test_every_column_keeps_its_first_lowest_highest_and_last(one, columns):
    start, end = START, START + 3_000_000
    few = reduced(one, start, end, columns)
    assert walked(few, start, end, columns) == walked(one, start, end, columns)
    assert len(few) <= max(columns, 4 * columns)
    known = dict(zip(one.times.tolist(), one.centi.tolist(), strict=True))
    assert all(known[t] == c for t, c in zip(few.times.tolist(), few.centi.tolist(), strict=True))
    assert np.all(np.diff(few.times) > 0)


@given(curves(), st.integers(1, 60))
@settings(deadline=None, max_examples=150)
def test_a_line_is_whole_only_where_every_reading_between_was_joined(one, columns):
    few = reduced(one, START, START + 3_000_000, columns)
    place = {at: k for k, at in enumerate(one.times.tolist())}
    for a, b, linked in zip(few.times, few.times[1:], few.linked, strict=False):
        i, j = place[int(a)], place[int(b)]
        assert bool(linked) == all(one.linked[i:j].tolist())
    assert not few.linked[-1]


@given(curves(), st.integers(-8200, 800), st.integers(1, 40))
@settings(deadline=None, max_examples=100)
def test_what_is_above_a_limit_stays_above_it_in_its_column(one, limit, columns):
    start, end = START, START + 3_000_000
    few = reduced(one, start, end, columns)

    def over(which):
        return {c for c, (_, _, high, _) in walked(which, start, end, columns).items() if high > limit}

    assert over(few) == over(one)


def test_what_has_room_is_not_touched():
    one = curve([(0, 1, True), (60, 2, True), (120, 3, True)])
    assert reduced(one, START, START + 120_000, 10) is one


def test_a_cut_holds_the_line_s_values_at_both_edges():
    series = Series([START, START + 600_000], [0, 600], GAP)
    one = cut(series, START + 200_000, START + 500_000)
    assert one.times.tolist() == [START + 200_000, START + 500_000]
    assert one.centi.tolist() == [200.0, 500.0] and one.linked.tolist() == [True, False]


def test_no_reading_one_reading_and_only_gaps():
    assert cut(Series([], [], GAP), START, START + DAY) is None
    lone = cut(Series([START + HOUR], [400], GAP), START, START + DAY)
    assert lone.times.tolist() == [START + HOUR] and lone.linked.tolist() == [False]
    assert silences([lone], START, START + DAY) == [(START, START + HOUR), (START + HOUR, START + DAY)]
    apart = Series([START + k * HOUR for k in range(5)], [400] * 5, GAP)
    gaps = cut(apart, START, START + DAY)
    assert [len(t) for t, _ in gaps.pieces] == [1] * 5
    assert sum(b - a for a, b in silences([gaps], START, START + DAY)) == DAY
    assert silences([], START, START + DAY) == [(START, START + DAY)]


@given(curves())
@settings(deadline=None, max_examples=100)
def test_silence_is_all_that_no_line_covers(one):
    start, end = START - 1000, START + 3_001_000
    lines = sum(int(b - a) for a, b, on in zip(one.times, one.times[1:], one.linked, strict=False) if on)
    assert sum(b - a for a, b in silences([one], start, end)) == end - start - lines


@given(
    st.dictionaries(
        st.integers(0, 400), st.tuples(st.integers(-8200, 800), st.integers(0, 3000)), min_size=1
    ),
    st.integers(1, 50),
)
@settings(deadline=None, max_examples=150)
def test_bars_of_days_hold_exactly_their_days(known, columns):
    days = sorted(known)
    low = [known[d][0] for d in days]
    high = [known[d][0] + known[d][1] for d in days]
    bars = by_days(days, low, high, columns)
    assert len(bars) <= columns
    seen = []
    for a, b, least, most in zip(bars.starts, bars.ends, bars.low, bars.high, strict=True):
        inside = [k for k, day in enumerate(days) if a <= day * DAY < b]
        assert least == min(low[k] for k in inside) and most == max(high[k] for k in inside)
        seen += inside
    assert seen == list(range(len(days)))


def test_no_days_no_bars():
    assert len(by_days([], [], [], 10)) == 0


def test_stretches_that_touch_become_one():
    assert joined([(10, 20), (0, 5), (20, 30), (40, 50)], 0) == [(0, 5), (10, 30), (40, 50)]
    assert joined([(0, 5), (7, 9)], 2) == [(0, 9)]


def test_moments_are_counted_by_column_and_a_lone_one_keeps_its_place():
    assert tallied([], 0, 100, 10) == []
    assert tallied([3, 41, 44, 100], 0, 100, 10) == [(3, 1), (45, 2), (100, 1)]


# --- the axis and the address ---------------------------------------------------------------------


def utc(text):
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize(
    ("first", "last", "apart"),
    [
        ("2026-10-24T22:00", "2026-10-25T23:00", [7, 6, 6, 6]),  # 25 hours: an hour occurs twice
        ("2026-03-28T23:00", "2026-03-29T22:00", [5, 6, 6, 6]),  # 23 hours: one is left out
    ],
)
def test_a_day_on_which_the_clocks_change_is_drawn_as_long_as_it_was(first, last, apart):
    start, end = utc(first), utc(last)
    ticks = list(x_ticks(fitted(Frame(), start, end, -8000, -7000), "Europe/Oslo"))
    assert [tick.label for tick in ticks][1:-1] == ["06:00", "12:00", "18:00"]
    assert ticks[0].ms == start and ticks[-1].ms == end and ticks[0].label[-3:] == ticks[-1].label[-3:]
    assert np.diff([tick.ms for tick in ticks]).tolist() == [hours * HOUR for hours in apart]


def test_an_hour_that_the_clocks_leave_out_has_no_tick():
    start = utc("2026-03-28T23:00")
    ticks = list(x_ticks(fitted(Frame(), start, start + 5 * HOUR, 0, 100), "Europe/Oslo"))
    assert [tick.label for tick in ticks] == ["29 Mar", "01:00", "03:00", "04:00", "05:00", "06:00"]
    assert np.all(np.diff([tick.ms for tick in ticks]) == HOUR)


@pytest.mark.parametrize(
    ("first", "last", "labels"),
    [
        ("2020-07-01T00:00", "2021-06-30T00:00", "Sep 2020, Nov 2020, Jan 2021, Mar 2021, May 2021"),
        (
            "2019-03-01T00:00",
            "2022-05-01T00:00",
            "Jul 2019, Jan 2020, Jul 2020, Jan 2021, Jul 2021, Jan 2022",
        ),
        ("2016-07-01T00:00", "2026-06-20T00:00", "2018, 2020, 2022, 2024, 2026"),
    ],
)
def test_years_are_told_by_first_days_of_months(first, last, labels):
    ticks = list(x_ticks(fitted(Frame(), utc(first), utc(last), 0, 100), "Europe/Oslo"))
    assert [tick.label for tick in ticks] == labels.split(", ")
    for tick in ticks:
        at = datetime.fromtimestamp(tick.ms / 1000, ZoneInfo("Europe/Oslo"))
        assert (at.day, at.hour, at.minute) == (1, 0, 0)


def test_an_address_names_the_same_moment_to_everybody():
    at = utc("2026-05-03T07:12")
    assert written(at) == "2026-05-03T07:12Z" and read(written(at), "Asia/Tokyo") == at
    assert read("2026-05-03T09:12", "Europe/Oslo") == at
    assert read("2026-05-03T09:12 02:00", "UTC") == at  # a plus sign comes as a space
    for odd in (at + 1, at + 1000, at + 59_999):
        assert read(written(odd), "UTC") == odd


FAR = ["99999-01-01", "0001-01-01", "9999-12-31T23:59Z", "1969-12-31T23:59Z"]


@pytest.mark.parametrize("text", ["", "soon", "0000", "2026-13-01", "-1", "2026-05-03T25:00", *FAR])
def test_what_cannot_be_read_shows_the_usual_stretch(text):
    whole = Span(START, START + 100 * DAY)
    assert asked({"from": text, "to": text}, whole, "UTC") == asked({}, whole, "UTC")


def test_a_stretch_is_never_backwards_nor_empty_nor_endless():
    whole = Span(START, START + 100 * DAY)
    a, b = written(START + DAY), written(START)
    assert asked({"from": a, "to": b}, whole, "UTC").end - START >= DAY
    one = asked({"from": b, "to": b}, whole, "UTC")
    assert one.end - one.start >= 600_000
    long = asked({"from": "1970-01-01T00:00Z", "to": "2199-01-01T00:00Z"}, whole, "UTC")
    assert long.end - long.start <= 40 * 366 * DAY


def test_the_links_go_round_the_middle_and_stop_at_the_ends():
    whole = Span(START, START + 100 * DAY)
    by_name = {link.name: link for link in links(Span(whole.end - 7 * DAY, whole.end), whole)}
    assert by_name["week"].here and not by_name["later"].query
    assert by_name["day"].query == Span(whole.end - DAY, whole.end).query
    first = {link.name: link for link in links(Span(START, START + 7 * DAY), whole)}
    assert (
        not first["earlier"].query and first["later"].query == Span(START + 7 * DAY, START + 14 * DAY).query
    )
    assert first["all"].query == whole.query
