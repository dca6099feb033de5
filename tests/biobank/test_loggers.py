"""Loggers: their files, their sealed readings, and the phases of tubes that stood beside them.

Sources: summer time changes from the tz database (package tzdata, through zoneinfo), used to *write* local
times from UTC that must come back; °F fixed points are the definition of the scale (32 °F = 0 °C,
212 °F = 100 °C), rounding half to even as in IEEE 754. File layouts are invented here, common practice,
no source. The scenario is the invented Skarvik Bay survey.
"""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.acting import perform
from biobank.checks.facts import facts_of
from biobank.core import codes
from biobank.models import (
    Logger,
    ThermalEvent,
    Unit,
)
from biobank.temperature import actions, queries
from custody.core.event import new_id
from tests.biobank.logged import HOUR, MINUTE, PLAIN, rows_from, table, take_in
from tests.people import moment


@pytest.fixture
def logger(store):
    return actions.add_logger(store.actor("curator"), "T-01", 300, "Freezer probe", "SN1")


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


def test_a_freezer_without_a_set_point_is_a_freezer_of_which_nothing_is_known(store):
    """Not a warm place, in which a rule about freezers would find nothing to judge."""
    Unit.objects.filter(code="NLB-F1").update(nominal_centi=None)
    (tube,) = draw(store)
    put(store, [tube], "NLB-B001", 11)
    _, frozen = queries.phases_of([tube], [-7000], at_ms(20))[tube]
    assert (frozen.name, frozen.no_data_ms, frozen.above) == ("frozen", 9 * HOUR, {})


def test_a_warm_freezer_and_a_silent_one_leave_it_open_how_often_a_tube_thawed(store, logger):
    actions.place(store.actor("curator"), logger, store.units["NLB-F1"], at_ms(0))
    take_in(store, logger, rows_from("2026-05-03 08:00", 97, value=lambda k: 5 if 48 <= k <= 54 else -80))
    (tube,) = draw(store)
    put(store, [tube], "NLB-B001", 11)
    known = facts_of([tube], [], at_ms(17))[tube]
    assert (known.thaws, known.seen_thaws, known.unseen_ms) == (0, 1, 0)
    assert facts_of([tube], [], at_ms(20))[tube].unseen_ms == 2 * HOUR  # from 18:00 on nobody measured


def test_a_freezer_that_no_logger_watched_leaves_it_open_how_often_a_tube_thawed(store):
    """A set point is no measurement: nobody measured there."""
    (tube,) = draw(store)
    put(store, [tube], "NLB-B001", 11)
    assert facts_of([tube], [], at_ms(20))[tube].unseen_ms == 9 * HOUR


def test_a_frozen_tube_that_is_somewhere_unmeasured_may_have_thawed_there_too(store, logger):
    """A cooler or a bench is no freezer, and a frozen tube thaws there all the sooner."""
    actions.place(store.actor("curator"), logger, store.units["NLB-F1"], at_ms(0))
    take_in(store, logger, rows_from("2026-05-03 08:00", 97, value=lambda k: -80))
    (tube,) = draw(store)
    put(store, [tube], "NLB-B001", 11)
    Unit.objects.create(code="BENCH", kind="bench", name="Bench", agency=store.tfl)
    line = {"u": "NLB-B001", "role": "subj", "to": "BENCH"}
    perform(store.actor("curator"), "moved", key=new_id(), at=moment(14), lines=[line])
    assert facts_of([tube], [], at_ms(13))[tube].unseen_ms == 0  # the way from the draw was before it froze
    assert facts_of([tube], [], at_ms(17))[tube].unseen_ms == 3 * HOUR


def test_a_thermal_event_that_was_warm_enough_to_thaw_counts_as_a_thaw_that_may_have_been(store, logger):
    """Also where the logger stayed cold: somebody measured more beside it."""
    actions.place(store.actor("curator"), logger, store.units["NLB-F1"], at_ms(0))
    take_in(store, logger, rows_from("2026-05-03 08:00", 97, value=lambda k: -80))
    (tube,) = draw(store)
    put(store, [tube], "NLB-B001", 11)
    assert facts_of([tube], [], at_ms(17))[tube].seen_thaws == 0
    ThermalEvent.objects.create(
        key=new_id(), unit=store.units["NLB-F1"], from_ms=at_ms(13), to_ms=at_ms(13, 30), max_centi=500,
        note="A door stood open", by=store.person("curator"), at=moment(14),
    )  # fmt: skip
    assert facts_of([tube], [], at_ms(17))[tube].seen_thaws == 1


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
        with django_assert_max_num_queries(20):
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
