"""Alarms: when one is raised and over, found afterwards, no data (two rounds at once: test_alarm_race.py).

The rules (strictly beyond, a reading holds until the next, one full delay in range) are our own choices,
said in biobank/alarms/episodes.py; no source was found for a standard. The survey is invented;
the clock change is that of Europe/Oslo in the tz database (25 October 2026, 03:00 to 02:00).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.acting import ms
from biobank.alarms import actions, rounds
from biobank.alarms.episodes import Said, episodes
from biobank.models import Alarm, AlarmSetting, AlarmWatch, LiveReading, Logger, LoggerPlacement, Unit
from biobank.temperature import blocks, feed
from custody.core.refusal import Refused
from tests.biobank.failing import add
from tests.biobank.watched import MIN, NOON, at, logger_in, reads, steady, watched

pytestmark = pytest.mark.django_db
F1 = "NLB-F1"


@pytest.fixture
def freezer(store):
    """Freezer 1 (alarm above −65 °C), watched with a delay of 30 min, no data for 60, and its logger."""
    unit = store.units[F1]
    watched(store, unit)
    store.logger = logger_in(store, unit)
    return store


def said(rows):
    """(minutes, °C) as episodes takes them."""
    t = np.array([round(m * MIN) for m, _ in rows], np.int64)
    return Said(t, np.array([round(100 * c) for _, c in rows], np.int64), np.ones(len(rows), np.int64))


def found(rows, now, limit=-6500, delay=30, hold=60, below=False):
    return [
        (one.begun_ms // MIN, one.last_ms // MIN, one.back_ms and one.back_ms // MIN)
        for one in episodes(said(rows), limit, delay * MIN, hold * MIN, now * MIN, below=below)
    ]


# stretches ----------------------------------------------------------------------------------------


def test_at_the_delay_it_is_an_alarm_and_a_moment_before_it_is_not():
    rows = [*steady(0, 10, -80), *steady(10, 45, -60)]
    assert found(rows[:-1], 39.99) == []
    assert found(rows[:-1], 40) == [(10, 35, None)]
    assert found(steady(0, 30, -60), 29.999) == []
    assert found(steady(0, 30, -60), 30) == [(0, 25, None)]


def test_a_reading_at_the_limit_is_not_beyond_it():
    assert found(steady(0, 60, -65), 60) == []
    assert found(steady(0, 60, -64.99), 60) == [(0, 55, None)]
    assert found(steady(0, 60, 2), 60, limit=200, below=True) == []
    assert found(steady(0, 60, 1.99), 60, limit=200, below=True) == [(0, 55, None)]


def test_a_door_that_is_opened_for_a_while_is_no_alarm():
    rows = [*steady(0, 20, -80), *steady(20, 45, -60), *steady(45, 120, -80)]
    assert found(rows, 120) == []


def test_a_freezer_that_chatters_around_its_limit_is_one_alarm_that_is_over_after_one_whole_delay():
    chatter = [(k * 5, -64 if k % 2 == 0 else -66) for k in range(24)]  # the last, at 115, is in range
    assert found(chatter, 120) == [(0, 110, None)]
    quiet = [*chatter, *steady(120, 145, -70)]
    assert found(quiet, 144.99) == [(0, 110, None)]
    assert found(quiet, 145) == [(0, 110, 115)]
    assert found([*quiet, *steady(145, 200, -60)], 200) == [(0, 110, 115), (145, 195, None)]


def test_silence_is_neither_beyond_nor_in_range():
    rows = [(0, -60), (5, -60), (300, -60), (305, -60)]
    assert found(rows, 310) == [(0, 305, None)], "nobody saw it in range in between"
    assert found([(0, -60), (300, -80)], 330, delay=61) == [], "a reading holds for an hour at most"
    assert found([(0, -60), (300, -80)], 330, delay=60) == [(0, 0, None)]
    assert found([(0, -60), (300, -80)], 360, delay=60) == [(0, 0, 300)]


def test_without_delay_the_first_reading_counts():
    assert found([(0, -80), (5, -60), (10, -80)], 10, delay=0) == [(5, 5, 10)]
    assert found([], 10) == []


# rounds -------------------------------------------------------------------------------------------


def test_an_alarm_opens_goes_on_is_over_and_closes_when_somebody_has_seen_it(freezer):
    reads(freezer.logger, [*steady(-60, 0, -80), *steady(0, 30, -60)])
    assert rounds.watch(at(29)).opened == []
    (alarm,) = rounds.watch(at(30)).opened
    assert (alarm.kind, alarm.limit_centi, alarm.worst_centi) == ("above", -6500, -6000)
    assert (alarm.begun_ms, alarm.last_ms, alarm.afterwards) == (ms(at(0)), ms(at(25)), False)
    assert alarm.logger == freezer.logger
    reads(freezer.logger, [*steady(30, 60, -55), *steady(60, 95, -80)])
    assert rounds.watch(at(89)).opened == []
    alarm.refresh_from_db()
    assert (alarm.worst_centi, alarm.last_ms, alarm.back_ms) == (-5500, ms(at(55)), None)
    rounds.watch(at(90))
    alarm.refresh_from_db()
    assert (alarm.back_ms, alarm.closed) == (ms(at(60)), None), "nobody has seen it"
    actions.acknowledge(freezer.actor("labtech"), alarm, "door stood open")
    alarm.refresh_from_db()
    assert alarm.closed is not None
    assert (alarm.closed_by, alarm.seen_by) == (None, freezer.person("labtech"))
    assert Alarm.objects.count() == 1
    assert alarm.history.count() >= 4, "each step stands in its history"


def test_the_same_round_again_changes_nothing(freezer):
    reads(freezer.logger, [*steady(-60, 0, -80), *steady(0, 60, -60)])
    rounds.watch(at(60))
    before = [list(Alarm.objects.values()), Alarm.history.count()]
    for _ in range(3):
        assert rounds.watch(at(60)).opened == []
    assert [list(Alarm.objects.values()), Alarm.history.count()] == before


def test_an_acknowledged_alarm_closes_by_itself_when_it_is_over(freezer):
    reads(freezer.logger, [*steady(0, 60, -60)])
    (alarm,) = rounds.watch(at(60)).opened
    actions.acknowledge(freezer.actor("labtech"), alarm, "on my way")
    reads(freezer.logger, steady(60, 120, -80))
    rounds.watch(at(120))
    alarm.refresh_from_db()
    assert alarm.closed == at(120)
    assert alarm.closed_why == rounds.SETTLED


def test_a_second_alarm_before_anybody_saw_the_first_leaves_both_on_the_list(freezer):
    reads(freezer.logger, [*steady(0, 60, -60), *steady(60, 120, -80), *steady(120, 180, -50)])
    rounds.watch(at(60))
    rounds.watch(at(120))
    rounds.watch(at(180))
    first, second = Alarm.objects.order_by("begun_ms")
    assert (first.seen, first.closed_by) == (None, None)
    assert "before anybody acknowledged" in first.closed_why
    assert (second.closed, second.worst_centi) == (None, -5000)


def test_a_fridge_that_freezes_is_too_cold(freezer):
    fridge = add(freezer, "NLB-K1", "fridge", centi=400)
    Unit.objects.filter(pk=fridge.pk).update(alarm_above_centi=800, alarm_below_centi=200)
    watched(freezer, fridge)
    reads(logger_in(freezer, fridge, "T-2"), [*steady(0, 20, 4), *steady(20, 60, -1)])
    reads(freezer.logger, steady(0, 60, -80))
    (alarm,) = rounds.watch(at(60)).opened
    assert (alarm.unit, alarm.kind, alarm.limit_centi, alarm.worst_centi) == (fridge, "below", 200, -100)


# no data ------------------------------------------------------------------------------------------


def test_no_data_is_an_alarm_of_its_own_and_over_when_readings_come_again(freezer):
    reads(freezer.logger, steady(-60, 5, -80))  # the last at noon
    assert rounds.watch(at(59.9)).opened == []
    (alarm,) = rounds.watch(at(60)).opened
    assert (alarm.kind, alarm.begun_ms, alarm.last_ms, alarm.worst_centi) == (
        "silent", ms(NOON), ms(NOON), None,
    )  # fmt: skip
    assert rounds.watch(at(200)).opened == []
    reads(freezer.logger, steady(200, 215, -80))
    rounds.watch(at(212))
    alarm.refresh_from_db()
    assert alarm.back_ms == ms(at(200))


def test_a_sensor_error_is_no_reading(freezer):
    reads(freezer.logger, [*steady(-60, 5, -80), *[(m, blocks.ERROR / 100) for m, _ in steady(5, 120, 0)]])
    (alarm,) = rounds.watch(at(120)).opened
    assert (alarm.kind, alarm.last_ms) == ("silent", ms(NOON)), "it speaks, and says no temperature"


def test_a_watched_unit_without_a_logger_is_silent_from_when_it_was_watched(store):
    setting = watched(store, store.units[F1], since=0)
    assert rounds.watch(at(59)).opened == []
    (alarm,) = rounds.watch(at(61)).opened
    assert (alarm.kind, alarm.logger, alarm.last_ms, alarm.begun_ms) == ("silent", None, None, ms(at(0)))
    setting.active = False
    setting.save()
    done = actions.close(store.actor("curator"), alarm, "it is switched off")
    assert done.closed_by == store.person("curator")


def test_old_readings_that_come_at_last_do_not_end_a_silence(freezer):
    reads(freezer.logger, steady(-60, 5, -80))
    (alarm,) = rounds.watch(at(120)).opened
    reads(freezer.logger, steady(5, 30, -80))
    assert rounds.watch(at(121)).opened == []
    alarm.refresh_from_db()
    assert (alarm.back_ms, alarm.last_ms) == (None, ms(at(25)))


def test_readings_from_the_future_count_for_nothing(freezer):
    reads(freezer.logger, [*steady(-60, 5, -80), *steady(300, 400, -60)])
    (alarm,) = rounds.watch(at(120)).opened
    assert alarm.kind == "silent"


# late, other loggers, other times -------------------------------------------------------------------


def test_what_comes_days_later_is_found_afterwards_once(freezer):
    day = 24 * 60
    reads(freezer.logger, steady(-60, 5 * day + 60, -80, every=30))
    rounds.watch(at(5 * day))
    late = [(m, c) for m, c in [*steady(11, 131, -40), *steady(131, 251, -80)]]
    reads(freezer.logger, late, got=at(5 * day + 10))
    (alarm,) = rounds.watch(at(5 * day + 15)).opened
    assert alarm.afterwards
    assert alarm.begun_ms == ms(at(11))
    assert alarm.back_ms is not None
    assert rounds.watch(at(5 * day + 20)).opened == []
    assert Alarm.objects.count() == 1


def test_what_is_sent_days_later_and_sealed_at_once_is_found_too(freezer):
    """Such readings never wait as single ones: they stand in no file and in no waiting reading."""
    logger = Logger.objects.get()
    reads(logger, steady(-60, 0, -80))
    rounds.watch(at(0))
    late = steady(-60 * 72, -60 * 71, -20)
    feed.take(logger, [(ms(at(t)), round(100 * c)) for t, c in late], at(3))
    (alarm,) = rounds.watch(at(5)).opened
    assert (alarm.begun_ms, alarm.afterwards) == (ms(at(-60 * 72)), True)
    assert rounds.watch(at(10)).opened == []
    LiveReading.objects.update(got=at(3))
    assert feed.seal(logger, at(11)) == 0  # the last round may just have missed it
    rounds.watch(at(14))
    assert feed.seal(logger, at(15)) == 12 and rounds.watch(at(20)).opened == []


def test_a_logger_that_only_ever_says_that_it_cannot_measure_is_silent(freezer):
    reads(Logger.objects.get(), steady(-60 * 30, 5, -327.68))
    (alarm,) = rounds.watch(at(1)).opened
    assert alarm.kind == Alarm.Kind.SILENT and alarm.back_ms is None
    assert rounds.watch(at(3)).opened == []
    alarm.refresh_from_db()
    assert alarm.back_ms is None


def test_a_late_reading_before_the_first_moves_the_beginning_and_makes_no_second_alarm(freezer):
    reads(freezer.logger, [*steady(0, 60, -60)])
    (alarm,) = rounds.watch(at(60)).opened
    reads(freezer.logger, [(-4, -60)])
    assert rounds.watch(at(61)).opened == []
    alarm.refresh_from_db()
    assert alarm.begun_ms == ms(at(-4))


def test_late_readings_that_join_two_alarms_break_nothing(freezer):
    reads(freezer.logger, [*steady(0, 40, -60), *steady(40, 80, -80), *steady(80, 120, -50)])
    rounds.watch(at(40))
    rounds.watch(at(79))
    rounds.watch(at(120))
    assert Alarm.objects.count() == 2
    LiveReading.objects.filter(at_ms__gte=ms(at(40)), at_ms__lt=ms(at(80))).update(centi=-6000)
    reads(freezer.logger, steady(120, 130, -45))
    done = rounds.watch(at(130))
    assert (done.opened, done.troubles) == ([], [])
    first, second = Alarm.objects.order_by("begun_ms")
    assert (first.begun_ms, second.begun_ms) == (ms(at(0)), ms(at(80)))
    assert (second.closed, second.worst_centi) == (None, -4500)


def test_what_was_over_before_any_round_saw_it_is_found_afterwards(freezer):
    rounds.watch(at(0))
    reads(freezer.logger, [*steady(0, 40, -60), *steady(40, 100, -80)])
    (alarm,) = rounds.watch(at(100)).opened
    assert (alarm.afterwards, alarm.back_ms) == (True, ms(at(40)))


def test_the_governing_logger_may_change_while_it_is_open(freezer):
    reads(freezer.logger, steady(0, 60, -60))
    (alarm,) = rounds.watch(at(60)).opened
    LoggerPlacement.objects.filter(logger=freezer.logger).update(to_ms=ms(at(62)))
    other = logger_in(freezer, freezer.units[F1], "T-9", since=62)
    reads(other, steady(63, 90, -58))
    reads(freezer.logger, steady(63, 90, -85))  # it lies on a desk by now, and counts for nothing
    assert rounds.watch(at(88)).opened == []
    alarm.refresh_from_db()
    assert (alarm.logger, alarm.worst_centi, alarm.back_ms) == (other, -5800, None)


def test_the_logger_of_what_it_stands_in_governs_it(freezer):
    rack = freezer.units["NLB-R1"]
    Unit.objects.filter(pk=rack.pk).update(alarm_above_centi=-7000)
    watched(freezer, rack)
    reads(freezer.logger, steady(0, 60, -68))
    (alarm,) = rounds.watch(at(60)).opened
    assert (alarm.unit, alarm.logger) == (rack, freezer.logger)


def test_a_unit_that_holds_no_tube_is_watched_all_the_same(freezer):
    empty = add(freezer, "NLB-F9", "freezer", centi=-8000)
    Unit.objects.filter(pk=empty.pk).update(alarm_above_centi=-6500)
    watched(freezer, empty)
    reads(logger_in(freezer, empty, "T-3"), steady(0, 60, -20))
    reads(freezer.logger, steady(0, 60, -80))
    assert [one.unit for one in rounds.watch(at(60)).opened] == [empty]


def test_the_hour_that_comes_twice_is_two_hours(freezer):
    """00:00 to 02:00 UTC on 25 October 2026 is 02:00 to 03:00 twice in Oslo."""
    base = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    rows = [(base + timedelta(minutes=5 * k), -6000) for k in range(8)]
    LiveReading.objects.bulk_create(
        LiveReading(logger=freezer.logger, at_ms=ms(when), centi=centi) for when, centi in rows
    )
    assert rounds.watch(base + timedelta(minutes=29)).opened == []
    (alarm,) = rounds.watch(base + timedelta(minutes=30)).opened
    assert alarm.begun_ms == ms(base)


def test_a_limit_that_is_moved_ends_the_alarm_only_after_a_delay(freezer):
    reads(freezer.logger, steady(0, 60, -60))
    (alarm,) = rounds.watch(at(60)).opened
    limits = actions.Limits(-5000, None, 30, 60)
    actions.set_limits(freezer.actor("curator"), freezer.units[F1], limits, "it is a −55 °C freezer now")
    rounds.watch(at(61))
    alarm.refresh_from_db()
    assert alarm.back_ms is None
    reads(freezer.logger, steady(60, 100, -60))
    rounds.watch(at(95))
    alarm.refresh_from_db()
    assert (alarm.back_ms, alarm.limit_centi) == (ms(at(60)), -6500)


def test_a_unit_that_cannot_be_judged_stops_no_other_and_is_named(freezer, monkeypatch):
    other = add(freezer, "NLB-F8", "freezer", centi=-8000)
    watched(freezer, other)
    reads(logger_in(freezer, other, "T-3"), steady(0, 5, -20))
    reads(freezer.logger, steady(0, 60, -60))
    real = rounds._judged

    def broken(seen, now_ms):
        if seen.setting.unit == other:
            raise ValueError("torn")
        return real(seen, now_ms)

    monkeypatch.setattr(rounds, "_judged", broken)
    done = rounds.watch(at(60))
    assert [one.unit.code for one in done.opened] == [F1]
    assert done.troubles == ["NLB-F8: torn"]
    assert AlarmWatch.objects.get().error == "NLB-F8: torn"


def test_nothing_that_is_not_watched_is_looked_at(freezer):
    AlarmSetting.objects.update(active=False)
    reads(freezer.logger, steady(0, 60, -60))
    done = rounds.watch(at(200))
    assert (done.opened, done.watched) == ([], 0)
    assert AlarmWatch.objects.get().ran == at(200)


def test_queries_of_a_round_do_not_grow(freezer):
    def grow(start, stop):
        for n in range(start, stop):
            unit = add(freezer, f"NLB-X{n}", "freezer", centi=-8000)
            watched(freezer, unit)
            reads(logger_in(freezer, unit, f"T-X{n}"), steady(0, 60, -80))

    reads(freezer.logger, steady(0, 60, -80))
    grow(0, 2)
    rounds.watch(at(60))
    with CaptureQueriesContext(connection) as few:
        rounds.watch(at(61))
    grow(2, 12)
    rounds.watch(at(62))
    with CaptureQueriesContext(connection) as many:
        rounds.watch(at(63))
    assert len(many) == len(few) <= 40


# what people do -----------------------------------------------------------------------------------


@pytest.fixture
def opened(freezer):
    reads(freezer.logger, steady(0, 60, -60))
    (alarm,) = rounds.watch(at(60)).opened
    return alarm


def refused(code, do, *args, **given):
    with pytest.raises(Refused) as no:
        do(*args, **given)
    assert no.value.code == code


def test_an_acknowledgement_needs_a_reason_and_is_given_once(freezer, opened):
    refused("reason_required", actions.acknowledge, freezer.actor("labtech"), opened, "  ")
    actions.acknowledge(freezer.actor("labtech"), opened, "compressor stands still, evacuating")
    refused("alarm_acknowledged", actions.acknowledge, freezer.actor("curator"), opened, "me too")
    opened.refresh_from_db()
    assert (opened.seen_by, opened.closed) == (freezer.person("labtech"), None)


def test_what_goes_on_cannot_be_closed_by_hand(freezer, opened):
    refused("alarm_goes_on", actions.close, freezer.actor("curator"), opened, "enough")
    AlarmSetting.objects.update(active=False)
    actions.close(freezer.actor("curator"), opened, "switched off for good")
    refused("alarm_closed", actions.close, freezer.actor("curator"), opened, "again")


@pytest.mark.parametrize(
    ("limits", "code"),
    [
        ((-8000, -6000, 30, 60), "limits_crossed"),
        ((-6500, -6500, 30, 60), "limits_crossed"),
        ((-6500, None, -1, 60), "alarm_delay_too_long"),
        ((-6500, None, 10_081, 60), "alarm_delay_too_long"),
        ((-6500, None, 30, 0), "alarm_silence_out_of_range"),
        ((-6500, None, 30, 43_201), "alarm_silence_out_of_range"),
    ],
)
def test_limits_that_make_no_sense_change_nothing(freezer, limits, code):
    before = Unit.history.count()
    unit = freezer.units[F1]
    refused(code, actions.set_limits, freezer.actor("curator"), unit, actions.Limits(*limits), "typed")
    assert Unit.history.count() == before


def test_limits_keep_who_and_why(freezer):
    unit = freezer.units[F1]
    actions.set_limits(freezer.actor("curator"), unit, actions.Limits(-6000, None, 0, 43_200), "new door")
    row = Unit.history.filter(id=unit.pk).latest()
    assert (row.alarm_above_centi, row.history_change_reason) == (-6000, "new door")
    assert row.history_user == freezer.user("curator")
    setting = AlarmSetting.objects.get(unit=unit)
    assert (setting.delay_s, setting.silence_s) == (0, 43_200 * 60)


def test_the_command_says_what_is_new_and_nothing_else(freezer, capsys, monkeypatch):
    reads(freezer.logger, steady(0, 60, -60))
    rounds.watch(at(30) - timedelta(minutes=1))
    monkeypatch.setattr("biobank.management.commands.alarms_check.timezone.now", lambda: at(60))
    with pytest.raises(CommandError, match="nobody is on call"):
        call_command("alarms_check")
    assert capsys.readouterr().out == f"{F1}: too warm\n"
    monkeypatch.setattr("biobank.management.commands.alarms_check.timezone.now", lambda: at(61))
    call_command("alarms_check")
    assert capsys.readouterr().out == ""
