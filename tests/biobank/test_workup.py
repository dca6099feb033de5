"""Scans and taps beside an animal: what is filled, bound, refused; short draws; the clock; vitals.

Whether a tube is void or flagged when short is the plan's (sources in the starter plans). Borders of vitals,
measurements and the shares of the pad: common practice, no source.
"""

from __future__ import annotations

from datetime import timedelta

import pytest
import time_machine
from django.utils import timezone

from biobank.acting import ms
from biobank.amend.actions import undo
from biobank.blood.actions import set_limit
from biobank.core import codes
from biobank.core.blood import Rule
from biobank.field import actions, beach, scanning, vitals
from biobank.field.actions import Filled, Missed, draw, set_clock, short, tap, untap
from biobank.field.scanning import Sent
from biobank.models import Girth, PlannedTube, TubeSet, Vital, Workup
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.people import BOUND, DRAWN, PRINTED, bound_set, drawn_set, moment, printed_set

pytestmark = pytest.mark.django_db
CITRATE, RED, GEL, HEPARIN, EDTA, SWAB = 1, 2, 3, 4, 5, 6


@pytest.fixture
def tech(people):
    return people.actor("fieldtech")


@pytest.fixture
def tubes(people):
    return bound_set(people)


@pytest.fixture
def workup(tubes):
    return fresh(tubes.workup)


def fresh(workup):
    """As a page finds it: with its set, day and programme."""
    joined = Workup.objects.select_related("day__site__programme", "animal", "tube_set__plan")
    return joined.get(pk=workup.pk)


def tube(tube_set, number):
    return codes.make(tube_set.code, number)


def sent(**more):
    return Sent(new_id(), **more)


def refused(code, do, *given, **more):
    size = ledger.size()
    with pytest.raises(Refused) as no:
        do(*given, **more)
    assert (no.value.code, ledger.size()) == (code, size), no.value
    return no.value


# scans


def test_a_tube_is_filled_by_its_scan_in_any_way_of_writing(tech, tubes, workup):
    said = scanning.scan(tech, workup, f" {codes.show(tube(tubes, RED)).lower()} ", sent(at=DRAWN))
    assert said.sentence == "Filled: Red 10, 3 May 09:20."
    assert (ledger.state(tube(tubes, RED)).volume_ul, ledger.state(tube(tubes, RED)).drawn_ms) == (
        10_000,
        ms(DRAWN),
    )


def test_the_same_scan_sent_twice_is_one_draw(tech, tubes, workup):
    once = sent(at=DRAWN)
    for _ in range(2):
        scanning.scan(tech, workup, tube(tubes, RED), once)
    assert [one.kind for one in ledger.history(tube(tubes, RED))].count("drawn") == 1


def test_a_bag_is_bound_by_its_scan_and_said_to_be_bound_the_second_time(people, tech):
    loose = printed_set(people)
    workup = Workup.objects.create(code="SKV-01", day=people.day)
    for words in ["is bound to SKV-01", "is the one of this workup"]:
        said = scanning.scan(tech, fresh(workup), codes.set_label(loose.code), sent(at=BOUND))
        assert words in said.sentence
    assert TubeSet.objects.get(pk=loose.pk).workup == workup
    assert ledger.state(tube(loose, RED)).workup == "SKV-01"


def test_a_second_bag_and_a_bag_of_another_animal_are_refused(people, tech, workup):
    other, loose = bound_set(people), printed_set(people)
    refused("workup_has_a_set", scanning.scan, tech, workup, codes.set_label(loose.code), sent())
    no = refused("set_already_bound", scanning.scan, tech, workup, codes.set_label(other.code), sent())
    assert str(other.workup) in no.sentence and "Field tech" in no.sentence
    refused("set_unknown", scanning.scan, tech, workup, codes.set_label("XAAAA"), sent())


def test_a_bag_of_another_day_needs_a_reason(people, tech):
    from biobank.labels.actions import print_sets
    from biobank.models import FieldDay

    later = FieldDay.objects.create(site=people.site, date=people.day.date + timedelta(days=1))
    other = print_sets(tech, new_id(), people.plan, later, 1, at=PRINTED)[0]
    workup = fresh(Workup.objects.create(code="SKV-01", day=people.day))
    refused("set_of_another_day", scanning.scan, tech, workup, codes.set_label(other.code), sent(at=BOUND))
    said = sent(at=BOUND, note="the bag of today is torn")
    assert "is bound" in scanning.scan(tech, workup, codes.set_label(other.code), said).sentence


