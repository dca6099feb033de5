"""Tube sets between printing and draw: several plans, packed, issued, bound, returned, bound to another."""

from __future__ import annotations

from datetime import timedelta

import pytest

from biobank.core import codes
from biobank.field.actions import Filled, draw, open_day, set_clock
from biobank.labels.actions import Wanted, print_many, print_sets, void_set
from biobank.models import PackScan, Person, TubeSet, Workup
from biobank.sets.actions import Taker, bind, give_back, issue, pack, rebind, scan_into_bag, unpacked
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.people import BOUND, DAY, DRAWN, PRINTED, bound_set, drawn_set, make_plan, moment, printed_set

PRIMARIES = range(1, 7)
PACKED = moment(18, day=DAY - timedelta(days=1))


def fresh(row):
    return type(row).objects.get(pk=row.pk)


def tube(tube_set, number):
    return codes.make(tube_set.code, number)


def refused(code, act, *args, **said):
    """The act is refused with this code; the ledger and the sets are as before. Gives the refusal."""
    before = ledger.size(), list(TubeSet.objects.order_by("pk").values())
    with pytest.raises(Refused) as no:
        act(*args, **said)
    assert no.value.code == code
    assert (ledger.size(), list(TubeSet.objects.order_by("pk").values())) == before
    return no.value


def packed_set(people):
    tube_set, actor = printed_set(people), people.actor("fieldtech")
    scan_into_bag(actor, tube_set, [tube(tube_set, n) for n in PRIMARIES])
    pack(actor, new_id(), tube_set, sheet=True, at=PACKED)
    return fresh(tube_set)


def issued_set(people):
    tube_set = packed_set(people)
    taker = Taker(people.sss, people.person("fieldtech"))
    issue(people.actor("fieldtech"), new_id(), tube_set, taker, at=PACKED)
    return fresh(tube_set)


# printing


def test_sets_of_several_plans_are_printed_at_once_with_their_spares(people):
    other = make_plan(people.programme, code="PUP")
    wanted = [Wanted(people.plan, 3, 1), Wanted(other, 1, 1)]
    key = new_id()
    made = print_many(people.actor("fieldtech"), key, wanted, people.day, at=PRINTED)
    assert [(one.plan.code, one.spare) for one in made] == [
        ("SEAL", False), ("SEAL", False), ("SEAL", False), ("SEAL", True), ("PUP", False), ("PUP", True),
    ]  # fmt: skip
    assert print_many(people.actor("fieldtech"), key, wanted, people.day, at=PRINTED) == made
    assert ledger.size() == TubeSet.objects.count() == 6
    assert {one.day for one in made} == {people.day}


def test_what_cannot_be_printed_is_refused(people):
    actor, plan = people.actor("fieldtech"), people.plan
    empty = type(plan).objects.create(programme=people.programme, code="EMPTY", name="Nothing yet")
    for wanted in ([], [Wanted(plan, 0, 0)], [Wanted(plan, 40), Wanted(plan, 0, 21)], [Wanted(plan, 2, -1)]):
        refused("count_out_of_range", print_many, actor, new_id(), wanted, people.day)
    refused("plan_without_tubes", print_many, actor, new_id(), [Wanted(plan, 1), Wanted(empty, 1)], None)
    plan.retired = True
    plan.save()
    refused("plan_retired", print_many, actor, new_id(), [Wanted(plan, 1)], None)


# packing


