"""Lives of tubes: phases, numbers worked by hand, what is kept, and what makes it stale.

Sources: definitions of custody.core.thermal; the mean kinetic temperature by the plain sum of USP 29 <1160>
over ten-minute trapezoids, written out here again. All else is arithmetic in minutes, said beside each
number.
"""

from __future__ import annotations

import math

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from biobank.core import codes
from biobank.models import ThermalEvent, Unit
from biobank.temperature.life import life_of, lives_of
from custody.core.event import new_id
from tests.biobank.lives import BLOOD, DEEPER, MINUTE, SERUM, Field, at, line, story

NOW = at(7440)


@pytest.fixture
def field(store):
    return Field(store)


@pytest.fixture
def told(field):
    story(field)
    return field


def minutes(ms):
    return ms / MINUTE


def phases(life):
    return [
        (("+ " if p.phase.within else "") + p.words, since(p.phase.start_ms), since(p.phase.end_ms))
        for p in life.phases
    ]


def since(ms):
    return round(minutes(ms - at(0)))


def sums(summary):
    return tuple(minutes(ms) for ms in (summary.measured_ms, summary.assumed_ms, summary.no_data_ms))


# --- the story, by hand ---------------------------------------------------------------------------


def test_the_phases_of_a_vial_from_the_beach_to_the_second_freezer(told):
    life = life_of(SERUM, NOW)
    assert phases(life) == [
        ("Draw to spin", 0, 120), ("+ On the way in Cool", 10, 110),
        ("Spin to aliquot", 120, 160),
        ("Aliquot to freezer", 160, 570), ("+ On the way in Ship, TFL to NLB", 170, 540),
        ("Stored in Freezer 1", 570, 6000), ("Stored in F2", 6000, 7440),
    ]  # fmt: skip
    assert [p.open for p in life.phases] == [False] * 6 + [True]
    assert (life.start_ms, life.asof_ms, life.open) == (at(0), NOW, True)


def test_draw_to_spin_by_hand(told):
    spin, cooler = (one.summary for one in life_of(SERUM, NOW).phases[:2])
    assert sums(spin) == (100, 0, 20) and sums(cooler) == (100, 0, 0)  # 10 to 110 in the cooler; else in hand
    assert (spin.min_centi, spin.max_centi) == (400, 1000)
    # 4 to 10 °C in 10 min: above 8 for the last third of that, 20 min at 10 °C, and a third of the way back
    assert spin.above[800] == round((20 + 2 * 10 / 3) * MINUTE) == 1_600_000
    assert spin.longest_above[800] == 1_600_000 and not spin.longest_above_open[800]
    assert spin.excursions_above[800] == 1
    assert spin.above[0] == 100 * MINUTE and spin.longest_above_open[0]  # from the cooler's lid to its lid
    assert spin.above[2500] == 0 and spin.below[0] == 0 and spin.thaws == 0
    assert spin.mean_kinetic_centi == mean_kinetic(
        [
            (
                10,
                line((50, 4), (60, 10), (80, 10), (90, 4))(m),
                line((50, 4), (60, 10), (80, 10), (90, 4))(m + 10),
            )
            for m in range(10, 110, 10)
        ]
    )


def mean_kinetic(pieces):
    """Of straight pieces (minutes, °C, °C), hundredths of °C."""
    rate = sum(
        length * (math.exp(-10_000 / (a + 273.15)) + math.exp(-10_000 / (b + 273.15))) / 2
        for length, a, b in pieces
    )
    return round((10_000 / -math.log(rate / sum(length for length, *_ in pieces)) - 273.15) * 100)


def test_from_spin_to_aliquot_nothing_is_known(told):
    found = life_of(SERUM, NOW).phases[2].summary
    assert sums(found) == (0, 0, 40)
    assert (found.min_centi, found.max_centi, found.mean_kinetic_centi, found.above) == (None, None, None, {})


def test_the_trip_by_hand(told):
    work, trip = life_of(SERUM, NOW).phases[3:5]
    assert sums(work.summary) == (370, 0, 40) and sums(trip.summary) == (370, 0, 0)
    for found in (work.summary, trip.summary):
        assert (found.min_centi, found.max_centi) == (-7000, -1000)  # at 540 it was at -10 °C
        # from 480 on 1 °C a minute: above -60 after 490, above -20 after 530
        assert found.above == {
            -6500: 55 * MINUTE,
            -6000: 50 * MINUTE,
            -2000: 10 * MINUTE,
            0: 0,
            800: 0,
            2500: 0,
        }
        assert found.longest_above[-6000] == 50 * MINUTE and found.longest_above_open[-6000]
        assert (found.thaws, found.mean_kinetic_centi) == (0, None)
    assert trip.notes and "no valid certificate" in trip.notes[-1] and "clock unchecked" in trip.notes[0]