def test_a_tube_of_another_set_names_where_it_belongs(people, tech, workup):
    other, loose = bound_set(people), printed_set(people)
    no = refused("tube_of_another_set", scanning.scan, tech, workup, tube(other, RED), sent())
    assert str(other.workup) in no.sentence and "Red 10" in no.sentence and no.tube == tube(other, RED)
    no = refused("tube_of_another_set", scanning.scan, tech, workup, tube(loose, RED), sent())
    assert "bound to no workup" in no.sentence
    empty = fresh(Workup.objects.create(code="SKV-09", day=people.day))
    no = refused("set_not_bound", scanning.scan, tech, empty, tube(loose, RED), sent())
    assert "label of its bag" in no.sentence


def test_an_aliquot_label_is_sent_to_the_bench_and_a_stranger_is_not_known(tech, tubes, workup):
    no = refused("tube_is_for_aliquots", scanning.scan, tech, workup, tube(tubes, 101), sent())
    assert "bench" in no.sentence
    refused("tube_unknown", scanning.scan, tech, workup, codes.make("XAAAA", 1), sent())


def test_a_tube_that_is_accounted_for_says_when_and_by_whom(tech, tubes, workup):
    draw(tech, new_id(), tubes, [Filled(tube(tubes, RED))], [Missed(tube(tubes, GEL), "flow stopped")], DRAWN)
    no = refused("drawn_twice", scanning.scan, tech, workup, tube(tubes, RED), sent())
    assert "3 May 09:20 by Field tech" in no.sentence
    no = refused("not_collected", scanning.scan, tech, workup, tube(tubes, GEL), sent())
    assert "3 May 09:20 by Field tech" in no.sentence


def test_a_chip_says_who_the_animal_is_and_an_unknown_one_leads_on(people, tech, workup):
    said = scanning.scan(tech, workup, "999 000000000001", sent())
    assert (fresh(workup).animal, said.to) == (people.animal, "")
    assert "A-0001" in said.sentence and said.warnings  # 999 is the code for tests, as ISO 11784 has it
    loose = fresh(Workup.objects.create(code="SKV-09", day=people.day))
    assert "chip=" in scanning.scan(tech, loose, "999000000000077", sent()).to
    assert fresh(loose).animal is None
    refused("chip_length", scanning.scan, tech, loose, "12345", sent())


def test_a_run_is_filled_at_once_and_the_rest_is_given_up_at_once(tech, tubes, workup):
    run = scanning.empty_of(workup, [tube(tubes, RED), tube(tubes, GEL)])
    assert scanning.fill(tech, workup, run, sent(at=DRAWN)).startswith("Filled: 2 tubes")
    rest = scanning.empty_of(workup)
    assert rest == [tube(tubes, n) for n in (CITRATE, HEPARIN, EDTA, SWAB)]
    size = ledger.size()
    assert scanning.miss(tech, workup, rest, "flow stopped", sent(at=DRAWN)) == (
        "Not collected: 4 tubes, flow stopped."
    )
    assert ledger.size() == size + 1 and scanning.empty_of(workup) == []


def test_nothing_is_given_up_without_a_reason(tech, tubes, workup):
    rest = scanning.empty_of(workup)
    refused("reason_required", scanning.miss, tech, workup, rest, "", sent())
    refused("reason_required", scanning.miss, tech, workup, rest, "other", sent())
    refused("nothing_said", scanning.miss, tech, workup, [], "flow stopped", sent())


def test_no_tube_is_filled_before_the_net_closed_or_after_release(tech, tubes, workup):
    set_clock(tech, workup, {"net_closed": moment(9), "released": moment(9, 50)})
    code = tube(tubes, RED)
    refused("time_before_capture", scanning.scan, tech, fresh(workup), code, sent(at=moment(8, 59)))
    refused("time_after_release", scanning.scan, tech, fresh(workup), code, sent(at=moment(9, 51)))
    scanning.scan(tech, fresh(workup), code, sent(at=moment(9, 50)))


# blood


def test_blood_over_the_limit_is_refused_until_it_is_said_to_be_in_the_tube(people, tech, tubes, workup):
    vet = people.person("curator")
    vet.veterinarian = True
    vet.save()
    since = people.day.date - timedelta(days=30)
    set_limit(people.actor("curator"), new_id(), Rule(mass_per_mille=1), since, "judgement")
    workup.mass_g = 12_000  # one in a thousand: 12 g, some 12 mL
    workup.save()
    scanning.scan(tech, fresh(workup), tube(tubes, RED), sent(at=DRAWN))
    refused("blood_limit_reached", scanning.scan, tech, fresh(workup), tube(tubes, GEL), sent(at=DRAWN))
    refused("reason_required", scanning.scan, tech, fresh(workup), tube(tubes, GEL), sent(over_limit=True))
    assert scanning.scan(tech, fresh(workup), tube(tubes, SWAB), sent(at=DRAWN))  # takes no blood
    said = sent(over_limit=True, note="vessel kept flowing", at=DRAWN)
    scanning.scan(tech, fresh(workup), tube(tubes, GEL), said)
    assert ledger.state(tube(tubes, GEL)).volume_ul == 5000


