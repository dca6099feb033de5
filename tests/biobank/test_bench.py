"""Spin, aliquot, grade: what each writes, and what each refuses without writing."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from biobank.acting import ms, perform
from biobank.bench import actions, grading, queries, spinning
from biobank.core import codes
from biobank.models import Rotor, Tube
from biobank.store import actions as store_actions
from biobank.templatetags import words
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.lab import (
    DRAWN,
    EDTA,
    GEL,
    HEPARIN,
    MADE,
    RED,
    SPUN,
    STORED,
    SWAB,
    aliquots,
    lab_set,
    primary,
    refused,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def labtech(people):
    return people.actor("labtech")


@pytest.fixture
def tubes(people):
    return lab_set(people)


@pytest.fixture
def spun(labtech, tubes):
    """The same set, with the tubes that give serum and plasma spun."""
    spin(labtech, [primary(tubes, number) for number in (RED, GEL, HEPARIN)])
    return tubes


def spin(labtech, rack, at=SPUN, **more):
    return actions.spin(labtech, new_id(), rack, **({"g": 2000, "minutes": 10} | more), at=at)


# spin -------------------------------------------------------------------------------------------


def test_a_run_is_one_event_with_a_line_for_each_tube(labtech, tubes):
    rack = [primary(tubes, number) for number in (RED, GEL, HEPARIN)]
    before = ledger.size()
    event = ledger.event(spin(labtech, rack, centi_c=2000, brake=False))
    assert ledger.size() == before + 1
    assert event.header["data"] == {"g": 2000, "minutes": 10, "centi_c": 2000, "brake": False}
    assert [line["t"] for line in event.lines] == rack
    assert event.header["at"] == ms(SPUN) and event.header["org"] == "TFL"


def test_speed_and_radius_give_the_force(labtech, tubes):
    # Published worked example: 10 000 rpm at 5 cm is 5590 x g
    # (clinical2labpracticalsuppliesprocedures.passetra.com)
    event = ledger.event(spin(labtech, [primary(tubes, RED)], g=None, rpm=10_000, radius_mm=50))
    assert event.header["data"]["g"] == 5590
    assert event.header["data"]["rpm"] == 10_000 and event.header["data"]["radius_mm"] == 50


def test_a_force_typed_beside_speed_and_radius_may_be_rounded_but_not_another(labtech, tubes):
    rounded = ledger.event(spin(labtech, [primary(tubes, RED)], g=5600, rpm=10_000, radius_mm=50))
    assert rounded.header["data"]["g"] == 5600
    with refused("g_disagrees", "5590 × g"):
        spin(labtech, [primary(tubes, GEL)], g=2000, rpm=10_000, radius_mm=50)


@pytest.mark.parametrize(
    "said, code",
    [
        ({"g": 0}, "g_not_positive"),
        ({"g": -2000}, "g_not_positive"),
        ({"g": None}, "g_missing"),
        ({"g": None, "rpm": 3000}, "rpm_needs_radius"),
        ({"g": None, "rpm": 3000, "radius_mm": 0}, "g_not_positive"),
        ({"g": None, "rpm": 1, "radius_mm": 100}, "g_not_positive"),
        ({"minutes": 0}, "minutes_not_positive"),
    ],
)
def test_a_run_needs_a_positive_force_and_time(labtech, tubes, said, code):
    with refused(code):
        spin(labtech, [primary(tubes, RED)], **said)


def test_the_same_form_twice_is_one_spin(labtech, tubes):
    key, size = new_id(), ledger.size()
    first = actions.spin(labtech, key, [primary(tubes, RED)], g=2000, minutes=10, at=SPUN)
    again = actions.spin(labtech, key, [primary(tubes, RED)], g=2000, minutes=10)
    assert first == again == key
    assert ledger.size() == size + 1


def test_a_key_that_belongs_to_another_act_is_refused(labtech, tubes):
    key = spin(labtech, [primary(tubes, RED)])
    with refused("key_reused"):
        actions.grade(labtech, key, [primary(tubes, RED)], haemolysis=1)


def test_a_force_and_a_radius_give_the_speed_and_both_are_kept(labtech, tubes):
    # the same published example the other way round: 5590 x g at 5 cm is 10 000 rpm
    event = ledger.event(spin(labtech, [primary(tubes, RED)], g=5590, radius_mm=50))
    said = event.header["data"]
    assert (said["g"], said["radius_mm"]) == (5590, 50) and abs(said["rpm"] - 10_000) <= 1


def test_a_tube_stands_in_a_run_once(labtech, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    with refused("line_twice", f"{codes.show(red)} is in this run twice"):
        spin(labtech, [red, gel, red])


def test_a_run_is_said_with_its_element_of_the_preanalytical_code(labtech, tubes):
    whole = spin(labtech, [primary(tubes, RED)], centi_c=2000, brake=True)
    assert spinning.recorded(whole) == "2000 × g, 10 min: SPREC centrifugation B."
    parts = spin(labtech, [primary(tubes, GEL)], g=None, rpm=3000, radius_mm=170)
    assert spinning.recorded(parts) == "1711 × g at 3000 rpm, 10 min: SPREC centrifugation X."


def test_more_tubes_than_places_is_said(people):
    rotor = Rotor(agency=people.tfl, name="Small", places=2, radius_mm=90, max_rpm=4000)
    assert list(spinning.of_rotor(rotor, ["a", "b"])) == list(spinning.of_rotor(None, ["a"] * 9)) == []
    assert list(spinning.of_rotor(rotor, ["a", "b", "c"])) == [
        "3 tubes were in this run, and Small has 2 places."
    ]


def test_no_tube_no_spin(labtech, tubes):
    with refused("no_tube"):
        spin(labtech, [])


def test_a_code_that_was_never_printed_is_unknown(labtech, tubes):
    with refused("tube_unknown", "Y7777-001-"):
        spin(labtech, [primary(tubes, RED), codes.make("Y7777", 1)])


def test_an_empty_tube_is_not_spun(people, labtech):
    empty = builders.printed_set(people)
    with refused("tube_not_drawn"):
        spin(labtech, [primary(empty, RED)])


def test_no_spin_before_the_draw(labtech, tubes):
    with refused("time_before_parent", "03 May 2026 09:20"):
        spin(labtech, [primary(tubes, RED)], at=DRAWN - timedelta(minutes=1))


def test_no_spin_in_the_future(labtech, tubes):
    with refused("time_in_future"):
        spin(labtech, [primary(tubes, RED)], at=timezone.now() + timedelta(hours=1))


def test_what_another_agency_holds_is_not_spun_here(people, labtech):
    theirs = lab_set(people, role="fieldtech")
    with refused("not_the_custodian", "SSS holds this tube"):
        spin(labtech, [primary(theirs, RED)])
    with refused("not_the_custodian"):  # said before the vials are looked at
        actions.aliquot(labtech, new_id(), primary(theirs, RED), [])


def handed_to_nlb(labtech, tube, at=MADE):
    return perform(
        labtech, "handed_off", key=new_id(), at=at, data={"to": "NLB", "how": "hand"},
        lines=[{"t": tube, "role": "subj"}],
    ).id  # fmt: skip


def test_a_tube_on_its_way_is_not_spun_by_the_one_who_sent_it(labtech, tubes):
    handed_to_nlb(labtech, primary(tubes, RED))
    with refused("not_the_custodian", "on its way to NLB"):
        spin(labtech, [primary(tubes, RED)], at=STORED)


def test_a_tube_that_was_missed_on_arrival_is_not_spun(people, labtech, tubes):
    ref = handed_to_nlb(labtech, primary(tubes, RED))
    perform(
        people.actor("curator"), "received", key=new_id(), at=STORED, data={"counted": 0}, ref=ref,
        lines=[{"t": primary(tubes, RED), "role": "subj", "result": "missing"}],
    )  # fmt: skip
    with refused("tube_missing"):
        spin(labtech, [primary(tubes, RED)], at=STORED + timedelta(minutes=5))


def test_a_discarded_tube_is_not_spun(labtech, tubes):
    gone = [{"t": primary(tubes, RED), "role": "subj"}]
    perform(labtech, "discarded", key=new_id(), at=SPUN, data={"why": "broken"}, lines=gone)
    with refused("nothing_after_discard"):
        spin(labtech, [primary(tubes, RED)], at=MADE)


def test_a_stored_tube_is_pulled_before_it_is_spun(people, labtech, store, tubes):
    store_actions.put_away(labtech, new_id(), [primary(tubes, RED)], "NLB-B001", at=SPUN)
    with refused("still_stored", "NLB-B001"):
        spin(labtech, [primary(tubes, RED)], at=MADE)


# grade ------------------------------------------------------------------------------------------


def test_grades_stand_in_every_line(labtech, tubes):
    rack = [primary(tubes, RED), primary(tubes, GEL)]
    event = ledger.event(actions.grade(labtech, new_id(), rack, haemolysis=0, icterus=4, at=MADE))
    assert event.lines == [{"t": code, "role": "subj", "haemolysis": 0, "icterus": 4} for code in rack]


@pytest.mark.parametrize(
    "grades, code",
    [
        ({}, "nothing_graded"),
        ({"haemolysis": 5}, "grade_out_of_range"),
        ({"lipaemia": -1}, "grade_out_of_range"),
    ],
)
def test_grades_go_from_0_to_4(labtech, tubes, grades, code):
    with refused(code):
        actions.grade(labtech, new_id(), [primary(tubes, RED)], **grades)


def test_each_tube_has_its_own_grades_and_measured_values_in_one_event(labtech, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    seen = {
        red: {"haemolysis": 1, "haemolysis_cmgdl": 6_250, "lipaemia": None},
        gel: {"icterus": 0, "icterus_cmgdl": 0, "haemolysis_cmgdl": None},
    }
    event = ledger.event(actions.grade_each(labtech, new_id(), seen, at=MADE))
    assert event.lines == [
        {"t": red, "role": "subj", "haemolysis": 1, "haemolysis_cmgdl": 6_250},
        {"t": gel, "role": "subj", "icterus": 0, "icterus_cmgdl": 0},
    ]


def test_a_measured_value_alone_is_something_and_every_tube_needs_something(labtech, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    actions.grade_each(labtech, new_id(), {red: {"lipaemia_cmgdl": 12_000}}, at=MADE)
    with refused("nothing_graded"):
        actions.grade_each(labtech, new_id(), {red: {"haemolysis": 1}, gel: {"haemolysis": None}}, at=MADE)


@pytest.mark.parametrize("value", [-1, 5_000_001])
def test_a_measured_value_is_one_that_blood_can_have(labtech, tubes, value):
    with refused("measured_out_of_range"):
        actions.grade_each(labtech, new_id(), {primary(tubes, RED): {"icterus_cmgdl": value}}, at=MADE)


def test_a_measured_value_lands_in_the_timeline_in_its_unit(labtech, tubes):
    red = primary(tubes, RED)
    actions.grade_each(labtech, new_id(), {red: {"haemolysis_cmgdl": 1_234_567}}, at=MADE)
    assert ("free haemoglobin", "12345.67 mg/dL") in words.facts(ledger.history(red)[-1])


def test_eye_and_instrument_that_disagree_are_named_by_tube():
    seen = {"K7R2M101A": {"haemolysis": 0, "haemolysis_cmgdl": 20_000}, "K7R2M102B": {"haemolysis": 2}}
    (said,) = grading.disagreements(seen)
    assert said.startswith("K7R2M-101-A: haemolysis was graded 0, and 200.00 mg/dL")


# aliquot ----------------------------------------------------------------------------------------


def test_aliquots_take_from_the_parent_and_know_it(labtech, tubes):
    parent, (one, two, *_) = primary(tubes, RED), aliquots(tubes, RED)
    spin(labtech, [parent])
    actions.aliquot(labtech, new_id(), parent, [(one, 1000), (two, 750)], loss_ul=250, at=MADE)
    assert ledger.state(parent).volume_ul == 10_000 - 2_000
    child = ledger.state(two)
    assert (child.parent, child.volume_ul, child.status, child.custodian) == (parent, 750, "held", "TFL")
    assert (child.matrix, child.container) == ("SER", "cryovial")
    assert ledger.children(parent) == sorted([one, two])


def test_the_last_microlitre_can_be_taken_and_not_one_more(labtech, spun):
    parent, (one, two, *_) = primary(spun, RED), aliquots(spun, RED)
    with refused("volume_not_negative", "10 mL are left"):
        actions.aliquot(labtech, new_id(), parent, [(one, 9_000), (two, 1_000)], loss_ul=1, at=MADE)
    actions.aliquot(labtech, new_id(), parent, [(one, 9_000), (two, 1_000)], at=MADE)
    assert ledger.state(parent).volume_ul == 0


def test_the_same_form_twice_makes_the_aliquots_once(labtech, spun):
    key, parent, child = new_id(), primary(spun, RED), aliquots(spun, RED)[0]
    for _ in range(2):
        assert actions.aliquot(labtech, key, parent, [(child, 500)], at=MADE) == key
    assert ledger.state(parent).volume_ul == 9_500


def test_a_vial_is_filled_once(labtech, spun):
    parent, child = primary(spun, RED), aliquots(spun, RED)[0]
    actions.aliquot(labtech, new_id(), parent, [(child, 500)], at=MADE)
    with refused("child_already_made"):
        actions.aliquot(labtech, new_id(), parent, [(child, 500)], at=STORED)


def test_a_primary_label_is_no_aliquot_label(labtech, tubes):
    with refused("not_an_aliquot_label"):
        actions.aliquot(labtech, new_id(), primary(tubes, RED), [(primary(tubes, GEL), 500)], at=MADE)
    with refused("not_an_aliquot_label"):
        actions.aliquot(labtech, new_id(), primary(tubes, RED), [(primary(tubes, RED), 500)], at=MADE)


def test_a_label_printed_for_another_tube_is_refused(labtech, tubes):
    with refused("label_of_another_tube"):
        actions.aliquot(labtech, new_id(), primary(tubes, RED), [(aliquots(tubes, GEL)[0], 500)], at=MADE)


def test_a_spare_label_of_the_same_set_serves_and_one_of_another_set_does_not(people, labtech, spun):
    other = builders.printed_set(people)
    spares = [aliquots(spun, GEL)[0], aliquots(other, GEL)[0]]
    Tube.objects.filter(code__in=spares).update(parent_hint="", additive="")
    spare, wrong = (codes.make(one.code, 105) for one in (spun, other))  # 101-104 belong to the red tube
    with refused("label_of_another_set"):
        actions.aliquot(labtech, new_id(), primary(spun, RED), [(wrong, 500)], at=MADE)
    actions.aliquot(labtech, new_id(), primary(spun, RED), [(spare, 500)], at=MADE)
    assert ledger.state(spare).parent == primary(spun, RED)
    assert ledger.state(spare).additive == "NONE"  # what the label did not say, the tube does


def test_a_label_that_was_never_printed_is_unknown(labtech, tubes):
    with refused("tube_unknown"):
        actions.aliquot(labtech, new_id(), primary(tubes, RED), [(codes.make(tubes.code, 900), 500)], at=MADE)


@pytest.mark.parametrize(
    "volume, loss, code",
    [(0, 0, "volume_not_positive"), (-5, 0, "volume_not_positive"), (500, -1, "volume_not_positive")],
)
def test_volumes_are_more_than_nought(labtech, tubes, volume, loss, code):
    with refused(code):
        actions.aliquot(
            labtech, new_id(), primary(tubes, RED), [(aliquots(tubes, RED)[0], volume)], loss_ul=loss, at=MADE
        )


def test_no_vial_no_event_and_no_vial_twice(labtech, tubes):
    child = aliquots(tubes, RED)[0]
    with refused("no_aliquot"):
        actions.aliquot(labtech, new_id(), primary(tubes, RED), [], loss_ul=500, at=MADE)
    with refused("line_twice"):
        actions.aliquot(labtech, new_id(), primary(tubes, RED), [(child, 500), (child, 500)], at=MADE)


def test_nothing_comes_out_of_a_tube_before_it_was_drawn(people, labtech, tubes):
    empty = builders.printed_set(people)
    with refused("tube_not_drawn"):
        actions.aliquot(labtech, new_id(), primary(empty, RED), [(aliquots(empty, RED)[0], 500)], at=MADE)
    with refused("time_before_parent"):
        early = DRAWN - timedelta(minutes=1)
        actions.aliquot(labtech, new_id(), primary(tubes, EDTA), [(aliquots(tubes, EDTA)[0], 500)], at=early)


def test_serum_does_not_come_before_the_spin_but_whole_blood_may(labtech, tubes):
    spin(labtech, [primary(tubes, RED), primary(tubes, EDTA)])
    early = SPUN - timedelta(minutes=1)
    with refused("time_before_parent", "before the tube was spun on 03 May 2026 10:05"):
        actions.aliquot(labtech, new_id(), primary(tubes, RED), [(aliquots(tubes, RED)[0], 500)], at=early)
    actions.aliquot(labtech, new_id(), primary(tubes, EDTA), [(aliquots(tubes, EDTA)[0], 500)], at=early)
    assert ledger.state(aliquots(tubes, EDTA)[0]).matrix == "BLD"


# what waits -------------------------------------------------------------------------------------


def waiting(org="TFL", now=STORED):
    found = queries.bench(org, ms(now))
    return tuple([one.code for one in ones] for ones in (found.to_spin, found.to_aliquot, found.to_put_away))


def test_each_tube_waits_for_its_next_act(labtech, tubes):
    red, gel, heparin, edta, swab = (primary(tubes, number) for number in (RED, GEL, HEPARIN, EDTA, SWAB))
    citrate = primary(tubes, 1)
    to_spin, to_aliquot, to_put_away = waiting()
    assert set(to_spin) == {red, gel, heparin}
    assert to_aliquot == [edta]  # whole blood aliquots need no spin
    assert set(to_put_away) == {citrate, swab}

    spin(labtech, [red])
    assert red not in waiting()[0] and red in waiting()[1]
    children = aliquots(tubes, RED)
    actions.aliquot(labtech, new_id(), red, [(code, 1000) for code in children], at=MADE)
    _, to_aliquot, to_put_away = waiting()
    assert red not in to_aliquot and red in to_put_away
    assert set(children) <= set(to_put_away)


def test_time_since_the_draw_is_said_and_the_oldest_comes_first(people, labtech, tubes):
    later = lab_set(people, at=DRAWN + timedelta(minutes=30))
    found = queries.bench("TFL", ms(STORED)).to_spin
    assert [one.since_ms for one in found] == [130 * 60_000] * 3 + [100 * 60_000] * 3
    assert found[-1].code.startswith(later.code)


def test_a_voided_spin_waits_again(labtech, tubes):
    key = spin(labtech, [primary(tubes, RED)])
    perform(labtech, "voided", key=new_id(), data={"of": key, "reason": "did_not_occur"})
    assert primary(tubes, RED) in waiting()[0]


def test_the_bench_shows_only_what_this_agency_holds(tubes):
    assert waiting("NLB") == ([], [], [])


def test_the_bench_asks_the_same_number_of_questions_for_1_set_and_for_6(
    people, tubes, django_assert_max_num_queries
):
    with django_assert_max_num_queries(8) as few:
        queries.bench("TFL", ms(STORED))
    for _ in range(5):
        lab_set(people)
    with django_assert_max_num_queries(len(few)):
        assert queries.bench("TFL", ms(STORED)).size == 36