def test_the_failing_freezer_by_hand(told):
    found = life_of(SERUM, NOW).phases[5].summary
    assert sums(found) == (5430 - 120, 0, 120)  # silent for two hours
    assert (found.min_centi, found.max_centi) == (-8000, 1000)
    # up 90 °C in 180 min from 1200, an hour at 10 °C, and down as fast: limit L is passed (L + 80) * 2 min
    # after 1200, and again (10 - L) * 2 min after 1440
    assert found.above == {
        limit * 100: (240 - (limit + 80) * 2 + (10 - limit) * 2) * MINUTE for limit in (-65, -60, -20, 0, 8)
    } | {2500: 0}
    assert {limit: minutes(ms) for limit, ms in found.above.items()} == {
        -6500: 360,
        -6000: 340,
        -2000: 180,
        0: 100,
        800: 68,
        2500: 0,
    }
    assert found.longest_above == found.above and not any(found.longest_above_open.values())
    assert found.below[-6000] == (5310 - 340) * MINUTE
    assert found.thaws == 1 and found.thaws_unsure and found.frozen_after


def test_the_second_freezer_has_no_logger_and_is_assumed(told):
    found = life_of(SERUM, NOW).phases[6].summary
    assert sums(found) == (0, 1440, 0) and found.above[-6000] == 0 and found.max_centi is None


def test_the_whole_life_by_hand(told):
    life = life_of(SERUM, NOW)
    assert sums(life.whole) == (100 + 370 + 5310, 1440, 10 + 10 + 40 + 10 + 30 + 120)
    above = {limit: minutes(ms) for limit, ms in life.whole.above.items()}
    assert above == pytest.approx(
        {
            -6500: 100 + 55 + 360,
            -6000: 100 + 50 + 340,
            -2000: 100 + 10 + 180,
            0: 200,
            800: 68 + 80 / 3,
            2500: 0,
        }
    )
    assert life.whole.longest_above[-6000] == 340 * MINUTE and not life.whole.longest_above_open[-6000]
    assert life.whole.excursions_above[-6000] == 3 and life.whole.thaws == 1 and life.whole.thaws_unsure
    assert life.whole.mean_kinetic_centi is None
    assert {one.code: (one.media, one.readings) for one in life.used.values()} == {
        "T-C": (("in a buffer (glycol, beads)",), 10), "T-S": (("in air",), 37),  # 10..100; 170..530
        "T-F": (("in a buffer (glycol, beads)",), 543 - 11),  # 570..5990 without 2410..2510
    }  # fmt: skip


def test_the_phases_that_stand_alone_add_up_to_the_life(told):
    for life in lives_of([BLOOD, SERUM], NOW).values():
        alone = [one.summary for one in life.phases if not one.phase.within]
        for name in ("measured_ms", "assumed_ms", "no_data_ms"):
            assert sum(getattr(one, name) for one in alone) == getattr(life.whole, name)


# --- whose life it is -----------------------------------------------------------------------------


def test_what_becomes_of_the_blood_later_is_not_the_vials(told):
    before = life_of(SERUM, NOW)
    told.put(200, BLOOD, "COOL")
    told.say("discarded", 250, [BLOOD], why="used up")
    blood = life_of(BLOOD, NOW)
    assert life_of(SERUM, NOW) == before
    assert phases(blood)[-1] == ("Aliquot to end", 160, 250) or phases(blood)[-2][0] == "Aliquot to end"
    assert (blood.asof_ms, blood.open) == (at(250), False)


def test_a_tube_never_filled_has_no_life(told):
    assert life_of(DEEPER, NOW) is None


def test_a_life_that_has_not_begun_is_none(told):
    assert life_of(SERUM, at(-1)) is None


def test_of_a_voided_draw_there_is_no_life_and_a_corrected_time_counts(field):
    field.printed({BLOOD: "BLD", DEEPER: "SER"})
    drawn = field.say("drawn", 0, [BLOOD], line={"ul": 1000})
    other = field.say("drawn", 0, [DEEPER], line={"ul": 1000})
    field.say("voided", 5, lines=[], of=drawn, reason="did_not_occur")
    field.say("corrected", 6, lines=[], of=other, reason="incorrect_data", set={"at": at(2)})
    assert life_of(BLOOD, NOW) is None and life_of(DEEPER, NOW).start_ms == at(2)


def test_a_box_that_is_carried_to_another_freezer_takes_its_tubes_along(told):
    told.move_unit(7000, "NLB-B001", "F2")
    told.put(6500, SERUM, "NLB-B001", kind="moved", who="curator", row=1)
    assert [one.words for one in life_of(SERUM, NOW).phases[-4:]] == [
        "Stored in Freezer 1", "Stored in F2", "Stored in Freezer 1", "Stored in F2"]  # fmt: skip


def test_stays_within_one_freezer_are_one_phase_and_time_out_is_its_own(told):
    told.say("pulled", 6100, [SERUM], who="curator", why="assay")
    told.say("thawed", 6110, [SERUM], who="curator")
    told.put(6130, SERUM, "B2", who="curator", row=2)
    told.put(6200, SERUM, "B2", kind="moved", who="curator", row=3)
    assert phases(life_of(SERUM, NOW))[-3:] == [
        ("Stored in F2", 6000, 6100), ("Out of storage, thawed", 6100, 6130), ("Stored in F2", 6130, 7440),
    ]  # fmt: skip