# short draws


def test_a_short_draw_corrects_the_volume_and_can_be_undone(tech, tubes, workup):
    scanning.scan(tech, workup, tube(tubes, RED), sent(at=DRAWN))
    key = new_id()
    for _ in range(2):
        short(tech, key, tubes, tube(tubes, RED), 4000)
    drawn = ledger.history(tube(tubes, RED))[-1]
    assert (drawn.line["ul"], drawn.line["short"]) == (4000, True)
    undo(tech, key)
    assert ledger.state(tube(tubes, RED)).volume_ul == 10_000


def test_first_needle_and_last_tube_follow_a_draw_that_is_undone(people, tech, tubes, workup):
    first, second = sent(at=moment(9, 20)), sent(at=moment(9, 31))
    scanning.scan(tech, workup, tube(tubes, RED), first)
    scanning.scan(tech, fresh(workup), tube(tubes, GEL), second)
    undo(tech, second.key)
    assert (fresh(workup).first_needle, fresh(workup).last_tube) == (moment(9, 20), moment(9, 20))
    set_clock(tech, fresh(workup), {"first_needle": moment(9, 10)}, "the needle was in earlier")
    undo(tech, first.key)
    assert (fresh(workup).first_needle, fresh(workup).last_tube) == (moment(9, 10), None)


def test_a_short_draw_that_cannot_be_is_refused(people, tech, tubes, workup):
    refused("tube_not_drawn", short, tech, new_id(), tubes, tube(tubes, RED), 4000)
    scanning.scan(tech, workup, tube(tubes, RED), sent(at=DRAWN))
    refused("volume_not_positive", short, tech, new_id(), tubes, tube(tubes, RED), 0)
    refused("volume_too_large", short, tech, new_id(), tubes, tube(tubes, RED), 15_001)
    other = drawn_set(people)
    refused("tube_of_another_set", short, tech, new_id(), tubes, tube(other, RED), 4000)


def test_the_ladder_of_a_workup_and_what_becomes_of_its_short_tubes(tech, tubes, workup):
    PlannedTube.objects.filter(plan=tubes.plan, number=CITRATE).update(short_rule="void", least_pct=90)
    for number, ul in [(CITRATE, 1350), (RED, 5000)]:
        draw(tech, new_id(), tubes, [Filled(tube(tubes, number), DRAWN, ul)])
    said = beach.shortage(beach.beach(tubes).rows, 8000)
    # priorities of the plan: EDTA 4 first, gel 5 second, heparin 6 fourth
    assert [(one.rung.label, one.ul, one.word) for one in said.offers] == [
        ("EDTA 4", 4000, "full"),
        ("Gel 5", 4000, "short"),
        ("Heparin 6", 0, "nothing"),
    ]
    citrate, red = said.tubes
    assert (citrate.word, citrate.pct, red.word) == ("void", 50, "short")
    assert [(one.kept, one.lost) for one in red.kept] == [(2, 2)]  # 40 % of 5 mL: two of four with 1 mL


# the clock


def later(minutes):
    """A full minute after all that this test has done: the history of a row goes by the clock."""
    return (timezone.now() + timedelta(minutes=minutes)).replace(second=0, microsecond=0)


def test_the_clock_is_tapped_once_and_taken_back_at_once(tech, workup):
    start = later(5)
    with time_machine.travel(start, tick=False) as clock:
        for _ in range(2):
            tap(tech, workup, "net_closed")
        assert fresh(workup).net_closed == start
        clock.shift(timedelta(seconds=12))
        untap(tech, fresh(workup), "net_closed")
        assert fresh(workup).net_closed is None
        untap(tech, fresh(workup), "net_closed")
        tap(tech, fresh(workup), "net_closed")
        clock.shift(timedelta(seconds=61))
        refused("clock_is_set", tap, tech, fresh(workup), "net_closed")
        refused("undo_too_late", untap, tech, fresh(workup), "net_closed")
    why = [one.history_change_reason for one in workup.history.all()[:3]]
    assert why == ["clock", "undone at once", "clock"]


def test_a_tap_is_taken_back_by_who_did_it_alone_and_not_by_what_came_after(people, tech, workup):
    start = later(5)
    with time_machine.travel(start, tick=False) as clock:
        tap(tech, workup, "out_of_water")
        refused("undo_not_yours", untap, people.actor("labtech"), fresh(workup), "out_of_water")
        clock.shift(timedelta(seconds=60))
        tap(tech, fresh(workup), "released")  # a newer change does not make the older tap fresh again
        refused("undo_too_late", untap, tech, fresh(workup), "out_of_water")
        untap(tech, fresh(workup), "released")
    assert (fresh(workup).out_of_water, fresh(workup).released) == (start, None)


