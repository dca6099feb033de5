"""Loggers: their files, their sealed readings, and the phases of tubes that stood beside them.

Sources: summer time changes from the tz database (package tzdata, through zoneinfo), used to *write* local
times from UTC that must come back; °F fixed points are the definition of the scale (32 °F = 0 °C,
212 °F = 100 °C), rounding half to even as in IEEE 754. File layouts are invented here, common practice,
no source. The scenario is the invented Skarvik Bay survey.
"""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.acting import perform
from biobank.core import codes
from biobank.models import (
    Logger,
    LoggerDraft,
    LoggerImport,
    LoggerMapping,
    LoggerPlacement,
    ReadingDay,
    Unit,
)
from biobank.temperature import actions, blocks, queries
from biobank.temperature.parse import Mapping, centi_of, parse, zone_of
from biobank.temperature.places import NEVER, Placed, Tree, class_of
from custody.core.event import new_id
from custody.core.refusal import Refused
from custody.core.state import UnitStay
from tests.people import moment

PLAIN = Mapping("time", "temp", "%Y-%m-%d %H:%M")
MINUTE = 60_000
HOUR = 60 * MINUTE


def utc(text):
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def table(rows, heading="time,temp"):
    return ("\n".join([heading, *(f"{t},{v}" for t, v in rows)]) + "\n").encode()


def codes_of(parsed):
    return [problem.code for problem in parsed.problems]


# --- reading a file -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "centi"),
    [("32", 0), ("212", 10_000), ("-40", -4000), ("98.6", 3700), ("32.009", 0), ("32.027", 2), ("31.991", 0),
     ("−40", -4000), ("-459.67", -27_315)],
)  # fmt: skip
def test_fahrenheit_becomes_hundredths_of_celsius_exactly_and_half_to_even(text, centi):
    assert centi_of(text, "F") == centi


@pytest.mark.parametrize(("text", "centi"), [("-80,05", -8005), ("0,005", 0), ("0,015", 2), ("+4,1", 410)])
def test_a_decimal_comma(text, centi):
    assert centi_of(text, "C", ",") == centi


@pytest.mark.parametrize("text", ["", "abc", "1.2.3", "1e3", "nan", "4 °C", "1,5"])
def test_what_is_no_number_is_not_guessed(text):
    with pytest.raises(ValueError):
        centi_of(text)


def test_a_decimal_point_where_a_comma_was_promised_is_no_number():
    with pytest.raises(ValueError):
        centi_of("1.234", "C", ",")


def test_each_wrong_row_is_named_and_none_is_kept():
    rows = [
        ("2026-05-03 09:00", "4.0"), ("2026-05-03 09:05", "warm"), ("3 May", "4.0"),
        ("2026-05-03 08:00", "4"), ("2026-05-03 09:00", "9.0"), ("2026-05-03 09:10", "900"),
    ]  # fmt: skip
    found = parse(table(rows) + b"2026-05-03 09:15\n", PLAIN)
    assert [(p.row, p.code) for p in found.problems] == [
        (3, "value_not_number"), (4, "time_malformed"), (5, "out_of_order"), (6, "same_time_twice"),
        (7, "value_range"), (8, "row_short"),
    ]  # fmt: skip
    assert found.times == found.centi == []


def test_a_row_said_twice_counts_once_and_a_missing_word_leaves_its_time_out():
    rows = [("2026-05-03 09:00", "4.0"), ("2026-05-03 09:00", "4.0"), ("2026-05-03 09:05", "---")]
    found = parse(table(rows), Mapping("time", "temp", "%Y-%m-%d %H:%M", missing=("---",)))
    assert (found.rows, len(found.times), found.repeated, found.missing) == (3, 1, 1, 1)


def test_date_and_time_in_two_columns_after_a_foreword():
    text = "Serial;123\n\nDate;Time;T/°C\n03.05.2026;09:12:00;-79,9\n"
    mapping = Mapping("Date + Time", "3", "%d.%m.%Y %H:%M:%S", "+02:00", "C", "semicolon", ",", 3)
    for content in (text.encode(), text.encode("cp1252"), text.encode("utf-16")):
        found = parse(content, mapping)
        assert (found.times, found.centi) == ([utc("2026-05-03 07:12")], [-7990])


