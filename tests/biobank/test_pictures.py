"""What a unit's picture, a tube's picture and the list of units are made of.

The oracle for lowest, highest and excursions over years is a plain walk over all readings in this file; it
knows nothing of blocks, days or columns. Definitions: custody.core.thermal (strict limits, straight lines).
"""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.acting import perform
from biobank.evacuation import actions as evacuation
from biobank.models import ClockCheck, LiveReading, LoggerPlacement, ReadingExclusion, Unit
from biobank.store import actions as store_actions
from biobank.temperature import blocks, drawn, overview, tube_pictures, unit_queries, wide
from biobank.temperature.reduce import columns_of
from biobank.temperature.spans import Span
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.lab import EDTA, lab_set, primary
from tests.biobank.measured import DAY, HOUR, MINUTE, every_5_min, logger_in, measure, utc
from tests.people import moment

pytestmark = pytest.mark.django_db
T0 = utc("2026-05-02T00:00")
TZ = "Europe/Oslo"
F1, BOX = "NLB-F1", "NLB-B001"


@pytest.fixture
def logger(store):
    return logger_in(store, "TL-1", F1)


def ground(code):
    unit = Unit.objects.get(code=code)
    return unit, unit_queries.ground(unit, T0 + 4000 * DAY)


def seen(code, start, end, **more):
    unit, on = ground(code)
    return unit_queries.seen(unit, on, Span(start, end), TZ, **more)


# --- one unit -------------------------------------------------------------------------------------


def test_a_box_is_governed_by_the_logger_above_it_until_it_has_its_own(store, logger):
    every_5_min(logger, T0, T0 + 2 * DAY)
    own = logger_in(store, "TL-2", BOX, T0 + DAY, medium="buffered")
    every_5_min(own, T0 + DAY, T0 + 2 * DAY, lambda at: -7000)
    found = seen(BOX, T0, T0 + 2 * DAY)
    assert [(g.logger.code, g.unit.code, g.start_ms, g.end_ms, g.medium) for g in found.governs] == [
        ("TL-1", F1, T0, T0 + DAY, "in air"),
        ("TL-2", BOX, T0 + DAY, T0 + 2 * DAY, "in a buffer (glycol, beads)"),
    ]
    assert (found.trace.low[0], found.trace.high[0]) == (-8000, -7000)
    assert found.trace.no_data_ms <= 5 * MINUTE


def test_limits_are_those_of_the_nearest_unit_that_has_any_at_that_time(store, logger):
    """The box moves from Freezer 1 (alarm above −65 °C) into Freezer 2 (alarm above −70 °C)."""
    for code in ("NLB-F2", "NLB-R2"):
        store.units[code] = Unit.objects.create(
            code=code, kind="freezer" if code == "NLB-F2" else "rack", name=code, agency=store.nlb,
            alarm_above_centi=-7000 if code == "NLB-F2" else None,
        )  # fmt: skip
    line = {"u": "NLB-R2", "role": "subj", "to": "NLB-F2"}
    perform(store.actor("curator"), "moved", key=new_id(), at=builders.PRINTED, lines=[line])
    moved = moment(12)
    line = {"u": BOX, "role": "subj", "to": "NLB-R2"}
    perform(store.actor("curator"), "moved", key=new_id(), at=moved, lines=[line])
    at = round(moved.timestamp() * 1000)
    other = logger_in(store, "TL-2", "NLB-F2")
    for one in (logger, other):
        every_5_min(one, at - DAY, at + DAY, lambda now: -6800)  # above −70, not above −65
    (one,) = seen(BOX, at - DAY, at + DAY).trace.marked
    assert (one.excursion.start_ms, one.limit, one.place) == (at, -7000, "TL-2")