def test_the_clock_has_three_buttons_and_runs_forward(tech, workup):
    refused("clock_unknown", tap, tech, workup, "first_needle")
    refused("clock_unknown", untap, tech, workup, "code")
    with time_machine.travel(later(5), tick=False):
        tap(tech, workup, "out_of_water")
    with time_machine.travel(later(6), tick=False):
        refused("clock_runs_backwards", tap, tech, fresh(workup), "net_closed")


# vitals and measurements


def test_readings_are_written_once_and_struck_out_not_deleted(tech, workup):
    key = new_id()
    for _ in range(2):
        vitals.take(tech, key, workup, {"temp": 3670, "breaths": 0}, at=DRAWN)
    made = list(Vital.objects.order_by("kind"))
    assert [(one.kind, one.value, one.by.code) for one in made] == [
        ("breaths", 0, "P1"),
        ("temp", 3670, "P1"),
    ]
    for struck in (True, True, False):
        assert vitals.strike(tech, made[0], struck).struck is struck
    assert made[0].history.count() == 3  # taken, struck out, counts again


@pytest.mark.parametrize(
    "said",
    [
        {"temp": 0},
        {"temp": 99},
        {"temp": 5001},
        {"heart": 0},
        {"heart": 1501},
        {"breaths": 401},
        {"temp": -1},
    ],
)
def test_what_no_living_animal_has_is_refused(tech, workup, said):
    refused("vital_out_of_range", vitals.take, tech, new_id(), workup, {"heart": 80} | said)
    assert not Vital.objects.exists()


def test_a_reading_has_its_time_after_the_capture(tech, workup):
    set_clock(tech, workup, {"net_closed": moment(9)})
    refused("time_before_capture", vitals.take, tech, new_id(), workup, {"heart": 80}, at=moment(8, 59))
    ahead = timezone.now() + timedelta(hours=1)
    refused("time_in_future", vitals.take, tech, new_id(), workup, {"heart": 80}, at=ahead)
    refused("nothing_said", vitals.take, tech, new_id(), workup, {})


@pytest.mark.parametrize("grams", [0, -1, 10_000_000])
def test_a_mass_of_nothing_and_of_ten_tonnes_are_refused(tech, workup, grams):
    no = refused("mass_out_of_range", vitals.measure, tech, workup, {"mass_g": grams}, {})
    assert "less than 10,000 kg" in no.sentence
    assert fresh(workup).mass_g is None


@pytest.mark.parametrize(
    "said, girths", [({"length_mm": 0}, {}), ({}, {"neck": 30_001}), ({"girth_mm": -5}, {})]
)
def test_a_length_that_cannot_be_is_refused(tech, workup, said, girths):
    refused("length_out_of_range", vitals.measure, tech, workup, said, girths)
    assert not Girth.objects.exists()


def test_measurements_stand_as_they_were_typed_last(tech, workup):
    said = {"mass_g": 84_500, "mass_estimated": True, "length_mm": 1520}
    vitals.measure(tech, workup, said, {"neck": 460, "hips": None})
    vitals.measure(tech, fresh(workup), said | {"mass_g": 86_000, "mass_estimated": False}, {"neck": 470})
    now = fresh(workup)
    assert (now.mass_g, now.mass_estimated, now.length_mm) == (86_000, False, 1520)
    assert [(one.place, one.mm, one.history.count()) for one in Girth.objects.all()] == [("neck", 470, 2)]
    versions = now.history.count()
    vitals.measure(tech, fresh(workup), said | {"mass_g": 86_000, "mass_estimated": False}, {"neck": 470})
    assert now.history.count() == versions
    refused("reason_required", vitals.measure, tech, fresh(workup), {}, {"neck": None})


def test_a_closed_day_takes_readings_with_a_reason_only(people, tech, workup):
    people.day.closed = True
    people.day.save()
    refused("day_closed", vitals.take, tech, new_id(), fresh(workup), {"heart": 80}, at=DRAWN)
    refused("day_closed", vitals.measure, tech, fresh(workup), {"mass_g": 80_000}, {})
    refused("day_closed", tap, tech, fresh(workup), "released")
    assert vitals.take(tech, new_id(), fresh(workup), {"heart": 80}, at=DRAWN, why="from the tape")


def test_the_taps_are_those_of_the_clock(workup):
    assert set(actions.TAPPED) < set(Workup.CLOCK)