def test_a_bag_is_packed_only_when_every_tube_was_scanned_and_the_sheet_is_in(people):
    actor, tube_set = people.actor("fieldtech"), printed_set(people)
    assert [codes.number_of(one.code) for one in unpacked(tube_set)] == [*PRIMARIES]
    assert scan_into_bag(actor, tube_set, [tube(tube_set, n) for n in range(1, 6)]) == 5
    assert scan_into_bag(actor, tube_set, [tube(tube_set, 1)]) == 0  # twice is once
    no = refused("bag_incomplete", pack, actor, new_id(), tube_set, sheet=True)
    assert codes.show(tube(tube_set, 6)) in no.sentence and codes.show(tube(tube_set, 5)) not in no.sentence
    scan_into_bag(actor, tube_set, [tube(tube_set, 6)])
    refused("sheet_missing", pack, actor, new_id(), tube_set, sheet=False)
    key = new_id()
    for _ in range(2):
        pack(actor, key, tube_set, sheet=True, at=PACKED)
    said = ledger.event(key)
    assert (said.header["kind"], said.header["data"]) == ("packed", {"set": tube_set.code})
    assert len(said.lines) == 15 and fresh(tube_set).state == "packed"
    refused("set_not_printed", pack, actor, new_id(), fresh(tube_set), sheet=True)


def test_a_foreign_tube_is_refused_with_what_it_is(people):
    actor, tube_set, other = people.actor("fieldtech"), printed_set(people), printed_set(people)
    right, wrong = tube(tube_set, 1), tube(other, 2)
    no = refused("tube_of_another_set", scan_into_bag, actor, tube_set, [right, wrong])
    assert other.code in no.sentence and "Red 10" in no.sentence
    assert PackScan.objects.count() == 0  # all or none
    refused("tube_is_for_aliquots", scan_into_bag, actor, tube_set, [tube(tube_set, 101)])
    refused("tube_unknown", scan_into_bag, actor, tube_set, [codes.make("XAAAA", 1)])
    void_set(actor, new_id(), tube_set, "torn")
    refused("set_is_void", scan_into_bag, actor, fresh(tube_set), [right])


# issued, returned


def test_a_packed_bag_is_issued_to_a_person_or_an_agency(people):
    actor, person = people.actor("fieldtech"), people.person("labtech")
    refused("set_not_packed", issue, actor, new_id(), printed_set(people), Taker(people.sss))
    one, two, key = packed_set(people), packed_set(people), new_id()
    for _ in range(2):
        issue(actor, key, one, Taker(people.tfl, person), at=PACKED)
    issue(actor, new_id(), two, Taker(people.tfl), at=PACKED)
    assert (fresh(one).out_with, fresh(one).out_org, fresh(two).out_with) == (person, people.tfl, None)
    assert ledger.event(key).header["data"] == {"set": one.code, "to": person.code}
    refused("set_not_packed", issue, actor, new_id(), fresh(one), Taker(people.sss))


def test_a_spare_gets_its_day_when_it_is_issued(people):
    actor, spare = people.actor("fieldtech"), packed_set(people)
    later = open_day(actor, people.site, DAY + timedelta(days=1))
    refused("set_has_a_day", issue, actor, new_id(), spare, Taker(people.sss), day=later)
    give_back(actor, new_id(), [spare], at=BOUND)
    issue(actor, new_id(), fresh(spare), Taker(people.sss), day=later, at=BOUND)
    assert fresh(spare).day == later
    other = packed_set(people)
    give_back(actor, new_id(), [other], at=BOUND)
    later.closed = True
    later.save()
    refused("day_closed", issue, actor, new_id(), fresh(other), Taker(people.sss), day=later)


def test_unused_sets_come_back_and_an_opened_bag_is_packed_anew(people):
    actor, closed, opened, plain = (
        people.actor("fieldtech"),
        issued_set(people),
        issued_set(people),
        printed_set(people),
    )
    key = new_id()
    for _ in range(2):
        give_back(actor, key, [closed, plain], "calm sea, no seals", at=DRAWN)
    give_back(actor, new_id(), [opened], opened=True, at=DRAWN)
    assert [fresh(one).state for one in (closed, plain, opened)] == ["packed", "printed", "printed"]
    assert {(one.day, one.out_with, one.out_org) for one in map(fresh, (closed, plain, opened))} == {
        (None,) * 3
    }
    assert PackScan.objects.filter(tube_set=closed).count() == 6
    assert PackScan.objects.filter(tube_set=opened).count() == 0
    said = ledger.event(key).header
    assert (said["kind"], said["data"]) == ("returned", {"set": closed.code, "why": "calm sea, no seals"})
    refused("set_in_use", give_back, actor, new_id(), [fresh(plain), bound_set(people)])
    refused("nothing_said", give_back, actor, new_id(), [])