def test_an_excursion_below_is_found_too(store, logger):
    Unit.objects.filter(code=F1).update(alarm_above_centi=None, alarm_below_centi=-8500)
    every_5_min(logger, T0, T0 + DAY, lambda at: -8600 if T0 + HOUR <= at < T0 + 2 * HOUR else -8000)
    (one,) = seen(F1, T0, T0 + DAY).trace.marked
    assert (one.words, one.excursion.peak_centi) == ("below", -8600)


def test_nothing_one_reading_and_only_gaps(store, logger):
    assert not seen(F1, T0, T0 + DAY).trace.drawn
    measure(logger, [T0 + HOUR], [-8000])
    one = seen(F1, T0, T0 + DAY).trace
    assert one.drawn and one.readings == 1 and len(one.points) == 1 and not one.lines
    assert one.no_data_ms == DAY
    measure(logger, [T0 + DAY + k * HOUR for k in range(24)], [-8000] * 24)
    gaps = seen(F1, T0 + DAY, T0 + 2 * DAY).trace
    assert len(gaps.points) == 24 and not gaps.lines and gaps.measured_ms == 0
    assert sum(b - a for a, b in gaps.gaps) == DAY


def test_a_day_whose_seal_is_broken_is_named_and_not_drawn(store, logger):
    every_5_min(logger, T0, T0 + DAY)
    every_5_min(logger, T0 + 2 * DAY, T0 + 3 * DAY)
    held = blocks.of([T0 + DAY + HOUR], [400], 15 * MINUTE)
    wrong = blocks.block(logger.pk, logger.code, T0 // DAY + 1, held, 1, None)
    wrong.sha256 = "0" * 64
    wrong.save()
    found = seen(F1, T0, T0 + 3 * DAY).trace
    assert found.broken == ["2026-05-03"] and found.measured_ms < 2 * DAY
    assert [(a, b) for a, b in found.gaps if b - a > DAY] and found.readings == 2 * 288


def test_a_unit_in_no_tree_and_one_that_stands_in_nothing(store):
    lone = Unit.objects.create(code="NLB-X1", kind="fridge", name="Lone", agency=store.nlb, nominal_centi=400)
    store.units["NLB-X1"] = lone
    unit, on = ground("NLB-X1")
    assert on.whole is None
    found = unit_queries.seen(unit, on, Span(T0, T0 + DAY), TZ)
    assert [p.nominal for p in found.assumed] == [400] and found.trace.assumed_ms == DAY
    assert found.trace.drawn and found.trace.empty and found.trace.no_data_ms == 0
    one = logger_in(store, "TL-9", "NLB-X1")
    every_5_min(one, T0, T0 + HOUR, lambda at: 500)
    assert seen("NLB-X1", T0, T0 + HOUR).trace.readings == 12


def test_a_second_logger_is_a_thin_line_and_what_it_differs_by_is_said(store, logger):
    every_5_min(logger, T0, T0 + DAY)
    other = logger_in(store, "TL-2", F1, governing=False)
    every_5_min(other, T0, T0 + DAY, lambda at: -8000 + (340 if at == T0 + 6 * HOUR else 40))
    found = seen(F1, T0, T0 + DAY)
    (one,) = found.others
    assert len(found.trace.second) == 1 and one.apart
    assert (one.most, one.at_ms, one.compared) == (340, T0 + 6 * HOUR, 287)  # the last has no line beside it
    assert one.mean == round((286 * 40 + 340) / 287)
    LoggerPlacement.objects.filter(logger=other).update(from_ms=T0 + 7 * HOUR)
    assert not seen(F1, T0, T0 + DAY).others[0].apart


def test_an_approved_exclusion_is_a_gap_with_a_sign_and_one_that_waits_is_neither(store, logger):
    every_5_min(logger, T0, T0 + DAY)
    said = ReadingExclusion.objects.create(
        logger=logger, from_ms=T0 + HOUR, to_ms=T0 + 3 * HOUR, reason="out", by=store.person("labtech")
    )
    waiting = seen(F1, T0, T0 + DAY)
    assert not waiting.exclusions and waiting.trace.readings == 288
    said.approved, said.approved_by = moment(12), store.person("curator")
    said.save()
    found = seen(F1, T0, T0 + DAY)
    assert found.exclusions == [said] and found.trace.readings == 288 - 24
    (box,) = found.trace.shades
    assert box.label == "X1" and box.fill == 1
    assert any(a <= T0 + HOUR and b >= T0 + 3 * HOUR - 5 * MINUTE for a, b in found.trace.gaps)


def test_a_thermal_event_of_the_freezer_shows_in_its_box(store, logger):
    at = round(moment(12).timestamp() * 1000)
    every_5_min(logger, at - DAY, at + DAY)
    said = (store.units[F1], moment(11), moment(13), "compressor stood still")
    evacuation.say_thermal_event(store.actor("curator"), new_id(), *said)
    found = seen(BOX, at - DAY, at + DAY)
    assert [one.unit.code for one in found.events] == [F1]
    assert [(box.label, box.fill) for box in found.trace.shades] == [("T1", 0)]


def test_acts_in_a_box_open_the_door_of_its_freezer(store, logger):
    drawn_set = lab_set(store)
    tubes, who = [primary(drawn_set, EDTA)], store.actor("labtech")
    in_, out = moment(13), moment(15)
    store_actions.put_away(who, key=new_id(), tubes=tubes, unit=BOX, slot="A1", at=in_, why="test")
    store_actions.pull(who, key=new_id(), tubes=tubes, why="assay", at=out)
    at = round(in_.timestamp() * 1000)
    every_5_min(logger, at - DAY, at + DAY)
    for code in (BOX, F1):
        found = seen(code, at - HOUR, at + 5 * HOUR)
        assert [one.kind for one in found.doors.openings] == ["put_away", "pulled"]
        assert [n for _, n in found.ticks] == [1, 1] and len(found.trace.strip) == 2
    moved = round(builders.PRINTED.timestamp() * 1000)
    assert [one.kind for one in seen(F1, moved, moved + 1000).doors.openings] == ["moved"]
    assert seen("NLB-B001", at + 4 * HOUR, at + 5 * HOUR).doors.openings == []


# --- years ----------------------------------------------------------------------------------------


def years(logger, count, seed=5):
    """Readings of so many years with door openings, failures and holes; times and values."""
    rng = np.random.default_rng(seed)
    n = count * 365 * 288
    times = T0 + np.arange(n) * 5 * MINUTE
    centi = (-8000 + 60 * np.sin(np.arange(n) / 9) + rng.normal(0, 15, n)).astype(np.int64)
    for k in rng.integers(0, n - 40, 12):
        centi[k : k + rng.integers(1, 24)] += 2500
    keep = rng.random(n) > 0.0005
    for k in rng.integers(0, n, 20):
        keep[k : k + rng.integers(5, 900)] = False
    measure(logger, times[keep], centi[keep])
    return times[keep], centi[keep]


def runs_above(times, centi, limit):
    """Excursions by a walk over the readings: from the first reading above a limit to the last one."""
    found, run = [], []
    for k, (at, value) in enumerate(zip(times.tolist(), centi.tolist(), strict=True)):
        gap = k and at - times[k - 1] > 15 * MINUTE
        if run and (value <= limit or gap):
            found.append((run[0], run[-1]))
            run = []
        if value > limit:
            run.append(at)
    return found + ([(run[0], run[-1])] if run else [])


def test_a_year_from_whole_days_has_every_extreme_and_every_excursion(store, logger):
    times, centi = years(logger, 2)
    span = Span(T0 + 3 * HOUR, int(times[-1]) - 5 * HOUR)  # edges inside a day
    found = seen(F1, span.start, span.end, frame=drawn.frame_of(300))
    assert found.trace.days is not None and not found.trace.curves
    inside = (times >= span.start) & (times < span.end)
    t, c = times[inside], centi[inside]
    assert (found.trace.low[0], found.trace.high[0]) == (c.min(), c.max())
    assert found.trace.readings == inside.sum()
    bars = found.trace.days
    assert len(bars) <= 300
    for a, b, low, high in zip(bars.starts, bars.ends, bars.low, bars.high, strict=True):
        here = c[(t >= a) & (t < b)]
        assert (low, high) == (here.min(), here.max())
    walked = runs_above(t, c, -6500)
    said = [(m.excursion.start_ms, m.excursion.end_ms) for m in found.trace.marked]
    assert found.trace.excursions == len(walked) == len(said) >= 8
    for (a, b), (first, last) in zip(said, walked, strict=True):
        assert a <= first <= last <= b and first - a <= 15 * MINUTE and b - last <= 15 * MINUTE


def test_whole_days_and_all_readings_find_the_same_excursions(store, logger, monkeypatch):
    times, _ = years(logger, 1, seed=8)
    span = (T0 + 90 * MINUTE, int(times[-1]))
    days = seen(F1, *span).trace
    monkeypatch.setattr(unit_queries, "WIDE", 4000 * DAY)
    every = seen(F1, *span).trace
    assert days.days is not None and every.days is None
    assert [m.excursion for m in days.marked] == [m.excursion for m in every.marked]
    assert (days.low[0], days.high[0], days.readings) == (every.low[0], every.high[0], every.readings)
    assert days.measured_ms <= every.measured_ms  # the steps over midnight are not counted


def test_a_sensor_error_that_waits_to_be_sealed_is_no_low_of_a_year(store, logger):
    times, centi = years(logger, 1)
    later = int(times[-1]) + HOUR
    LiveReading.objects.bulk_create(
        LiveReading(logger=logger, at_ms=later + k * 5 * MINUTE, centi=value)
        for k, value in enumerate((-8010, blocks.ERROR, -8020))
    )
    trace = seen(F1, T0 + 3 * HOUR, later + DAY).trace
    assert trace.days is not None
    assert trace.low[0] == min(-8020, centi[times >= T0 + 3 * HOUR].min())


def test_ten_years_are_small_and_every_excursion_can_be_seen(store, logger):
    times, centi = years(logger, 10)
    found = seen(F1, int(times[0]), int(times[-1]) + 1, frame=drawn.frame_of(1200))
    said = drawn.as_json(found)
    assert len(json.dumps(said).encode()) < 200_000
    for first, _ in runs_above(times, centi, -6500):
        at = (first - found.span.start) // 1000
        assert any(a <= at <= b and high > -6500 for a, b, _, high in said["bars"])
        assert any(a <= at <= b for a, b, _, _ in said["beyond"])


@pytest.mark.parametrize("days", [1, 30, 199])
def test_numbers_for_the_script_hold_each_column_s_lowest_and_highest(store, logger, days):
    times, centi = years(logger, 1)
    start, end = T0 + 40 * DAY, T0 + (40 + days) * DAY
    found = seen(F1, start, end, frame=drawn.frame_of(400))
    said = drawn.as_json(found)
    assert len(json.dumps(said).encode()) < 100_000
    at = [t for t, c in zip(said["t"], said["c"], strict=True) if c is not None]
    kept = np.array([c for c in said["c"] if c is not None])
    column = columns_of(start + 1000 * np.array(at), start, end, 400)
    inside = (times >= start) & (times <= end)
    here, values = columns_of(times[inside], start, end, 400), centi[inside]
    for k in np.unique(here):
        mine = kept[column == k]
        assert mine.min() <= values[here == k].min() and mine.max() >= values[here == k].max()
    assert set(kept.tolist()) - {kept[0], kept[-1]} <= set(values.tolist())  # but for the two edges: readings


def test_numbers_are_bounded_when_every_reading_stands_alone(store, logger):
    times = T0 + np.arange(150 * 72) * 20 * MINUTE  # 20 minutes apart: only gaps
    measure(logger, times, -8000 + np.arange(len(times)) % 700)
    said = drawn.as_json(seen(F1, T0, T0 + 150 * DAY, frame=drawn.frame_of(99_999)))
    assert len(json.dumps(said).encode()) < 200_000
    assert all(said["c"][k] is None or said["c"][k + 1] is None for k in range(len(said["c"]) - 1))


def test_what_is_corrected_is_read_whole(store, logger):
    """A clock check of today; the day blocks' own figures are of uncorrected readings."""
    every_5_min(logger, T0, T0 + 210 * DAY)
    assert seen(F1, T0, T0 + 210 * DAY).trace.days is not None
    check = {"true_ms": T0, "shown_ms": T0 + 1000, "method": "radio", "by": store.person("labtech")}
    ClockCheck.objects.create(logger=logger, **check)
    assert wide.corrected([logger.pk])
    assert seen(F1, T0, T0 + 210 * DAY).trace.days is None


def test_a_logger_that_came_from_the_warm_that_day_does_not_warm_the_unit(store):
    """Before it was placed at noon it lay in the room: the day's own highest is not the unit's."""
    placed = T0 + DAY // 2
    one = logger_in(store, "TL-7", F1, placed)
    every_5_min(one, T0, T0 + 220 * DAY, lambda at: 2000 if at < placed else -8000)
    found = seen(F1, T0, T0 + 220 * DAY).trace
    assert found.days is not None and found.high[0] == -8000 and found.excursions == 0


# --- queries --------------------------------------------------------------------------------------


def test_a_picture_asks_as_often_for_an_hour_as_for_months(store, logger):
    years(logger, 1)
    unit, on = ground(F1)
    with CaptureQueriesContext(connection) as few:
        unit_queries.seen(unit, on, Span(T0, T0 + HOUR), TZ)
    with CaptureQueriesContext(connection) as many:
        unit_queries.seen(unit, on, Span(T0, T0 + 150 * DAY), TZ)
    assert len(many) <= len(few) <= 40


def units(store, count, first=100):
    for k in range(first, first + count):
        code = f"NLB-F{k}"
        store.units[code] = Unit.objects.create(
            code=code, kind="freezer", name=code, agency=store.nlb, nominal_centi=-8000,
            alarm_above_centi=-6500,
        )  # fmt: skip
        every_5_min(logger_in(store, f"TL-{k}", code), T0 + 29 * DAY, T0 + 30 * DAY)


def test_the_list_asks_as_often_for_3_units_as_for_30(store):
    units(store, 3)
    with CaptureQueriesContext(connection) as few:
        assert len(overview.rows(T0 + 30 * DAY)) == 4
    units(store, 27, 200)
    with CaptureQueriesContext(connection) as many:
        assert len(overview.rows(T0 + 30 * DAY)) == 31
    assert len(few) == len(many) <= 30


# --- the list -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "age", "state"),
    [
        ([-8000, -8000, -8000], 0, "in_range"),
        ([-8000, -6400, -6300], 0, "above"),
        ([-6400, -6400, -8000], 0, "in_range"),
        ([-8000, -8000, -6500], 0, "in_range"),  # at the limit is not above it
        ([-8000, -6400, -6300], 3 * HOUR, "silent"),  # what was is not said to be
    ],
)
def test_a_state_in_one_word(store, logger, values, age, state):
    times = [T0 + 5 * MINUTE * k for k in range(3)]
    measure(logger, times, values)
    (row,) = overview.rows(times[-1] + MINUTE + age)
    assert (row.state, row.last, row.logger) == (state, (times[-1], values[-1]), "TL-1")
    if state == "above":
        assert row.since == times[1] and not row.at_least