@pytest.mark.parametrize(
    "content",
    [b"", b"  \n", b"%PDF-1.7 ...", b"PK\x03\x04 spreadsheet", b"\x00\x01\x02\x00", b"time,temp\n",
     b"a,b\n1,2\n", b"time;temp\n2026-05-03 09:00;4\n"],
)  # fmt: skip
def test_the_wrong_kind_of_file_is_refused_whole(content):
    with pytest.raises(Refused) as no:
        parse(content, PLAIN)
    assert no.value.code == "file_kind"


def test_zones_are_named_or_offsets():
    assert zone_of("UTC-08:00").utcoffset(None) == timedelta(hours=-8)
    assert zone_of("Europe/Oslo") == ZoneInfo("Europe/Oslo")
    for wrong in ("Skarvik/Bay", "../etc/passwd", "+25:00", ""):
        with pytest.raises(Refused) as no:
            zone_of(wrong)
        assert no.value.code == "zone_unknown"


def local_rows(zone, first, minutes, count, leave_out=()):
    """Rows in local wall time, written from UTC, and their UTC ms."""
    moments = [first + timedelta(minutes=minutes * k) for k in range(count) if k not in leave_out]
    rows = [(f"{m.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}", f"{k % 9}") for k, m in enumerate(moments)]
    return rows, [round(m.timestamp() * 1000) for m in moments]