def test_the_numbers_of_a_void_set_stay_burnt(people):
    """Also of one that is packed: its tubes can never be drawn, nor its codes printed again."""
    actor, tube_set = people.actor("fieldtech"), issued_set(people)
    void_set(actor, new_id(), tube_set, "fell overboard")
    assert (fresh(tube_set).state, fresh(tube_set).out_org) == ("void", None)
    assert {one.status for one in ledger.find(tube__startswith=tube_set.code)} == {"void"}
    refused("set_is_void", bind, actor, new_id(), fresh(tube_set), at=BOUND)
    refused("set_is_void", give_back, actor, new_id(), [fresh(tube_set)])


# bound


@pytest.mark.parametrize("make", [printed_set, packed_set, issued_set])
def test_a_set_is_bound_however_far_it_came(people, make):
    tube_set = make(people)
    bind(people.actor("fieldtech"), new_id(), tube_set, at=BOUND)
    assert (fresh(tube_set).state, fresh(tube_set).out_org) == ("bound", None)


def test_the_second_who_binds_is_told_who_and_when(people):
    tube_set = printed_set(people)
    stale = fresh(tube_set)
    bind(people.actor("fieldtech"), new_id(), tube_set, at=BOUND)
    for seen in (stale, fresh(tube_set)):
        no = refused("set_already_bound", bind, people.actor("curator"), new_id(), seen, at=BOUND)
        assert "Field tech (SSS)" in no.sentence and "03 May 2026 09:00" in no.sentence
        assert "SKV-260503-01" in no.sentence


def test_another_days_set_asks_for_a_reason_and_keeps_its_day(people):
    actor, tube_set = people.actor("fieldtech"), printed_set(people)
    later = open_day(actor, people.site, DAY + timedelta(days=2))
    no = refused("set_of_another_day", bind, actor, new_id(), tube_set, at=BOUND, day=later)
    assert "03 May 2026" in no.sentence and "05 May 2026" in no.sentence
    there = Workup.objects.create(code="W-7", day=later)
    refused("set_of_another_day", bind, actor, new_id(), tube_set, there, at=BOUND)
    key = new_id()
    bind(actor, key, tube_set, there, at=moment(9, day=later.date), why="ran out of bags")
    assert (fresh(tube_set).day, fresh(tube_set).workup) == (people.day, there)
    assert ledger.event(key).header["data"]["reason"] == "ran out of bags"


def test_yesterdays_bag_does_not_quietly_start_a_workup_of_yesterday(people):
    actor, tube_set = people.actor("fieldtech"), printed_set(people)
    today = moment(9, day=DAY + timedelta(days=1))
    refused("set_of_another_day", bind, actor, new_id(), tube_set, at=today)
    bind(actor, new_id(), tube_set, at=today, why="worked past midnight")
    assert fresh(tube_set).workup.day == people.day


def test_a_closed_day_takes_a_binding_for_a_reason_only(people):
    actor, tube_set = people.actor("fieldtech"), printed_set(people)
    people.day.closed = True
    people.day.save()
    refused("day_closed", bind, actor, new_id(), fresh(tube_set), at=BOUND)
    bind(actor, new_id(), fresh(tube_set), at=BOUND, why="sheet found in the boat")
    assert fresh(tube_set).state == "bound"


# bound to the wrong workup


def clock_of(workup):
    return fresh(workup).first_needle, fresh(workup).last_tube


