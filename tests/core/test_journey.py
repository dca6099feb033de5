"""A shipment's way: arrival, taking in, what ends before that, when it must leave. Examples, properties."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biobank.core.journey import (
    DAY,
    LOOK_DAYS,
    MINUTE,
    Hold,
    Leg,
    Opening,
    departures,
    shifted,
    travel,
    wrong,
)

OSLO = ZoneInfo("Europe/Oslo")
HOUR = 60 * MINUTE
WORKDAYS = {day: [(time(8), time(16))] for day in range(5)}
OPEN = Opening(OSLO, WORKDAYS)
ALWAYS = Opening(UTC, {day: [(time(0), time(23, 59))] for day in range(7)})


def at(day: int, hour: int, minute: int = 0, month: int = 5, fold: int = 0) -> int:
    """A moment of 2026 in Oslo; 4 May is a Monday."""
    return round(datetime(2026, month, day, hour, minute, tzinfo=OSLO, fold=fold).timestamp() * 1000)


def leg(n: int, leaves: int, arrives: int, coolant: str = "dry_ice", hold_h: int | None = 48, **more) -> Leg:
    return Leg(n, leaves, arrives, coolant, None if hold_h is None else hold_h * 60, **more)


def test_it_arrives_while_they_are_open_and_there_is_time_to_spare():
    way = travel([leg(1, at(4, 9), at(5, 10))], OPEN)
    assert (way.taken_ms, way.waits_ms, way.answer) == (at(5, 10), 0, "pass")
    assert way.holds == (Hold((1,), "dry_ice", at(4, 9), at(6, 9), at(5, 10)),)
    assert way.holds[0].spare_min == 23 * 60


def test_it_waits_over_the_weekend_and_its_ice_does_not():
    way = travel([leg(1, at(8, 9), at(8, 16, 30))], OPEN)  # a Friday, half an hour too late
    assert (way.taken_ms, way.waits_ms) == (at(11, 8), at(11, 8) - at(8, 16, 30))
    assert way.failing == way.holds[0] and way.answer == "fail"
    assert way.holds[0].spare_min == -(at(11, 8) - at(10, 9)) // MINUTE == -23 * 60


def test_at_closing_time_it_is_too_late_and_a_minute_before_it_is_not():
    assert OPEN.taken(at(4, 15, 59)) == at(4, 15, 59)
    assert OPEN.taken(at(4, 16)) == at(5, 8)
    assert OPEN.taken(at(4, 8)) == at(4, 8)


def test_a_closed_day_moves_it_on():
    holiday = replace(OPEN, closed=frozenset({date(2026, 5, 5)}))
    assert holiday.taken(at(4, 17)) == at(6, 8)


def test_who_is_never_open_takes_nothing_and_who_has_said_nothing_is_unknown():
    assert Opening(OSLO, {}).taken(at(4, 9)) is None
    for opening in (None, Opening(OSLO, {})):
        way = travel([leg(1, at(4, 9), at(5, 10))], opening)
        assert (way.taken_ms, way.waits_ms, way.answer) == (None, None, "cannot_tell")


def test_open_hours_are_local_on_both_sides_of_a_change_of_clocks():
    # Oslo: summer time ends on Sunday 25 October 2026
    before, after = at(23, 8, month=10), at(26, 8, month=10)
    assert OPEN.taken(at(23, 16, month=10)) == after
    assert after - before == 3 * DAY + HOUR
    assert datetime.fromtimestamp(before / 1000, UTC).hour == 6
    assert datetime.fromtimestamp(after / 1000, UTC).hour == 7


def test_in_the_hour_that_comes_twice_only_what_is_surely_open_counts():
    night = Opening(OSLO, {6: [(time(2, 30), time(5))]})
    assert night.taken(at(25, 0, month=10)) == at(25, 2, 30, month=10, fold=1)  # the second half past two
    early = Opening(OSLO, {6: [(time(1), time(2, 30))]})
    assert early.stretches(at(25, 0, month=10), at(25, 6, month=10)) == [
        (at(25, 1, month=10), at(25, 2, 30, month=10))  # and until the first
    ]


def test_in_the_hour_that_never_comes_it_opens_when_it_would_have_been_over():
    night = Opening(OSLO, {6: [(time(2, 30), time(5))]})  # 29 March 2026: 02:00 is 03:00
    assert night.taken(at(29, 0, month=3)) == at(29, 3, 30, month=3)


def test_open_until_midnight_goes_on_into_the_next_day():
    assert ALWAYS.stretches(at(4, 12), at(9, 12)) == [
        (ALWAYS.stretches(at(4, 12), at(4, 12))[0][0], ALWAYS.stretches(at(9, 12), at(9, 12))[0][1])
    ]


def test_two_stretches_a_day_have_a_pause():
    noon = Opening(OSLO, {0: [(time(8), time(12)), (time(13), time(16))]})
    assert noon.taken(at(4, 12)) == at(4, 13)


def test_gaps_are_who_has_it_between_two_legs():
    way = travel([leg(1, at(4, 9), at(4, 11)), leg(2, at(4, 13), at(5, 10))], OPEN)
    assert [(one.n, one.minutes) for one in way.gaps] == [(1, 120)]


def test_fresh_coolant_begins_anew_and_the_first_must_last_until_then():
    legs = [leg(1, at(4, 9), at(5, 9), hold_h=26), leg(2, at(5, 12), at(6, 10), hold_h=24)]
    way = travel(legs, OPEN)
    assert [(one.legs, one.spare_min) for one in way.holds] == [((1,), -60), ((2,), 120)]
    assert way.failing == way.holds[0]
    goes_on = [legs[0], replace(legs[1], fresh=False)]
    held = travel(goes_on, OPEN).holds
    assert [(one.legs, one.ends_ms) for one in held] == [((1, 2), at(5, 11))]


def test_another_coolant_is_another_filling_also_when_nobody_ticked_fresh():
    legs = [leg(1, at(4, 9), at(4, 11), "wet_ice", 6), leg(2, at(4, 11), at(5, 9), "dry_ice", fresh=False)]
    assert [one.legs for one in travel(legs, OPEN).holds] == [(1,), (2,)]


def test_a_leg_without_coolant_has_nothing_to_run_out_and_is_named():
    way = travel([leg(1, at(4, 9), at(4, 12), "none", None)], OPEN)
    assert (way.holds, way.bare, way.answer) == ((), (1,), "pass")


@pytest.mark.parametrize("coolant", ["gel", "wet_ice", "dry_ice", "dry_shipper", "powered"])
def test_an_unknown_hold_time_cannot_tell(coolant):
    legs = [leg(1, at(4, 9), at(4, 12), coolant, None)]
    way = travel(legs, OPEN)
    assert way.holds[0].answer == way.answer == "cannot_tell" and way.holds[0].spare_min is None
    assert departures(legs, OPEN, None, at(4, 0), at(20, 0)).known is False


def test_a_dry_shipper_that_may_lie_holds_only_as_long_as_somebody_said_of_lying():
    lies = leg(1, at(4, 9), at(8, 10), "dry_shipper", 480, upright=False)
    assert travel([lies], OPEN).answer == "cannot_tell"
    assert travel([replace(lies, lying_min=4 * 1440)], OPEN).failing is not None
    assert travel([replace(lies, upright=True)], OPEN).answer == "pass"
    first = leg(1, at(4, 9), at(5, 9), "dry_shipper", 480)
    falls = leg(2, at(5, 9), at(8, 10), "dry_shipper", 480, upright=False, fresh=False)
    assert travel([first, falls], OPEN).answer == "cannot_tell"
    assert travel([first, replace(falls, lying_min=96 * 60)], OPEN).holds[0].ends_ms == at(9, 9)


def test_one_certain_failure_beside_a_doubt_is_a_failure():
    legs = [leg(1, at(4, 9), at(5, 9), hold_h=12), leg(2, at(5, 9), at(5, 12), hold_h=None)]
    assert travel(legs, OPEN).answer == "fail"


def test_a_rule_that_runs_out_before_it_is_taken_in():
    legs = [leg(1, at(4, 9), at(4, 15))]
    assert travel(legs, OPEN, at(4, 15)).answer == "pass"
    assert travel(legs, OPEN, at(4, 15) - 1).answer == "fail"
    assert travel(legs, None, at(4, 16)).in_time == "cannot_tell"
    assert travel(legs, None, at(4, 14)).in_time == "fail"  # it has not even arrived by then


def test_legs_that_cannot_be():
    assert [code for code, _ in wrong([])] == ["legs_missing"]
    bad = [leg(1, at(4, 9), at(4, 9)), leg(2, at(4, 8), at(4, 10))]
    assert [code for code, _ in wrong(bad)] == ["leg_backwards", "legs_overlap"]
    assert wrong([leg(1, at(4, 9), at(4, 10)), leg(2, at(4, 10), at(4, 11))]) == []


def test_the_last_safe_departure_is_so_that_it_comes_before_the_weekend():
    legs = [leg(1, at(7, 9), at(8, 9))]  # Thursday to Friday, a day on the way, 48 h of ice
    found = departures(legs, OPEN, None, at(4, 0), at(17, 0))
    assert found.last_ms == at(7, 15, 59)
    assert found.next_ms is None
    assert found.after is not None and found.after.taken_ms == at(11, 8) and found.after.failing is not None
    # 24 h of ice are left on arrival, so it may stand that long before a Monday's opening
    assert found.windows[1][0] == at(9, 8)


def test_a_rule_limits_the_last_departure():
    legs = [leg(1, at(4, 9), at(5, 9))]
    found = departures(legs, OPEN, at(5, 12), at(4, 0), at(12, 0))
    assert (found.last_ms, found.windows[-1][1]) == (at(4, 12), at(4, 12))
    assert found.after is not None and found.after.in_time == "fail"


def test_a_rule_that_runs_out_as_they_open_is_kept_and_a_moment_earlier_is_not():
    legs = [leg(1, at(4, 18), at(4, 20))]  # it waits until Tuesday at eight
    assert departures(legs, OPEN, at(5, 8), at(4, 17), at(6, 0)).last_ms == at(5, 6)
    assert departures(legs, OPEN, at(5, 8) - 1, at(4, 17), at(6, 0)).windows == ()


def test_when_the_planned_departure_is_not_safe_the_one_before_and_the_next_are_named():
    legs = [leg(1, at(8, 9), at(9, 9))]  # arrives on a Saturday; its ice ends on Sunday
    found = departures(legs, OPEN, None, at(4, 0), at(17, 0))
    assert (found.last_ms, found.next_ms) == (at(7, 15, 59), at(9, 8))


def test_what_fails_on_the_way_is_not_mended_by_leaving_at_another_time():
    legs = [leg(1, at(4, 9), at(5, 9), hold_h=12), leg(2, at(5, 9), at(5, 12))]
    found = departures(legs, OPEN, None, at(4, 0), at(17, 0))
    assert found.known and not found.windows and found.last_ms is None and found.next_ms is None


# --- properties -----------------------------------------------------------------------------------

START = at(4, 0)
coolants = st.sampled_from(["none", "gel", "wet_ice", "dry_ice", "dry_shipper", "powered"])


@st.composite
def ways(draw, known: bool = False, most: int = 3) -> list[Leg]:
    """One to three legs in order, to the minute."""
    legs, now = [], START + draw(st.integers(0, 5 * 1440)) * MINUTE
    holds = st.integers(0, 8 * 1440) if known else st.none() | st.integers(0, 8 * 1440)
    for n in range(1, draw(st.integers(1, most)) + 1):
        leaves = now + draw(st.sampled_from([0, 0, 45, 600])) * MINUTE
        now = leaves + draw(st.integers(1, 2 * 1440)) * MINUTE
        coolant, fresh, upright = draw(coolants), draw(st.booleans()), draw(st.booleans())
        legs.append(Leg(n, leaves, now, coolant, draw(holds), upright, draw(holds), fresh))
    return legs


@st.composite
def openings(draw, zone=OSLO) -> Opening:
    week = {}
    for day in draw(st.sets(st.integers(0, 6), min_size=1)):
        opens, closes = sorted(draw(st.sets(st.integers(0, 95), min_size=2, max_size=2)))
        week[day] = [(time(opens // 4, opens % 4 * 15), time(closes // 4, closes % 4 * 15))]
    days = st.sets(st.integers(1, 28), max_size=4)
    return Opening(zone, week, frozenset(date(2026, 5, day) for day in draw(days)))


deadlines = st.none() | st.integers(0, 20 * 1440).map(lambda minutes: START + minutes * MINUTE)


def searched(legs: list[Leg], opening: Opening | None, until: int | None, before: int = 3, ahead: int = 9):
    planned = legs[0].leaves_ms
    return departures(legs, opening, until, planned - before * DAY, planned + ahead * DAY)


@given(ways(), st.integers(-1000, 1000), deadlines)
def test_with_a_receiver_that_is_always_open_all_moves_with_the_departure(legs, hours, until):
    by = hours * HOUR
    then = None if until is None else until + by
    first, moved = travel(legs, ALWAYS, until), travel(shifted(legs, by), ALWAYS, then)
    assert moved.taken_ms == first.taken_ms + by and moved.waits_ms == first.waits_ms == 0
    assert [one.spare_min for one in moved.holds] == [one.spare_min for one in first.holds]
    assert moved.answer == first.answer
    one, other = searched(legs, ALWAYS, until), searched(shifted(legs, by), ALWAYS, then)
    assert other.windows == tuple((a + by, b + by) for a, b in one.windows)
    assert other.last_ms == (None if one.last_ms is None else one.last_ms + by)


@given(ways(), openings(UTC), st.integers(-20, 20), deadlines)
def test_with_opening_hours_all_moves_by_whole_weeks(legs, opening, weeks, until):
    by = weeks * 7 * DAY
    opening = replace(opening, closed=frozenset())
    then = None if until is None else until + by
    one, other = searched(legs, opening, until), searched(shifted(legs, by), opening, then)
    assert other.windows == tuple((a + by, b + by) for a, b in one.windows)
    assert other.last_ms == (None if one.last_ms is None else one.last_ms + by)
    assert travel(shifted(legs, by), opening, then).answer == travel(legs, opening, until).answer


@given(ways(), openings(), deadlines, st.data())
def test_a_longer_hold_makes_the_last_departure_no_earlier_and_nothing_worse(legs, opening, until, data):
    k, more = data.draw(st.integers(0, len(legs) - 1)), data.draw(st.integers(0, 5000))
    longer = list(legs)
    hold, lying = legs[k].hold_min, legs[k].lying_min
    longer[k] = replace(
        legs[k],
        hold_min=None if hold is None else hold + more,
        lying_min=None if lying is None else lying + more,
    )
    one, other = searched(legs, opening, until), searched(longer, opening, until)
    assert one.last_ms is None or (other.last_ms is not None and other.last_ms >= one.last_ms)
    ranks = ["fail", "cannot_tell", "pass"]
    first, then = travel(legs, opening, until), travel(longer, opening, until)
    assert ranks.index(then.answer) >= ranks.index(first.answer)


@given(ways(known=True), openings(), deadlines, st.data())
def test_what_is_not_known_is_never_good(legs, opening, until, data):
    k = data.draw(st.integers(0, len(legs) - 1))
    blind = list(legs)
    blind[k] = replace(legs[k], hold_min=None, lying_min=None, fresh=True)
    way = travel(blind, opening, until)
    if blind[k].coolant != "none":
        assert way.answer != "pass" and searched(blind, opening, until).known is False
    assert travel(legs, None, until).answer != "pass"
    assert searched(legs, None, until).last_ms is None


@settings(max_examples=60)
@given(ways(known=True, most=2), openings(), deadlines, st.data())
def test_the_windows_are_just_the_departures_that_pass(legs, opening, until, data):
    """Minute by minute around the borders, and at random elsewhere, beside the way itself."""
    legs = [replace(one, lying_min=one.hold_min) for one in legs]
    planned = legs[0].leaves_ms
    found = searched(legs, opening, until)
    first, last = planned - 3 * DAY, planned + 9 * DAY
    moments = {edge + k * MINUTE for window in found.windows for edge in window for k in (-1, 0, 1)}
    moments |= {first + data.draw(st.integers(0, 12 * 1440)) * MINUTE for _ in range(20)}
    for moment in moments:
        if first <= moment <= last:
            way = travel(shifted(legs, moment - planned), opening, until)
            assert (way.answer == "pass") == any(a <= moment <= b for a, b in found.windows)


@given(ways(), openings(), deadlines)
def test_the_last_safe_departure_is_safe_and_a_minute_later_is_not(legs, opening, until):
    found, planned = searched(legs, opening, until), legs[0].leaves_ms
    if found.last_ms is None:
        return
    assert travel(shifted(legs, found.last_ms - planned), opening, until).answer == "pass"
    assert found.after is None or found.after.answer == "fail"
    assert (found.after is None) == (found.last_ms == planned + 9 * DAY)
    assert (found.last_ms >= planned) == (travel(legs, opening, until).answer == "pass")


@given(openings(), st.integers(-300, 300))
def test_it_is_taken_in_at_the_first_open_minute_and_never_before_it_arrives(opening, hours):
    arrives = START + hours * HOUR
    taken = opening.taken(arrives)
    assert taken is not None and arrives <= taken < arrives + LOOK_DAYS * DAY
    local = datetime.fromtimestamp(taken / 1000, OSLO)
    assert local.date() not in opening.closed
    assert any(a <= local.time() < b for a, b in opening.week[local.weekday()])