@pytest.mark.parametrize("minutes", [5, 15, 60])
@pytest.mark.parametrize(
    ("zone", "first"),
    [
        ("Europe/Oslo", datetime(2025, 10, 25, 22, tzinfo=UTC)),  # 26 Oct 2025 01:00 UTC
        ("America/New_York", datetime(2025, 11, 2, 3, tzinfo=UTC)),  # 2 Nov 2025 06:00 UTC
        ("Europe/Oslo", datetime(2026, 3, 28, 22, tzinfo=UTC)),  # forward: 29 Mar 2026 01:00 UTC
    ],
)
def test_local_time_over_a_change_of_the_clocks_comes_back_as_it_was(zone, first, minutes):
    rows, moments = local_rows(zone, first, minutes, 8 * 60 // minutes)
    found = parse(table(rows), Mapping("time", "temp", "%Y-%m-%d %H:%M", zone))
    assert not found.problems and found.times == moments


def test_half_an_hour_that_occurs_twice():
    rows, moments = local_rows("Australia/Lord_Howe", datetime(2026, 4, 4, 12, tzinfo=UTC), 5, 60)
    found = parse(table(rows), Mapping("time", "temp", "%Y-%m-%d %H:%M", "Australia/Lord_Howe"))
    assert not found.problems and found.times == moments


def test_an_hour_that_occurs_twice_is_refused_when_the_order_does_not_tell():
    oslo = Mapping("time", "temp", "%Y-%m-%d %H:%M", "Europe/Oslo")
    start = datetime(2025, 10, 25, 23, tzinfo=UTC)  # 02:00 summer time is row 6 of ten-minute rows
    once, _ = local_rows("Europe/Oslo", start, 10, 30, leave_out=range(12, 18))  # the second pass is lost
    assert set(codes_of(parse(table(once), oslo))) == {"time_ambiguous"}
    far, _ = local_rows(
        "Europe/Oslo", start, 10, 30, leave_out=range(7, 13)
    )  # 02:00, then an hour's silence, 02:10
    assert set(codes_of(parse(table(far), oslo))) == {"time_ambiguous"}
    few, moments = local_rows("Europe/Oslo", start, 10, 30, leave_out=[11])  # one lost reading is no matter
    assert parse(table(few), oslo).times == moments


def test_a_time_that_never_was_is_refused():
    rows = [("2026-03-29 01:50", "4"), ("2026-03-29 02:30", "4"), ("2026-03-29 03:10", "4")]
    found = parse(table(rows), Mapping("time", "temp", "%Y-%m-%d %H:%M", "Europe/Oslo"))
    assert [(p.row, p.code) for p in found.problems] == [(3, "time_never_was")]


# --- storing readings -----------------------------------------------------------------------------


@pytest.fixture
def logger(store):
    return actions.add_logger(store.actor("curator"), "T-01", 300, "Freezer probe", "SN1")


def rows_from(first, count, minutes=5, value=lambda k: -80 + k % 3):
    start = datetime.fromisoformat(first)
    return [(f"{start + timedelta(minutes=minutes * k):%Y-%m-%d %H:%M}", value(k)) for k in range(count)]


def take_in(people, logger, rows, key=None, role="curator"):
    held = actions.draft(people.actor(role), logger, PLAIN, "readings.csv", table(rows))
    return actions.store(people.actor(role), held, key or new_id())


def test_readings_come_back_as_they_were_over_midnight(store, logger):
    rows = rows_from("2026-05-03 22:00", 60)
    stored = take_in(store, logger, rows)
    loaded = blocks.load(logger.pk, utc("2026-05-03 22:00"), utc("2026-05-04 03:00"))
    assert stored.new == 60 and ReadingDay.objects.count() == 2 and not LoggerDraft.objects.exists()
    assert loaded.times.tolist() == [utc(t) for t, _ in rows]
    assert loaded.centi.tolist() == [v * 100 for _, v in rows]
    assert set(loaded.gaps.tolist()) == {15 * MINUTE}  # three recording intervals
    source = LoggerImport.objects.get()
    assert (source.rows, source.stored, source.person.code) == (60, 60, store.person("curator").code)
    assert source.mapping_spec == PLAIN.spec()


def test_the_same_readings_again_write_nothing_and_say_so(store, logger):
    rows = rows_from("2026-05-03 22:00", 60)
    take_in(store, logger, rows)
    before = list(ReadingDay.objects.values_list("pk", "sha256"))
    again = take_in(store, logger, rows[10:40])
    assert (again.source, again.new, again.already) == (None, 0, 30)
    assert (
        list(ReadingDay.objects.values_list("pk", "sha256")) == before and LoggerImport.objects.count() == 1
    )


def test_overlapping_files_in_any_order_give_the_same_readings(store, logger):
    rows = rows_from("2026-05-03 20:00", 200)
    parts = [rows[a : a + 60] for a in range(0, 200, 35)]
    random.Random(4).shuffle(parts)
    new = sum(take_in(store, logger, part).new for part in parts)
    loaded = blocks.load(logger.pk, utc(rows[0][0]), utc(rows[-1][0]))
    assert new == 200 and loaded.times.tolist() == [utc(t) for t, _ in rows]
    assert loaded.centi.tolist() == [v * 100 for _, v in rows]


def test_another_value_for_a_stored_moment_is_a_conflict_and_nothing_is_stored(store, logger):
    rows = rows_from("2026-05-03 09:00", 10)
    take_in(store, logger, rows)
    changed = [*rows[5:9], (rows[9][0], 4), *rows_from("2026-05-03 10:00", 5)]
    found = actions.look(logger, table(changed), PLAIN)
    assert [(p.row, p.code) for p in found.problems] == [(6, "reading_conflict")]
    with pytest.raises(Refused) as no:
        take_in(store, logger, changed)
    assert no.value.code == "rows_refused" and sum(ReadingDay.objects.values_list("n", flat=True)) == 10


def test_a_form_sent_twice_is_one_import(store, logger):
    key, rows = new_id(), rows_from("2026-05-03 09:00", 10)
    actor = store.actor("curator")
    held = actions.draft(actor, logger, PLAIN, "a.csv", table(rows))
    twin = LoggerDraft.objects.get(pk=held.pk)
    first, second = actions.store(actor, held, key), actions.store(actor, twin, key)
    assert first.source == second.source and LoggerImport.objects.count() == 1


@pytest.mark.parametrize("field", ["times", "values", "gap_ms", "day"])
def test_a_block_that_was_changed_is_left_out_and_named(store, logger, field):
    take_in(store, logger, rows_from("2026-05-03 09:00", 10))
    block = ReadingDay.objects.get()
    changed = getattr(block, field) + 1 if field in ("gap_ms", "day") else bytes(getattr(block, field))[::-1]
    ReadingDay.objects.filter(pk=block.pk).update(**{field: changed})
    loaded = blocks.load(logger.pk, utc("2026-05-03 09:00"), utc("2026-05-03 10:00"))
    assert len(loaded.times) == 0 and len(loaded.broken) == 1
    if field != "day":
        with pytest.raises(Refused) as no:
            take_in(store, logger, rows_from("2026-05-03 09:00", 10))
        assert no.value.code == "reading_seal_broken"


def test_the_database_itself_refuses_a_block_that_cannot_be(store, logger):
    take_in(store, logger, rows_from("2026-05-03 09:00", 10))
    block = ReadingDay.objects.get()
    for wrong in ({"n": 9}, {"n": 0}, {"values": b"\0"}, {"low_centi": 30_000}):
        with pytest.raises(IntegrityError), transaction.atomic():
            ReadingDay.objects.filter(pk=block.pk).update(**wrong)
    block.pk = None
    with pytest.raises(IntegrityError), transaction.atomic():
        block.save(force_insert=True)


# --- placements -----------------------------------------------------------------------------------


def test_placing_ends_the_placement_before_and_keeps_who_and_why(store, logger):
    actor = store.actor("curator")
    actions.place(actor, logger, store.units["NLB-F1"], 1000)
    actions.place(
        actor, logger, store.units["NLB-S1"], 5000, probe="middle", medium="buffered", reason="Test"
    )
    first, second = LoggerPlacement.objects.order_by("from_ms")
    assert (first.to_ms, second.to_ms) == (5000, None)
    assert second.history.get().history_user == store.user("curator")
    assert second.history.get().history_change_reason == "Test"


def test_a_logger_is_in_one_place_and_a_unit_has_one_governing_logger(store, logger):
    actor, other = store.actor("curator"), actions.add_logger(store.actor("curator"), "T-02", 300)
    freezer, shelf = store.units["NLB-F1"], store.units["NLB-S1"]
    actions.place(actor, logger, freezer, 1000, 5000)
    for start, end in ((0, 1001), (4999, 9000), (2000, 3000), (0, None)):
        with pytest.raises(Refused) as no:
            actions.place(actor, logger, shelf, start, end)
        assert no.value.code == "placement_overlaps"
        with pytest.raises(Refused) as no:
            actions.place(actor, other, freezer, start, end)
        assert no.value.code == "unit_has_logger"
    actions.place(actor, other, freezer, 2000, 3000, governing=False)
    actions.place(actor, logger, shelf, 5000)
    with pytest.raises(Refused) as no:
        actions.place(actor, other, shelf, 10, 5)
    assert no.value.code == "placement_backwards"
    with pytest.raises(IntegrityError), transaction.atomic():
        LoggerPlacement.objects.create(logger=logger, unit=freezer, from_ms=9000)
    with pytest.raises(IntegrityError), transaction.atomic():
        LoggerPlacement.objects.create(logger=other, unit=shelf, from_ms=9000)


# --- who governs ----------------------------------------------------------------------------------


def test_the_nearest_logger_and_the_nearest_set_point_win_moment_by_moment():
    tree = Tree(
        stays={"box": [UnitStay("shelf", 0, 100), UnitStay("cooler", 100, None)],
               "shelf": [UnitStay("freezer", 0, None)]},
        nominals={"freezer": -8000, "cooler": 400, "box": None, "shelf": None},
        placed={"freezer": [Placed(10, 60, 1)], "shelf": [Placed(50, 80, 2)],
                "cooler": [Placed(150, NEVER, 3)]},
    )  # fmt: skip
    said = [(p.start, p.end, p.logger, p.nominal) for p in tree.over("box", 0, 200)]
    assert said == [
        (0, 10, None, -8000), (10, 50, 1, -8000), (50, 80, 2, -8000), (80, 100, None, -8000),
        (100, 150, None, 400), (150, 200, 3, 400),
    ]  # fmt: skip


def test_a_unit_that_stands_in_itself_is_no_endless_loop():
    tree = Tree({"a": [UnitStay("b", 0, None)], "b": [UnitStay("a", 0, None)]}, {"a": 400}, {})
    assert [(p.start, p.end, p.nominal) for p in tree.over("a", 0, 10)] == [(0, 10, 400)]


@pytest.mark.parametrize(
    ("nominal", "name"),
    [
        (-8000, "frozen"),
        (-1800, "frozen"),
        (-1799, "cold"),
        (1000, "cold"),
        (1001, "ambient"),
        (None, "ambient"),
    ],
)
def test_a_phase_is_named_after_the_set_point(nominal, name):
    assert class_of(nominal) == name


# --- phases of tubes ------------------------------------------------------------------------------


def at_ms(hour, minute=0):
    return round(moment(hour, minute).timestamp() * 1000)


def draw(people, set_code="K7R2M", count=1):
    """Labels printed and tubes drawn at 09:20, all held by the laboratory."""
    tubes = [codes.make(set_code, number) for number in range(1, count + 1)]
    lab = people.actor("labtech")
    lines = [{"t": t, "role": "new", "label": "Red 10", "matrix": "SER", "ul": 500} for t in tubes]
    perform(lab, "label_printed", key=new_id(), at=moment(8), lines=lines,
            data={"set": set_code, "plan": "SEAL", "copy": 0})  # fmt: skip
    lines = [{"t": t, "role": "subj", "ul": 500} for t in tubes]
    perform(lab, "drawn", key=new_id(), at=moment(9, 20), lines=lines, data={"workup": "W-1"})
    return tubes


def put(people, tubes, unit, hour, minute=0, kind="put_away"):
    lines = [{"t": t, "role": "subj", "unit": unit, "row": 1, "col": k} for k, t in enumerate(tubes, 1)]
    perform(people.actor("labtech"), kind, key=new_id(), at=moment(hour, minute), lines=lines)


def freezer_readings(people, logger):
    """From 10:00 to 18:00 local: -80, but for 14:00 to 14:30: -60, with slopes of 5 min before and after."""
    rows = rows_from("2026-05-03 08:00", 97, value=lambda k: -60 if 48 <= k <= 54 else -80)
    take_in(people, logger, rows)


def test_a_tubes_phases_are_measured_where_a_logger_governed(store, logger):
    actions.place(store.actor("curator"), logger, store.units["NLB-F1"], at_ms(0), medium="buffered")
    freezer_readings(store, logger)
    (tube,) = draw(store)
    put(store, [tube], "NLB-B001", 11)
    hand, frozen = queries.phases_of([tube], [-7000, -1800], at_ms(20))[tube]
    assert (hand.name, hand.start_ms, hand.end_ms) == ("ambient", at_ms(9, 20), at_ms(11))
    assert hand.no_data_ms == 100 * MINUTE and hand.above == {} and hand.max_centi is None
    assert (frozen.name, frozen.measured_ms, frozen.no_data_ms) == ("frozen", 7 * HOUR, 2 * HOUR)
    assert (frozen.min_centi, frozen.max_centi) == (-8000, -6000)
    # 30 min at -60 and half of each 5 min slope lie above -70: 35 min, by hand
    assert frozen.above == {-7000: 35 * MINUTE, -1800: 0}
    assert frozen.longest_above[-7000] == 35 * MINUTE


def test_without_a_logger_the_set_point_is_assumed_and_with_a_silent_one_nothing_is(store, logger):
    (tube,) = draw(store)
    put(store, [tube], "NLB-B001", 11)
    _, frozen = queries.phases_of([tube], [-7000], at_ms(20))[tube]
    assert (frozen.measured_ms, frozen.assumed_ms, frozen.no_data_ms) == (0, 9 * HOUR, 0)
    assert frozen.min_centi is None and frozen.above == {-7000: 0}
    actions.place(store.actor("curator"), logger, store.units["NLB-F1"], at_ms(15))
    _, frozen = queries.phases_of([tube], [-7000], at_ms(20))[tube]
    assert (frozen.measured_ms, frozen.assumed_ms, frozen.no_data_ms) == (0, 4 * HOUR, 5 * HOUR)


def test_a_box_that_moves_takes_its_tubes_to_another_phase(store):
    Unit.objects.create(code="COOL", kind="cooler", name="Cooler", agency=store.tfl, nominal_centi=400)
    (tube,) = draw(store)
    put(store, [tube], "NLB-B001", 11)
    line = {"u": "NLB-B001", "role": "subj", "to": "COOL"}
    perform(store.actor("curator"), "moved", key=new_id(), at=moment(13), lines=[line])
    found = queries.phases_of([tube], [800], at_ms(14))[tube]
    assert [(p.name, p.end_ms - p.start_ms) for p in found] == [
        ("ambient", 100 * MINUTE), ("frozen", 2 * HOUR), ("cold", HOUR)
    ]  # fmt: skip


def test_out_and_in_again_are_three_phases_and_a_discarded_tube_ends(store):
    (tube,) = draw(store)
    put(store, [tube], "NLB-B001", 10)
    subject = [{"t": tube, "role": "subj"}]
    lab = store.actor("labtech")
    perform(lab, "pulled", key=new_id(), at=moment(12), lines=subject, data={"why": "assay"})
    put(store, [tube], "NLB-B001", 13)
    perform(lab, "discarded", key=new_id(), at=moment(15), lines=subject, data={"why": "empty"})
    found = queries.phases_of([tube], [], at_ms(20))[tube]
    assert [(p.name, p.start_ms, p.end_ms) for p in found] == [
        ("ambient", at_ms(9, 20), at_ms(10)), ("frozen", at_ms(10), at_ms(12)),
        ("ambient", at_ms(12), at_ms(13)), ("frozen", at_ms(13), at_ms(15)),
    ]  # fmt: skip


def test_a_tube_never_filled_has_no_phases(store):
    tube = codes.make("K7R2M", 1)
    assert queries.phases_of([tube], [0], at_ms(20)) in ({}, {tube: []})
    assert queries.tube_trace(tube, at_ms(20)).empty


def test_many_tubes_cost_no_more_queries_than_one(store, logger, django_assert_max_num_queries):
    actions.place(store.actor("curator"), logger, store.units["NLB-F1"], at_ms(0))
    freezer_readings(store, logger)
    tubes = draw(store, count=9)
    put(store, tubes, "NLB-B001", 11)
    for asked in (tubes[:1], tubes):
        with django_assert_max_num_queries(13):
            found = queries.phases_of(asked, [-7000], at_ms(20))
        assert {phases[1].above[-7000] for phases in found.values()} == {35 * MINUTE}


def test_a_tubes_trace_shows_its_stay_its_excursion_and_its_silences(store, logger):
    actions.place(store.actor("curator"), logger, store.units["NLB-F1"], at_ms(0))
    freezer_readings(store, logger)
    (tube,) = draw(store)
    put(store, [tube], "NLB-B001", 11)
    Unit.objects.filter(code="NLB-F1").update(alarm_above_centi=-6500)
    trace = queries.tube_trace(tube, at_ms(20), "Europe/Oslo")
    assert [box.label for box in trace.stays] == ["NLB-B001"]
    (one,) = trace.marked
    assert one.excursion.peak_centi == -6000 and one.length_ms == int(32.5 * MINUTE)  # by hand: 30 + 2 x 1.25
    assert trace.measured_ms == 7 * HOUR and trace.no_data_ms == 100 * MINUTE + 2 * HOUR
    assert len(trace.silent) == 2 and trace.high == (-6000, at_ms(14)) and trace.readings == 84 + 1
    (unit_one,) = queries.unit_excursions(store.units["NLB-F1"], at_ms(0), at_ms(20))
    assert (unit_one.start_ms, unit_one.end_ms) == (one.excursion.start_ms, one.excursion.end_ms)


# --- pages ----------------------------------------------------------------------------------------


def form_of(logger, rows, **changed):
    return {
        "logger": logger.code, "file": SimpleUploadedFile("may.csv", table(rows)), "delimiter": "comma",
        "header_rows": 1, "time_column": "time", "time_format": "%Y-%m-%d %H:%M", "zone": "UTC",
        "value_column": "temp", "unit": "C", "decimal": ".",
    } | changed  # fmt: skip


def test_a_file_is_looked_at_and_then_stored_once(store, logger, sign_in):
    client = sign_in("labtech")
    rows = rows_from("2026-05-03 09:00", 20)
    seen = client.post(reverse("logger_import"), form_of(logger, rows, save_as="Plain table"), follow=True)
    text = seen.content.decode()
    assert seen.status_code == 200 and "Store 20 new readings" in text and "<svg" in text
    assert not ReadingDay.objects.exists() and LoggerMapping.objects.get().name == "Plain table"
    address, key = seen.redirect_chain[-1][0], str(seen.context["form"]["key"].value())
    for _ in range(2):
        done = client.post(address, {"key": key}, follow=True)
        assert done.status_code == 200
    assert LoggerImport.objects.count() == 1 and ReadingDay.objects.get().n == 20
    again = client.post(reverse("logger_import"), form_of(logger, rows, saved="Plain table"), follow=True)
    said = client.post(again.redirect_chain[-1][0], {"key": new_id()}, follow=True).content.decode()
    assert "Nothing new: all 20 readings" in said


def test_a_file_with_a_wrong_row_shows_the_row_and_has_no_button(store, logger, sign_in):
    client = sign_in("labtech")
    seen = client.post(reverse("logger_import"), form_of(logger, [("2026-05-03 09:00", "warm")]), follow=True)
    text = seen.content.decode()
    assert (
        "value_not_number" in text and "new reading" not in text.split('<form method="post" class="stack"')[1]
    )
    refused = client.post(seen.redirect_chain[-1][0], {"key": new_id()})
    assert refused.status_code == 422 and "rows_refused" in refused.content.decode()
    assert not LoggerImport.objects.exists()


def test_the_wrong_kind_of_file_is_answered_with_its_code(store, logger, sign_in):
    wrong = form_of(logger, [], file=SimpleUploadedFile("may.pdf", b"%PDF-1.7"))
    answer = sign_in("labtech").post(reverse("logger_import"), wrong)
    assert answer.status_code == 422 and "file_kind" in answer.content.decode()
    assert not LoggerDraft.objects.exists()


def test_a_logger_is_added_placed_and_taken_out_by_plain_forms(store, sign_in):
    client = sign_in("curator")
    client.post(reverse("logger_new"), {"code": "T-09", "minutes": "10", "name": "", "serial": ""})
    place = {"unit": store.units["NLB-F1"].pk, "start": "2026-05-03T08:00", "end": "", "medium": "air",
             "governing": "on", "probe": "", "reason": "Start"}  # fmt: skip
    for _ in range(2):
        assert client.post(reverse("logger_place", args=["T-09"]), place).status_code == 302
    assert LoggerPlacement.objects.get().from_ms == at_ms(8)
    early = client.post(reverse("logger_take_out", args=["T-09"]), {"end": "2026-05-03T07:00", "reason": "x"})
    assert early.status_code == 422 and "placement_backwards" in early.content.decode()
    for _ in range(2):
        out = {"end": "2026-05-03T09:00", "reason": "Battery"}
        assert client.post(reverse("logger_take_out", args=["T-09"]), out).status_code == 302
    assert LoggerPlacement.objects.get().to_ms == at_ms(9)


def test_the_loggers_page_marks_the_excursion_in_words(store, logger, sign_in):
    actions.place(store.actor("curator"), logger, store.units["NLB-F1"], at_ms(0))
    freezer_readings(store, logger)
    text = sign_in("auditor").get(reverse("logger", args=["T-01"])).content.decode()
    assert "alarm above −65.0 °C" in text and "32 min" in text and "<polyline" in text
    assert "Take in a file" not in text.split("<main")[1].split("Trace")[0]  # an auditor only reads


def test_the_list_of_loggers_takes_the_same_queries_for_one_as_for_many(store, logger, sign_in):
    client = sign_in("labtech")
    freezer_readings(store, logger)

    def asked():
        with CaptureQueriesContext(connection) as seen:
            assert client.get(reverse("loggers")).status_code == 200
        return len(seen)

    for_one = asked()
    for n in range(12):
        Logger.objects.create(code=f"X-{n}", agency=store.nlb, interval_s=60)
    assert asked() == for_one


def test_who_may_not(store, logger, sign_in):
    assert sign_in("collaborator").get(reverse("loggers")).status_code == 403
    assert sign_in("auditor").get(reverse("logger_import")).status_code == 403
    assert sign_in("fieldtech").post(reverse("logger_new"), {}).status_code == 403
    rows = rows_from("2026-05-03 09:00", 3)
    held = actions.draft(store.actor("curator"), logger, PLAIN, "a.csv", table(rows))
    assert sign_in("labtech").get(reverse("logger_draft", args=[held.pk])).status_code == 404
