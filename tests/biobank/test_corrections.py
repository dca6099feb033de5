"""What is known of a logger besides its readings, and what it makes of them.

Figures are worked by hand in each test. The clock that gains from 2 s to 92 s in 30 days (3 s a day) is the
drift that the definitions of this programme were tried on; 180 days for a clock check, and points that
bracket the readings, are common practice, no source. The scenario is the invented Skarvik Bay survey.
"""

from __future__ import annotations

import hashlib
from datetime import date

import numpy as np
import pytest
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from biobank.models import (
    CalibrationCertificate,
    ClockCheck,
    LoggerImport,
    ReadingBlock,
    ReadingConflict,
    ReadingExclusion,
)
from biobank.models.loggers import DAY_MS
from biobank.temperature import blocks, corrections, placing
from biobank.temperature import record_actions as records
from biobank.temperature.corrections import Certificate, Correction
from biobank.temperature.held import ERROR, of
from biobank.temperature.record_actions import Paper
from custody.core.phase import Stretch, join
from custody.core.refusal import Refused
from tests.biobank.logged import rows_from, take_in

MINUTE = 60_000
HOUR = 60 * MINUTE
SECOND = 1000
ALWAYS = (-(1 << 60), 1 << 60)
T0 = 20_576 * DAY_MS  # 3 May 2026, 00:00 UTC


def held(times, centi=None, gap=15 * MINUTE):
    return of(times, [-8000] * len(times) if centi is None else centi, gap)


def codes(notes):
    return [note.code for note in notes]


# --- clock ----------------------------------------------------------------------------------------