def test_a_drawn_set_goes_to_the_right_workup_and_its_draws_with_it(people):
    actor, tube_set = people.actor("fieldtech"), drawn_set(people)
    wrong, right = tube_set.workup, Workup.objects.create(code="W-8", day=people.day)
    refused("reason_required", rebind, actor, new_id(), tube_set, right, " ")
    refused("nothing_changed", rebind, actor, new_id(), tube_set, wrong, "?")
    refused("set_not_bound", rebind, actor, new_id(), printed_set(people), right, "?")
    key = new_id()
    for _ in range(2):
        rebind(actor, key, tube_set, right, "scribe's sheet says so")
    assert fresh(tube_set).workup == right
    states = ledger.find(tube__startswith=tube_set.code)
    assert {one.workup for one in states} == {"W-8"} and len(states) == 15
    assert {one.volume_ul for one in states if one.tube == tube(tube_set, 2)} == {10_000}
    drawn = next(one for one in ledger.history(tube(tube_set, 1)) if one.kind == "drawn")
    assert (
        drawn.corrected and drawn.data["workup"] == "W-8" and drawn.at_ms == round(DRAWN.timestamp() * 1000)
    )
    assert ledger.event(drawn.id).header["data"]["workup"] == wrong.code  # what was said stays
    assert clock_of(wrong) == (None, None)
    assert clock_of(right) == (DRAWN, DRAWN)


def test_two_sets_change_places_when_two_bags_were_mixed_up(people):
    actor, one, two = people.actor("fieldtech"), drawn_set(people), bound_set(people)
    first, second, later = one.workup, two.workup, moment(10, 15)
    draw(actor, new_id(), two, [Filled(tube(two, 1), later)])
    rebind(actor, new_id(), fresh(one), second, "chip read again")
    assert (fresh(one).workup, fresh(two).workup) == (second, first)
    assert ledger.state(tube(one, 1)).workup == second.code
    assert ledger.state(tube(two, 1)).workup == first.code
    assert (clock_of(first), clock_of(second)) == ((later, later), (DRAWN, DRAWN))
    assert {one.state for one in map(fresh, (one, two))} == {"bound"}
    rebind(actor, new_id(), fresh(one), first, "no, it was right")  # an older correction does not come back
    assert ledger.state(tube(one, 1)).workup == first.code
    assert ledger.findings() == []


def test_a_needle_time_that_somebody_set_stays(people):
    actor, tube_set = people.actor("fieldtech"), drawn_set(people)
    wrong, right = tube_set.workup, Workup.objects.create(code="W-8", day=people.day)
    set_clock(actor, wrong, {"first_needle": moment(9, 18)}, "read from the film")
    rebind(actor, new_id(), fresh(tube_set), right, "scribe's sheet")
    assert clock_of(wrong) == (moment(9, 18), None)


def test_a_rebinding_that_the_clock_forbids_changes_nothing(people):
    actor, tube_set = people.actor("fieldtech"), drawn_set(people)
    right = Workup.objects.create(code="W-8", day=people.day, out_of_water=moment(9, 30))
    no = refused("time_before_capture", rebind, actor, new_id(), tube_set, right, "sheet")
    assert "W-8" in no.sentence
    assert ledger.state(tube(tube_set, 1)).workup == tube_set.workup.code


def test_another_agency_does_not_rebind(people):
    tube_set = drawn_set(people)
    right = Workup.objects.create(code="W-8", day=people.day)
    Person.objects.filter(pk=people.person("fieldtech").pk).update(agency=people.tfl)
    stranger = people.actor("fieldtech")
    stranger.person.refresh_from_db()
    refused("not_yours", rebind, stranger, new_id(), tube_set, right, "sheet")
    rebind(people.actor("curator"), new_id(), tube_set, right, "sheet")
    assert fresh(tube_set).workup == right


def test_a_spare_of_no_day_says_so(people):
    spare = print_sets(people.actor("fieldtech"), new_id(), people.plan, None, 1)[0]
    refused("set_has_no_day", bind, people.actor("fieldtech"), new_id(), spare)