def test_since_when_is_at_least_when_it_began_before_what_was_looked_at(store, logger):
    every_5_min(logger, T0, T0 + 9 * DAY, lambda at: -6000)
    (row,) = overview.rows(T0 + 9 * DAY)
    assert row.state == "above" and row.at_least


def test_the_words_for_what_is_missing(store):
    assert [row.state for row in overview.rows(T0)] == ["no_logger"]
    logger = logger_in(store, "TL-1", F1)
    assert [row.state for row in overview.rows(T0)] == ["none"]
    Unit.objects.filter(code=F1).update(alarm_above_centi=None)
    every_5_min(logger, T0, T0 + HOUR)
    assert [row.state for row in overview.rows(T0 + HOUR)] == ["no_limit"]
    Unit.objects.filter(code=F1).update(alarm_below_centi=-7900)
    assert [row.state for row in overview.rows(T0 + HOUR)] == ["below"]


# --- one tube -------------------------------------------------------------------------------------


@pytest.fixture
def tube(store):
    """Drawn at 9:20, put into the box at 13:00."""
    made = primary(lab_set(store), EDTA)
    store_actions.put_away(
        store.actor("labtech"), key=new_id(), tubes=[made], unit=BOX, slot="A1", at=moment(13), why="test"
    )
    return made


