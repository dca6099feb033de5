"""Local times of a logger over changes of the clocks.

Oracle: zoneinfo with the tz database (package tzdata): series are made in UTC, written as wall time by
`astimezone`, and must come back. Dates of changes: Europe/Oslo 26 Oct 2025 01:00 UTC and 29 Mar 2026 01:00
UTC, America/New_York 2 Nov 2025 06:00 UTC, Australia/Lord_Howe 4 Apr 2026 15:00 UTC (30 minutes).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from biobank.temperature import clock
from biobank.temperature.parse import Mapping, parse
from custody.core.refusal import Refused

FORMAT = "%Y-%m-%d %H:%M"
OSLO, NEW_YORK, LORD_HOWE = "Europe/Oslo", "America/New_York", "Australia/Lord_Howe"
AUTUMN = {
    OSLO: datetime(2025, 10, 26, 1, tzinfo=UTC),
    NEW_YORK: datetime(2025, 11, 2, 6, tzinfo=UTC),
    LORD_HOWE: datetime(2026, 4, 4, 15, tzinfo=UTC),
}
SHIFT = {OSLO: 60, NEW_YORK: 60, LORD_HOWE: 30}
SPRING = datetime(2026, 3, 29, 1, tzinfo=UTC)  # Oslo
ZONES = [OSLO, NEW_YORK, LORD_HOWE]
MINUTE = 60_000


def around(zone, minutes, before_h=6.0, after_h=6.0, lost=lambda m: False):
    """Moments from before to after the change, without those at which the logger was off."""
    change = AUTUMN[zone]
    start = change - timedelta(hours=before_h)
    count = round((before_h + after_h) * 60 / minutes)
    moments = [start + timedelta(minutes=minutes * k) for k in range(count)]
    return [m for m in moments if not lost((m - change) / timedelta(minutes=1))]


def written(moments, zone):
    rows = [f"{m.astimezone(ZoneInfo(zone)):{FORMAT}},{k % 9}.{k % 7}" for k, m in enumerate(moments)]
    return ("time,temp\n" + "\n".join(rows) + "\n").encode()


def ms_of(moments):
    return [round(m.timestamp() * 1000) for m in moments]


def read(moments, zone, passes=()):
    return parse(written(moments, zone), Mapping("time", "temp", FORMAT, zone, passes=passes))


def codes_of(parsed):
    return {problem.code for problem in parsed.problems}


@pytest.mark.parametrize("minutes", [5, 15, 60])
@pytest.mark.parametrize("zone", ZONES)
def test_a_whole_night_of_the_change_comes_back(zone, minutes):
    moments = around(zone, minutes)
    found = read(moments, zone)
    assert not found.problems and found.times == ms_of(moments)


@pytest.mark.parametrize("minutes", [5, 15, 60])
@pytest.mark.parametrize("zone", ZONES)
def test_a_file_that_starts_in_the_second_pass(zone, minutes):
    start = 0 if minutes == 60 else minutes
    moments = around(zone, minutes, lost=lambda m: m < start)
    found = read(moments, zone)
    assert not found.problems and found.times == ms_of(moments)


@pytest.mark.parametrize("minutes", [5, 15])
@pytest.mark.parametrize("zone", ZONES)
def test_a_file_that_ends_in_the_first_pass(zone, minutes):
    moments = around(zone, minutes, lost=lambda m: m > -minutes)
    found = read(moments, zone)
    assert not found.problems and found.times == ms_of(moments)


def test_hourly_readings_that_end_in_the_first_pass():
    moments = around(OSLO, 60, lost=lambda m: m > -60)
    assert read(moments, OSLO).times == ms_of(moments)


@pytest.mark.parametrize("minutes", [5, 15])
@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("off", [0, 1, 2])
def test_three_readings_lost_at_the_change(zone, minutes, off):
    """Off for three readings about the change. Where the order of rows still steps back, it comes back; where
    it no longer does (half an hour at Lord Howe, every 15 minutes), it is asked, never wrong."""
    first = -off * minutes
    moments = around(zone, minutes, lost=lambda m: first <= m < first + 3 * minutes)
    found = read(moments, zone)
    if zone == LORD_HOWE and minutes == 15:
        assert codes_of(found) == {"time_ambiguous"} or found.times == ms_of(moments)
    else:
        assert not found.problems and found.times == ms_of(moments)


@pytest.mark.parametrize("zone", ZONES)
def test_a_file_only_inside_the_hour_is_asked(zone):
    size = SHIFT[zone]
    moments = around(zone, 5, lost=lambda m: not -size < m < -5)
    found = read(moments, zone)
    assert codes_of(found) == {"time_ambiguous"} and found.times == []
    assert [one.rows for one in found.asked] == [len(moments)]


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("which", ["first", "second"])
def test_a_logger_off_for_just_one_pass_is_asked(zone, which):
    size = SHIFT[zone]
    off = (lambda m: -size <= m < 0) if which == "first" else (lambda m: 0 <= m < size)
    moments = around(zone, 5, lost=off)
    found = read(moments, zone)
    assert codes_of(found) == {"time_ambiguous"}
    (one,) = found.asked
    other = "second" if which == "first" else "first"
    assert read(moments, zone, ((one.line, other),)).times == ms_of(moments)  # what a person says is used
    wrong = read(moments, zone, ((one.line, which),))
    assert not wrong.problems and wrong.times != ms_of(moments)


def test_two_stretches_of_the_hour_are_answered_apart():
    """02:00 to 02:20 of the first pass, then off until 02:30 of the second."""
    moments = around(OSLO, 5, lost=lambda m: -40 < m < 30)
    found = read(moments, OSLO)
    assert [one.rows for one in found.asked] == [5, 6]
    first, second = (one.line for one in found.asked)
    one_only = read(moments, OSLO, ((first, "first"),))
    assert codes_of(one_only) == {"time_ambiguous"}
    answered = read(moments, OSLO, ((first, "first"), (second, "second")))
    assert answered.times == ms_of(moments)
    impossible = read(moments, OSLO, ((first, "second"), (second, "first")))
    assert "out_of_order" in codes_of(impossible) and impossible.times == []


def test_rows_in_a_wrong_order_inside_the_hour_are_not_taken_for_a_second_pass():
    moments = around(OSLO, 5)
    k = next(k for k, m in enumerate(moments) if m == AUTUMN[OSLO] - timedelta(minutes=30))
    moments[k], moments[k + 1] = moments[k + 1], moments[k]
    assert codes_of(read(moments, OSLO)) & {"time_ambiguous", "out_of_order"}


@pytest.mark.parametrize("minutes", [5, 15, 60])
def test_the_hour_that_is_skipped_in_spring_is_no_trouble_when_the_logger_followed_it(minutes):
    moments = [SPRING + timedelta(minutes=minutes * k) for k in range(-300 // minutes, 300 // minutes)]
    assert read(moments, OSLO).times == ms_of(moments)


def test_a_time_that_never_was_shows_that_the_logger_did_not_follow():
    standard = [SPRING + timedelta(minutes=15 * k) for k in range(-8, 12)]
    rows = "\n".join(f"{m.astimezone(UTC) + timedelta(hours=1):{FORMAT}},4" for m in standard)
    found = parse(f"time,temp\n{rows}\n".encode(), Mapping("time", "temp", FORMAT, OSLO))
    assert [(p.row, p.code) for p in found.problems] == [(10 + k, "time_never_was") for k in range(4)]
    fixed = parse(f"time,temp\n{rows}\n".encode(), Mapping("time", "temp", FORMAT, "+01:00"))
    assert fixed.times == ms_of(standard)


def test_newest_first_over_the_change_comes_back_too():
    moments = around(OSLO, 5)
    found = read(moments[::-1], OSLO)
    assert found.backwards and not found.problems and found.times == ms_of(moments)


def test_three_years_with_all_their_changes_come_back():
    start = datetime(2023, 1, 1, tzinfo=UTC)
    moments = [start + timedelta(hours=1, minutes=60 * k) for k in range(24 * 365 * 3)]
    found = read(moments, OSLO)
    assert not found.problems and found.times == ms_of(moments) and len(found.switches) == 3


def test_zones_are_named_or_offsets():
    assert clock.zone_of("UTC-08:00").utcoffset(None) == timedelta(hours=-8)
    assert clock.zone_of(OSLO) == ZoneInfo(OSLO)
    for wrong in ("Skarvik/Bay", "../etc/passwd", "+25:00", ""):
        with pytest.raises(Refused) as no:
            clock.zone_of(wrong)
        assert no.value.code == "zone_unknown"


@settings(max_examples=150, deadline=None)
@given(
    zone=st.sampled_from([*ZONES, "Africa/Casablanca", "America/St_Johns", "Asia/Tehran", "Pacific/Apia"]),
    day=st.integers(0, 365 * 25),
    minutes=st.sampled_from([1, 5, 10, 15, 30, 60, 90, 120]),
    count=st.integers(2, 200),
    lost=st.lists(st.tuples(st.integers(0, 200), st.integers(1, 40)), max_size=4),
)
def test_any_series_comes_back_or_is_asked_but_never_another(zone, day, minutes, count, lost):
    """Random stretches of the logger being off: times are those written, or none are given."""
    start = datetime(2000, 1, 1, 7, 20, tzinfo=UTC) + timedelta(days=day)
    gone = {k for first, length in lost for k in range(first, first + length)}
    moments = [start + timedelta(minutes=minutes * k) for k in range(count) if k not in gone]
    assume(not any(hidden(zone, minutes, b - a) for a, b in pairwise(moments)))
    wall = np.asarray(
        [round(m.astimezone(ZoneInfo(zone)).replace(tzinfo=UTC).timestamp() * 1000) for m in moments],
        np.int64,
    )
    settled = clock.settle(wall, ZoneInfo(zone))
    assert not settled.never
    if not settled.asked:
        assert settled.times.tolist() == ms_of(moments)


def hidden(zone, minutes, step):
    """A silence that local time cannot show: off for exactly one pass, so that the clock seems to go on."""
    return abs(step / timedelta(minutes=1) - SHIFT.get(zone, 60) - minutes) <= minutes / 4


@settings(max_examples=150, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    minutes=st.sampled_from([5, 10, 15, 30, 60]),
    start=st.integers(-200, 60),
    length=st.integers(5, 400),
    lost=st.lists(st.tuples(st.integers(-90, 90), st.integers(1, 90)), max_size=3),
)
def test_about_the_change_a_series_comes_back_or_is_asked(zone, minutes, start, length, lost):
    moments = [
        AUTUMN[zone] + timedelta(minutes=m)
        for m in range(start, start + length, minutes)
        if not any(first <= m < first + size for first, size in lost)
    ]
    assume(not any(hidden(zone, minutes, b - a) for a, b in pairwise(moments)))
    wall = [round(m.astimezone(ZoneInfo(zone)).replace(tzinfo=UTC).timestamp() * 1000) for m in moments]
    settled = clock.settle(np.asarray(wall, np.int64), ZoneInfo(zone))
    if not settled.asked:
        assert settled.times.tolist() == ms_of(moments)