def test_an_aliquot_of_an_aliquot_has_the_freezer_of_the_one_before(told):
    told.say("pulled", 6100, [SERUM], who="curator", why="aliquot")
    lines = [
        {"t": SERUM, "role": "from", "ul": 100},
        {"t": DEEPER, "role": "to", "of": SERUM, "ul": 100, "matrix": "SER"},
    ]
    told.say("aliquoted", 6110, who="curator", lines=lines)
    told.put(6130, DEEPER, "B2", who="curator", row=2)
    deeper = life_of(DEEPER, NOW)
    assert phases(deeper)[-4:] == [
        ("Stored in F2", 6000, 6100), ("Out of storage", 6100, 6110), ("Aliquot to freezer", 6110, 6130),
        ("Stored in F2", 6130, 7440),
    ]  # fmt: skip
    assert deeper.whole.thaws == 1 and deeper.start_ms == at(0)


def test_a_silent_logger_is_no_data_though_its_freezer_has_a_set_point(told):
    told.logger("T-2", "F2", start=6500)
    assert sums(life_of(SERUM, NOW).phases[-1].summary) == (0, 500, 940)


# --- thermal events -------------------------------------------------------------------------------


def event(told, unit, start, end, most):
    ThermalEvent.objects.create(
        key=new_id(), unit=Unit.objects.get(code=unit), from_ms=at(start), to_ms=at(end), max_centi=most,
        note="A door stood open", by=told.people.person("curator"), at=timezone.now(),
    )  # fmt: skip


def test_an_event_with_a_maximum_counts_as_above_for_all_its_length(told):
    event(told, "F2", 6100, 6200, -1000)
    life = life_of(SERUM, NOW)
    for found in (life.phases[-1].summary, life.whole):
        assert found.assumed_ms == 1340 * MINUTE and found.thaws_unsure
    last = life.phases[-1].summary
    assert sums(last) == (0, 1340, 100) and last.max_centi == -1000
    assert {limit: minutes(ms) for limit, ms in last.above.items()} == {
        -6500: 100,
        -6000: 100,
        -2000: 100,
        0: 0,
        800: 0,
        2500: 0,
    }
    assert (
        last.longest_above[-2000] == 100 * MINUTE
        and last.longest_above_open[-2000]
        and last.excursions_above[-2000] == 1
    )
    assert (
        last.below[-6000] == 1340 * MINUTE
        and last.longest_below[-6000] == 1240 * MINUTE
        and last.longest_below_open[-6000]
    )
    assert last.thaws == 0 and life.whole.above[-2000] == (290 + 100) * MINUTE


def test_an_event_above_freezing_is_a_thaw_and_one_without_a_maximum_is_no_data(told):
    event(told, "F2", 6100, 6200, 500)
    event(told, "NLB-F1", 700, 800, None)
    life = life_of(SERUM, NOW)
    first, second = (one.summary for one in life.phases[-2:])
    assert second.thaws == 1 and life.whole.thaws == 2
    assert sums(first) == (5310 - 100, 0, 220) and first.above[-6000] == 340 * MINUTE
    assert first.below[-6000] == (5310 - 340) * MINUTE  # kept: for a rule about too cold this is the worse


@pytest.mark.parametrize("most", [None, -8100, -3000, 500])
def test_an_event_never_makes_anything_look_better(told, most):
    before = life_of(SERUM, NOW)
    event(told, "NLB-F1", 1300, 1500, most)
    event(told, "F2", 6500, 8000, most)
    after = life_of(SERUM, NOW)
    pairs = [
        (before.whole, after.whole),
        *zip((p.summary for p in before.phases), (p.summary for p in after.phases), strict=True),
    ]
    for a, b in pairs:
        assert (
            sum(sums(a)) == sum(sums(b)) and b.measured_ms <= a.measured_ms and b.assumed_ms <= a.assumed_ms
        )
        assert b.no_data_ms >= a.no_data_ms and (b.thaws or 0) >= (a.thaws or 0)
        assert a.max_centi is None or b.max_centi >= a.max_centi
        for limit in before.limits:
            assert b.above.get(limit, 0) >= a.above.get(limit, 0) - (a.assumed_ms - b.assumed_ms)
            assert b.longest_above.get(limit, 0) >= a.longest_above.get(limit, 0)
            assert b.longest_below.get(limit, 0) <= a.longest_below.get(limit, 0)


# --- queries --------------------------------------------------------------------------------------


def test_many_tubes_need_as_many_queries_as_one(told):
    with CaptureQueriesContext(connection) as one:
        lives_of([SERUM], NOW)
    others = [codes.make("K8R3N", n) for n in range(1, 31)]
    told.printed(dict.fromkeys(others, "SER"))
    told.say("drawn", 20, others, line={"ul": 500})
    for n, code in enumerate(others):
        told.put(300, code, "NLB-B001" if n % 2 else "COOL", row=n % 9 + 1 if n % 2 and n < 8 else None)
    with CaptureQueriesContext(connection) as many:
        assert len(lives_of([SERUM, *others], NOW)) == 31
    assert len(many) <= len(one) <= 45