def test_a_clock_that_gains_ninety_seconds_in_thirty_days():
    days = 30 * DAY_MS
    known = Correction(checks=((T0, 2 * SECOND), (T0 + days, 92 * SECOND)))
    shown = [T0 - DAY_MS, T0, T0 + 10 * DAY_MS, T0 + days // 2, T0 + days, T0 + days + DAY_MS]
    ahead = [2, 2, 32, 47, 92, 92]  # 3 s a day between the checks, constant outside
    found = known.apply(held(shown)).held.times.tolist()
    assert found == [at - one * SECOND for at, one in zip(shown, ahead, strict=True)]
    every = np.arange(T0 - DAY_MS, T0 + days + DAY_MS, 5 * MINUTE)
    moved = known.apply(held(every)).held.times
    assert np.all(np.diff(moved) > 0)
    # 300 s shown are 300 s - 300 × 90/2,592,000 s = 299.9896 s of true time: whole ms, 10 or 11 less
    assert set((300_000 - np.diff(moved)[300:8000]).tolist()) == {10, 11}


def test_one_check_moves_everything_and_none_moves_nothing():
    assert Correction(checks=((T0, -90 * SECOND),)).apply(held([T0, T0 + MINUTE])).held.times.tolist() == [
        T0 + 90 * SECOND, T0 + 150 * SECOND
    ]  # fmt: skip
    assert Correction().apply(held([T0])).held.times.tolist() == [T0]


def test_a_silence_is_counted_by_the_loggers_own_clock():
    """Fifteen minutes shown are the limit exactly; that the clock lost a little makes no gap of them, and a
    minute more stays one although the clock gained."""
    losing = Correction(checks=((T0, 0), (T0 + DAY_MS, -HOUR)))
    assert series_of(losing.apply(held([T0, T0 + 15 * MINUTE]))).linked.tolist() == [True, False]
    gaining = Correction(checks=((T0, 0), (T0 + DAY_MS, 2 * HOUR)))
    assert series_of(gaining.apply(held([T0, T0 + 16 * MINUTE]))).linked.tolist() == [False, False]


def test_a_clock_that_stood_still_makes_a_silence_and_no_line_over_it():
    """Two checks an hour apart by the logger and five hours by a true clock: four hours nobody measured."""
    stopped = Correction(checks=((T0, 0), (T0 + HOUR, -4 * HOUR)))
    done = stopped.apply(held([T0 + k * 5 * MINUTE for k in range(13)]))
    assert series_of(done).measured(T0, T0 + 5 * HOUR).tolist() == [0.0]  # 25 min apart; 15 are borne


def series_of(done):
    return blocks.usable(done.held, []).series()


def test_a_clock_is_flagged_far_from_every_check():
    known = Correction(checks=((T0, 0),))
    shown = [T0 - 181 * DAY_MS, T0 - 180 * DAY_MS, T0, T0 + 180 * DAY_MS, T0 + 180 * DAY_MS + 1]
    notes = [note for note in known.apply(held(shown)).notes if note.code == "clock_unchecked"]
    assert [(note.start, note.end, note.readings) for note in notes] == [
        (shown[0], shown[0] + 1, 1), (shown[4], shown[4] + 1, 1)
    ]  # fmt: skip
    (never,) = [note for note in Correction().apply(held(shown)).notes if note.code == "clock_unchecked"]
    assert (never.start, never.end, never.readings) == (shown[0], shown[-1] + 1, 5)


# --- calibration ----------------------------------------------------------------------------------


def certificate(points, start=ALWAYS[0], end=ALWAYS[1], number="C-1"):
    return Certificate(number, start, end, tuple(points))


def test_the_correction_of_a_certificate_is_linear_between_points_and_constant_outside():
    known = Correction(certificates=(certificate([(-8000, 40, 20), (0, -20, 30)]),))
    read = [-9000, -8000, -6000, -4000, 0, 500]
    done = known.apply(held([T0 + k * MINUTE for k in range(6)], read))
    # by hand: +0.40 at -80, -0.20 at 0, so -0.0075 K a degree: +0.25 at -60, +0.10 at -40
    assert done.held.centi.tolist() == [-8960, -7960, -5975, -3990, -20, 480]
    (note,) = [one for one in done.notes if one.code == "outside_points"]
    assert (note.readings, note.about, note.start, note.end) == (2, "C-1", T0, T0 + 5 * MINUTE + 1)
    assert "common practice, no source" in note.words and done.uncertainty == 30


def test_a_certificate_counts_only_while_it_is_valid_and_the_rest_is_flagged():
    known = Correction(certificates=(certificate([(-8000, 100, 20)], T0, T0 + DAY_MS),))
    shown = [T0 - 1, T0, T0 + DAY_MS - 1, T0 + DAY_MS]
    done = known.apply(held(shown))
    assert done.held.centi.tolist() == [-8000, -7900, -7900, -8000] and done.uncertainty is None
    spans = [(n.start, n.end, n.readings) for n in done.notes if n.code == "no_certificate"]
    assert spans == [(T0 - 1, T0, 1), (T0 + DAY_MS, T0 + DAY_MS + 1, 1)]


def test_validity_is_by_the_true_time():
    one = certificate([(-8000, 100, 20)], T0, T0 + DAY_MS)
    done = Correction(checks=((T0, HOUR),), certificates=(one,)).apply(held([T0 + DAY_MS + HOUR - 1]))
    assert done.held.centi.tolist() == [-7900]


def test_a_sensor_error_is_no_temperature_and_is_not_corrected():
    known = Correction(certificates=(certificate([(-8000, 100, 20)]),), checks=((T0, SECOND),))
    done = known.apply(held([T0, T0 + MINUTE, T0 + 2 * MINUTE], [-8000, ERROR, -8000]))
    assert done.held.centi.tolist() == [-7900, ERROR, -7900]
    assert "no_certificate" not in codes(done.notes)
    assert blocks.usable(done.held, []).series().measured(*ALWAYS)[0] == 0


# --- what does not count --------------------------------------------------------------------------


def five(step=5 * MINUTE, n=13):
    return held([T0 + k * step for k in range(n)])


def test_an_excluded_stretch_is_never_bridged_however_short():
    """Readings every 5 min for an hour, gap limit 15 min. Without that of 00:20 the line from 00:15 to 00:25
    would be short enough; it is cut, so 50 min are left. Between two readings the whole piece goes."""

    def measured(*excluded):
        done = Correction(excluded=tuple((T0 + a, T0 + b, "defrost") for a, b in excluded)).apply(five())
        return series_of(done).measured(*ALWAYS)[0] / MINUTE, done

    assert measured()[0] == 60
    assert measured((20 * MINUTE, 20 * MINUTE + 1))[0] == 50
    assert measured((21 * MINUTE, 22 * MINUTE))[0] == 55
    assert measured((20 * MINUTE, 40 * MINUTE))[0] == 35  # 15 min before; the reading of 00:40 counts again
    assert measured((20 * MINUTE, 30 * MINUTE), (30 * MINUTE, 40 * MINUTE))[0] == 35
    left, done = measured((-HOUR, 10 * MINUTE))
    assert left == 50
    (note,) = [one for one in done.notes if one.code == "excluded"]
    assert (note.start, note.end, note.readings, note.words) == (
        T0 - HOUR, T0 + 10 * MINUTE, 2, "excluded, defrost"
    )  # fmt: skip
    assert "excluded" not in codes(measured((2 * HOUR, 3 * HOUR))[1].notes)


def test_a_moment_in_dispute_is_no_data_until_somebody_says_which_value_counts():
    moment, missing = T0 + 20 * MINUTE, T0 + 21 * MINUTE
    done = Correction(disputed={moment: None}).apply(five())
    assert moment not in done.held.times and series_of(done).measured(*ALWAYS)[0] == 50 * MINUTE
    assert [(n.start, n.end, n.readings) for n in done.notes if n.code == "conflict"] == [
        (moment, moment + 1, 1)
    ]
    said = Correction(disputed={moment: 400}).apply(five())
    assert said.held.centi.tolist().count(400) == 1 and said.held.times.tolist() == five().times.tolist()
    assert series_of(Correction(disputed={missing: None}).apply(five())).measured(*ALWAYS)[0] == 55 * MINUTE
    assert Correction(disputed={missing: 400}).apply(five()).held.centi.tolist() == five().centi.tolist()


def test_nothing_is_made_of_nothing():
    known = Correction(checks=((T0, 5),), excluded=((T0, T0 + 1, "x"),), disputed={T0: None})
    assert len(known.apply(held([])).held) == 0 and known.apply(held([])).notes == ()


# --- properties -----------------------------------------------------------------------------------

steps = st.lists(st.integers(1, 20 * MINUTE), min_size=1, max_size=40)
values = st.integers(-20_000, 6_000) | st.just(ERROR)


@st.composite
def readings(draw):
    times = np.cumsum(draw(steps)) + T0
    return held(times, draw(st.lists(values, min_size=len(times), max_size=len(times))))


@st.composite
def clocks(draw):
    """Checks whose true times rise as the shown ones do."""
    gaps = draw(st.lists(st.tuples(st.integers(1, 3 * HOUR), st.integers(1, 3 * HOUR)), max_size=5))
    shown, true, found = T0, T0 + draw(st.integers(-HOUR, HOUR)), []
    for more, later in gaps:
        shown, true = shown + more, true + later
        found.append((shown, shown - true))
    return tuple(found)


@st.composite
def excluded(draw):
    starts = draw(st.lists(st.tuples(st.integers(0, 5 * HOUR), st.integers(1, 2 * HOUR)), max_size=4))
    return tuple(sorted((T0 + a, T0 + a + length, "out") for a, length in starts))


@st.composite
def known(draw):
    disputes = draw(
        st.dictionaries(st.integers(0, 5 * HOUR).map(lambda a: T0 + a), st.none() | values, max_size=4)
    )
    rows = draw(st.lists(st.tuples(st.integers(-900, 900), st.integers(0, 50)), min_size=1, max_size=4))
    points = tuple((-9000 + 3000 * k, change, u) for k, (change, u) in enumerate(rows))
    one = Certificate(
        "C", T0 + draw(st.integers(-HOUR, HOUR)), T0 + draw(st.integers(HOUR, 9 * HOUR)), points
    )
    return Correction(draw(clocks()), (one,), draw(excluded()), disputes)


@given(readings(), known())
def test_corrected_times_rise_strictly(read, one):
    done = one.apply(read).held
    assert np.all(np.diff(done.times) > 0)
    assert len(done.times) == len(done.centi) == len(done.gaps)


@given(readings(), known())
def test_nothing_is_measured_in_an_excluded_stretch_or_in_dispute(read, one):
    """Nor is more measured than without the exclusions and disputes."""
    series = series_of(one.apply(read))
    without = series_of(Correction(one.checks, one.certificates).apply(read))
    for start, end, _ in one.excluded:
        a, b = one.true_span(start, end)
        assert series.measured(a, b)[0] == 0
    assert series.measured(*ALWAYS)[0] <= without.measured(*ALWAYS)[0]


@given(readings(), known(), st.integers(-9000, 500))
def test_unmeasured_is_never_good(read, one, limit):
    """A phase over corrected readings says at least as much no data as before, and time at the limit or below
    it only where something was measured."""
    done = blocks.usable(one.apply(read).held, [])
    start, end = T0, T0 + 6 * HOUR
    phase = join("cold", [Stretch(start, end, done.series(), None)], [limit])
    assert phase.measured_ms + phase.no_data_ms == end - start and phase.assumed_ms == 0
    for a, b, _ in one.excluded:
        a, b = one.true_span(a, b)
        a, b = max(a, start), min(b, end)
        if a < b:
            within = join("cold", [Stretch(a, b, done.series(), None)], [limit])
            assert (within.measured_ms, within.no_data_ms) == (0, b - a)


@given(readings(), known())
def test_what_was_read_is_not_touched(read, one):
    before = [array.copy() for array in (read.times, read.centi, read.gaps)]
    one.apply(read)
    assert all(np.array_equal(a, b) for a, b in zip(before, (read.times, read.centi, read.gaps), strict=True))


# --- what people say, and take back ---------------------------------------------------------------

FIRST = "2026-05-03 00:00"


@pytest.fixture
def logger(store):
    """A logger with readings of 3 May 2026, every 5 min, −80.00 °C and up to 2 K more."""
    made = placing.add_logger(store.actor("curator"), "T-01", 300)
    take_in(store, made, rows_from(FIRST, 288))
    return made


def loaded(logger, raw=False):
    return blocks.load(logger.pk, T0, T0 + DAY_MS, raw)


def same(a, b):
    return all(np.array_equal(getattr(a, name), getattr(b, name)) for name in ("times", "centi", "gaps"))


def paper(**changed):
    return Paper(
        **(
            {
                "number": "C-1", "laboratory": "Lab", "issued": date(2026, 1, 2),
                "valid_from": date(2026, 1, 1), "valid_to": date(2026, 12, 31),
                "points": [(-8000, 25, 10), (-2000, -5, 15)],
            } | changed
        )
    )  # fmt: skip


def test_records_are_applied_when_readings_are_read_and_withdrawn_ones_leave_no_trace(store, logger):
    actor, second = store.actor("labtech"), store.actor("curator")
    before, rows = loaded(logger), list(ReadingBlock.objects.values_list("pk", "sha256", "payload"))
    check = records.check_clock(actor, logger, T0 + HOUR, T0 + HOUR + 90 * SECOND, "radio")
    cert = records.add_certificate(actor, logger, paper())
    out = records.exclude(actor, logger, T0 + HOUR, T0 + 2 * HOUR, "out", "Probe lay on the bench")
    records.approve(second, out)
    now = loaded(logger)
    assert now.times[0] == T0 - 90 * SECOND and now.centi[0] == -7975 and len(now.times) == 288 - 12
    assert {note.code for note in now.notes} == {"excluded"}
    assert now.uncertainty == 15 and loaded(logger, raw=True).notes == []
    assert same(loaded(logger, raw=True), before)
    for row in (check, cert, out):
        records.withdraw(actor, row, "It was another logger")
    assert same(loaded(logger), before)
    assert list(ReadingBlock.objects.values_list("pk", "sha256", "payload")) == rows
    kept = ClockCheck.objects.get()
    assert (kept.withdrawn_by, kept.withdrawn_why) == (actor.person, "It was another logger")
    said = kept.history.order_by("history_id").values_list("history_change_reason", flat=True)
    assert list(said) == ["Clock checked", "It was another logger"]


def test_the_order_in_which_records_are_entered_does_not_matter(store, logger):
    actor, second = store.actor("labtech"), store.actor("curator")
    acts = [
        lambda: records.check_clock(actor, logger, T0, T0 + 2 * SECOND, "radio"),
        lambda: records.check_clock(actor, logger, T0 + 9 * HOUR, T0 + 9 * HOUR + 92 * SECOND, "server"),
        lambda: records.add_certificate(actor, logger, paper()),
        lambda: records.add_certificate(
            actor, logger, paper(number="C-0", valid_from=date(2025, 1, 1), valid_to=date(2025, 12, 31))
        ),
        lambda: records.approve(second, records.exclude(actor, logger, T0 + HOUR, T0 + 2 * HOUR, "out", "x")),
        lambda: records.approve(second, records.exclude(actor, logger, T0, T0 + 90 * MINUTE, "fault", "x")),
    ]
    for act in acts:
        act()
    one = corrections.of([logger.pk])
    for kind in (ClockCheck, CalibrationCertificate, ReadingExclusion):
        for row in kind.objects.all():
            records.withdraw(actor, row, "To say it again in another order")
    for act in acts[::-1]:
        act()
    assert corrections.of([logger.pk]) == one and ClockCheck.objects.count() == 4


def test_a_reading_with_another_value_waits_for_a_person(store, logger):
    moment = T0 + 20 * MINUTE
    row = ReadingConflict.objects.create(
        logger=logger, at_ms=moment, stored_centi=-7900, said_centi=400, source=LoggerImport.objects.get()
    )
    assert moment not in loaded(logger).times and "conflict" in codes(loaded(logger).notes)
    for choice, value in (("stored", -7900), ("said", 400), ("neither", None)):
        ReadingConflict.objects.filter(pk=row.pk).update(
            choice=choice, settled=timezone.now(), by=store.person("curator"), reason="Seen in the log"
        )
        found = dict(zip(loaded(logger).times.tolist(), loaded(logger).centi.tolist(), strict=True))
        assert found.get(moment) == value
    ReadingConflict.objects.filter(pk=row.pk).update(choice="said")
    ReadingConflict.objects.create(logger=logger, at_ms=moment, stored_centi=-7900, said_centi=500)
    assert moment not in loaded(logger).times  # one open question is enough


def test_readings_of_a_clock_days_off_are_found(store, logger):
    """Three days ahead: readings that were stored as of 3 May are of 30 April."""
    records.check_clock(store.actor("labtech"), logger, T0, T0 + 3 * DAY_MS, "radio", sure=True)
    found = blocks.load(logger.pk, T0 - 3 * DAY_MS, T0 - 2 * DAY_MS)
    assert len(found.times) == 288 and found.times[0] == T0 - 3 * DAY_MS
    assert len(loaded(logger).times) == 0


def refuses(code, act):
    before = [kind.objects.count() for kind in (ClockCheck, CalibrationCertificate, ReadingExclusion)]
    with pytest.raises(Refused) as no:
        act()
    assert no.value.code == code, no.value.sentence
    assert [kind.objects.count() for kind in (ClockCheck, CalibrationCertificate, ReadingExclusion)] == before


def test_clock_checks_that_cannot_be(store, logger):
    actor = store.actor("labtech")

    def check(true, shown, sure=False):
        return records.check_clock(actor, logger, T0 + true, T0 + shown, "radio", sure=sure)

    first = check(0, 0)
    assert check(0, 0) == first  # the second tap
    check(HOUR, HOUR + MINUTE)
    for true, shown in ((0, 1), (1, 0), (-1, 1), (2 * HOUR, HOUR), (HOUR // 2, 2 * HOUR), (HOUR, 2 * HOUR)):
        refuses("clock_reverses", lambda true=true, shown=shown: check(true, shown, sure=True))
    far = 2 * DAY_MS
    refuses("clock_far", lambda: check(far, far + 30 * MINUTE + 1))
    assert check(far, far + DAY_MS + 1, sure=True).ahead_ms == DAY_MS + 1
    later = round(timezone.now().timestamp() * 1000) + HOUR
    refuses("clock_in_future", lambda: records.check_clock(actor, logger, later, later, "radio"))


@pytest.mark.parametrize(
    ("code", "changed"),
    [
        ("certificate_backwards", {"valid_to": date(2025, 12, 31)}),
        ("certificate_in_future", {"issued": date(2999, 1, 1)}),
        ("points_missing", {"points": []}),
        ("points_not_rising", {"points": [(0, 0, 0), (0, 1, 0)]}),
        ("points_not_rising", {"points": [(0, 0, 0), (-1, 1, 0)]}),
        ("uncertainty_negative", {"points": [(0, 0, -1)]}),
        ("correction_large", {"points": [(0, 1001, 0)]}),
        ("document_no_pdf", {"document": b"PK\x03\x04"}),
        ("document_too_large", {"document": b"%PDF-" + bytes(10_000_000)}),
    ],
)
def test_a_certificate_that_cannot_be(store, logger, code, changed):
    refuses(code, lambda: records.add_certificate(store.actor("labtech"), logger, paper(**changed)))


def test_certificates_do_not_overlap_and_their_document_is_kept_by_its_hash(store, logger):
    actor = store.actor("labtech")
    document = b"%PDF-1.7 a certificate"
    row = records.add_certificate(actor, logger, paper(document=document, document_name="c.pdf"))
    assert row.document_sha256 == hashlib.sha256(document).hexdigest()
    assert records.add_certificate(actor, logger, paper()) == row
    for first, last in ((date(2026, 12, 31), date(2027, 12, 31)), (date(2025, 1, 1), date(2026, 1, 1))):
        refuses("certificate_overlaps", lambda first=first, last=last: records.add_certificate(
            actor, logger, paper(number="C-2", valid_from=first, valid_to=last)))  # fmt: skip
    other = paper(points=[(0, 0, 0)])
    refuses("certificate_number_taken", lambda: records.add_certificate(actor, logger, other))
    records.add_certificate(
        actor, logger, paper(number="C-2", valid_from=date(2027, 1, 1), valid_to=date(2027, 2, 1))
    )
    large = records.add_certificate(
        actor, logger, paper(number="C-3", valid_from=date(2028, 1, 1), valid_to=date(2028, 2, 1),
                             points=[(0, -1500, 0)]), sure=True
    )  # fmt: skip
    assert large.points == [[0, -1500, 0]]


def test_an_exclusion_counts_only_when_a_second_person_approves(store, logger):
    lab, curator = store.actor("labtech"), store.actor("curator")
    row = records.exclude(lab, logger, T0, T0 + HOUR, "out", "Probe lay on the bench")
    assert records.exclude(lab, logger, T0, T0 + HOUR, "out", "Again") == row
    assert len(loaded(logger).times) == 288
    refuses("approve_own", lambda: records.approve(lab, row))
    for _ in range(2):
        records.approve(curator, row)
    assert len(loaded(logger).times) == 276
    refuses("exclusion_approved", lambda: records.approve(store.actor("fieldtech"), row))
    refuses("reason_required", lambda: records.withdraw(lab, row, " "))
    records.withdraw(lab, row, "It was another day")
    refuses("record_withdrawn", lambda: records.withdraw(lab, row, "Again"))
    assert len(loaded(logger).times) == 288
    other = records.exclude(lab, logger, T0, T0 + HOUR, "fault", "x")
    records.withdraw(lab, other, "Said twice")
    refuses("record_withdrawn", lambda: records.approve(curator, other))


@pytest.mark.parametrize(
    ("code", "start", "end", "note"),
    [
        ("exclusion_backwards", HOUR, HOUR, "x"),
        ("exclusion_before_readings", -HOUR, 0, "x"),
        ("exclusion_long", 0, 31 * DAY_MS + 1, "x"),
        ("exclusion_in_future", 0, 1 << 50, "x"),
        ("reason_required", 0, HOUR, " "),
    ],
)
def test_an_exclusion_that_cannot_be(store, logger, code, start, end, note):
    actor = store.actor("labtech")
    refuses(code, lambda: records.exclude(actor, logger, T0 + start, T0 + end, "out", note))


def test_a_logger_without_readings_has_none_to_leave_out(store):
    empty = placing.add_logger(store.actor("curator"), "T-02", 300)
    refuses("exclusion_before_readings", lambda: records.exclude(
        store.actor("labtech"), empty, T0, T0 + HOUR, "out", "x"))  # fmt: skip


def test_what_is_known_takes_the_same_queries_for_one_as_for_many(store, logger, django_assert_num_queries):
    actor, pks = store.actor("labtech"), [logger.pk]
    for n in range(12):
        more = placing.add_logger(store.actor("curator"), f"X-{n}", 300)
        records.check_clock(actor, more, T0, T0 + n, "radio")
        records.add_certificate(actor, more, paper(number=f"C-{n}"))
        pks.append(more.pk)
    for asked in (pks[:1], pks):
        with django_assert_num_queries(5):
            assert set(corrections.of(asked)) == set(asked)
        with django_assert_num_queries(7):
            list(blocks.each({pk: (T0, T0 + DAY_MS) for pk in asked}))


def test_a_moment_by_a_true_clock_is_found_by_the_loggers_and_back():
    known = Correction(checks=((T0, 2 * SECOND), (T0 + 30 * DAY_MS, 92 * SECOND)))
    shown = T0 + 10 * DAY_MS  # 32 s ahead then
    assert known.shown_at(shown - 32 * SECOND) == shown
    assert known.true_span(shown, shown + 1)[0] == shown - 32 * SECOND
    assert Correction().shown_at(T0) == T0