def at_ms(hour, days=0):
    return round((moment(hour) + timedelta(days=days)).timestamp() * 1000)


def test_a_life_has_two_pictures_whose_acts_are_numbered_as_in_the_table(tube, logger):
    every_5_min(logger, at_ms(6), at_ms(6, 40))
    life = tube_pictures.life_of(tube, at_ms(6, 39), TZ)
    assert [words for words, _ in life.traces] == ["The first hours", "The whole life"]
    assert (life.first.start_ms, life.first.end_ms) == (round(builders.DRAWN.timestamp() * 1000), at_ms(1, 1))
    assert [(act.number, act.happening.kind) for act in life.acts] == [(1, "drawn"), (2, "put_away")]
    assert [box.label for box in life.first.acts] == ["1", "2"]
    assert [box.label for box in life.whole.acts if box.label] == ["1–2"]  # no room for both
    (stood,) = life.stood
    assert (stood.letter, stood.unit, stood.end_ms, stood.logger) == ("A", BOX, None, "TL-1")
    assert [text for _, text in life.whole.named] == ["A NLB-B001"]
    assert life.whole.measured_ms + life.whole.no_data_ms == life.whole.end_ms - life.whole.start_ms
    assert any(a == life.whole.start_ms for a, _ in life.first.gaps)  # on the bench nobody measured


def test_a_short_life_has_one_picture(tube, logger):
    every_5_min(logger, at_ms(6), at_ms(20))
    assert tube_pictures.life_of(tube, at_ms(20), TZ).first is None


def test_without_a_logger_the_set_point_is_a_dashed_line_called_assumed(tube):
    life = tube_pictures.life_of(tube, at_ms(20), TZ)
    assert life.whole.drawn and life.whole.empty
    (one,) = life.whole.assumed
    assert one.centi == -8000 and life.whole.assumed_ms == life.assumed_ms == 7 * HOUR
    assert not life.whole.lines and life.whole.no_data_ms == at_ms(13) - life.whole.start_ms


def test_a_tube_that_was_never_filled_has_no_picture(store):
    empty = builders.printed_set(store).tubes.first()
    assert not tube_pictures.life_of(empty.code, at_ms(20), TZ).whole.drawn


@pytest.mark.parametrize(
    ("at", "labels"),
    [
        ([(10, 1), (12, 2), (30, 3)], ["1–3", "", ""]),
        ([(10, 1), (40, 2)], ["1", "2"]),
        ([(10, 1), (12, 2), (60, 3), (61, 4), (62, 5)], ["1–2", "", "3–5", "", ""]),
        ([], []),
    ],
)
def test_numbers_that_would_stand_on_each_other_become_one(at, labels):
    assert [box.label for box in tube_pictures.numbered(at)] == labels
