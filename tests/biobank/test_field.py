"""The field room's acts: printing, reprinting, voiding, binding, drawing, the clock.

Order of draw in the fixture plan follows WHO guidelines on drawing blood, 2010, Table 2.3 (citrate, serum,
heparin, EDTA). The limit of 1.5 times the nominal volume, and what counts as short: common practice,
no source.
"""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from biobank.acting import ms
from biobank.core import codes
from biobank.field.actions import (
    Filled,
    Missed,
    bind,
    draw,
    draw_one,
    identify,
    new_animal,
    open_day,
    set_clock,
)
from biobank.labels.actions import _free_codes, print_sets, reprint, void_set
from biobank.models import Animal, Identifier, SamplePlan, Tube, TubeSet, Workup
from biobank.sets import binding
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.people import BOUND, DRAWN, PRINTED, bound_set, drawn_set, make_animal, moment, printed_set

MODELS = [TubeSet, Tube, Workup, Animal, Identifier]


def world():
    """All that an act may change: the ledger, what is derived from it, and the rows with their histories."""
    rows = [list(model.objects.order_by("pk").values()) for model in MODELS]
    past = [model.history.count() for model in MODELS if hasattr(model, "history")]
    return ledger.size(), ledger.find(), ledger.findings(), rows, past


class refused:
    """`with refused("code"):` the act is refused with this code, and the world is as it was before."""

    def __init__(self, code):
        self.code = code

    def __enter__(self):
        self.before = world()

    def __exit__(self, kind, said, trace):
        assert kind is Refused, f"expected a refusal, got {said!r}"
        assert said.code == self.code
        assert said.sentence.endswith(".")
        assert world() == self.before
        return True


def tube(tube_set, number):
    return codes.make(tube_set.code, number)


def fresh(row):
    return type(row).objects.get(pk=row.pk)


def kinds(code):
    return [one.kind for one in ledger.history(code) if not one.voided]


# printing


def test_a_set_has_the_plans_tubes_and_its_aliquots_from_101(people):
    tube_set = printed_set(people)
    numbers = {codes.number_of(one.code): one for one in tube_set.tubes.all()}
    assert sorted(numbers) == [1, 2, 3, 4, 5, 6, *range(101, 110)]
    parents = [codes.number_of(numbers[n].parent_hint) for n in range(101, 110)]
    assert parents == [2, 2, 2, 2, 3, 3, 4, 4, 5]  # in order of draw: red 4, gel 2, heparin 2, EDTA 1
    assert [numbers[n].label for n in (101, 104, 105, 107)] == ["Serum 1", "Serum 4", "Serum 5", "Plasma 1"]
    assert (numbers[107].matrix, numbers[107].additive, numbers[107].aliquot_ul) == ("PL1", "HEPL", 1000)


def test_one_event_for_each_set_says_every_label(people):
    sets = print_sets(people.actor("fieldtech"), new_id(), people.plan, people.day, 3, at=PRINTED)
    assert ledger.size() == 3
    assert len({one.code for one in sets}) == 3
    said = ledger.history(tube(sets[1], 2))[0]
    assert (said.kind, said.at_ms, said.by, said.org) == ("label_printed", ms(PRINTED), "P1", "SSS")
    assert said.data == {"set": sets[1].code, "plan": "SEAL/1", "copy": 0}
    assert said.line == {
        "t": tube(sets[1], 2), "role": "new", "label": "Red 10", "matrix": "BLD", "additive": "NONE",
        "container": "PET tube", "ul": 10000,
    }  # fmt: skip
    assert {ledger.state(one.code).status for one in sets[1].tubes.all()} == {"labelled"}
    assert sets[0].history.get().history_user == people.user("fieldtech")


def test_a_form_sent_twice_makes_the_same_sets(people):
    key = new_id()
    first = print_sets(people.actor("fieldtech"), key, people.plan, people.day, 2)
    before = world()
    again = print_sets(people.actor("fieldtech"), key, people.plan, people.day, 2)
    assert [one.code for one in again] == [one.code for one in first]
    assert world() == before


def test_two_sends_at_once_draw_the_same_codes_for_one_form(people):
    key = new_id()
    assert _free_codes(key, 3) == _free_codes(key, 3)
    assert not set(_free_codes(key, 3)) & set(_free_codes(new_id(), 3))


def test_printing_is_refused_without_a_trace(people):
    fieldtech = people.actor("fieldtech")
    bare = SamplePlan.objects.create(programme=people.programme, code="BARE", name="Nothing yet")
    for count in (0, 61):
        with refused("count_out_of_range"):
            print_sets(fieldtech, new_id(), people.plan, people.day, count)
    with refused("plan_without_tubes"):
        print_sets(fieldtech, new_id(), bare, people.day, 1)
    people.day.closed = True
    with refused("day_closed"):
        print_sets(fieldtech, new_id(), people.plan, people.day, 1)


def test_a_plan_may_have_899_aliquots_and_not_900(people):
    plan = SamplePlan.objects.create(programme=people.programme, code="MANY", name="Many")
    planned = plan.tubes.create(
        number=1,
        label="Red",
        matrix="BLD",
        volume_ul=10000,
    )
    aliquots = planned.made.create(count=900, matrix="SER", ul=10)
    with refused("plan_too_large"):
        print_sets(people.actor("fieldtech"), new_id(), plan, people.day, 1)
    planned.made.filter(pk=aliquots.pk).update(count=899)
    made = print_sets(people.actor("fieldtech"), new_id(), plan, people.day, 1)[0]
    assert made.tubes.filter(code__startswith=f"{made.code}999").count() == 1


def test_a_reprint_is_a_counted_copy_of_the_same_tubes(people):
    tube_set, key = printed_set(people), new_id()
    one = tube(tube_set, 2)
    assert reprint(people.actor("labtech"), key, tube_set, "smeared", [one], at=BOUND) == 1
    assert reprint(people.actor("labtech"), key, fresh(tube_set), "smeared", [one], at=BOUND) == 1
    assert (ledger.size(), fresh(tube_set).copies) == (2, 1)
    assert reprint(people.actor("labtech"), new_id(), fresh(tube_set), "lost in the boat") == 2
    assert (ledger.state(one).copies, ledger.state(tube(tube_set, 1)).copies) == (2, 1)
    said = ledger.history(one)[1]
    assert said.data == {"set": tube_set.code, "plan": "SEAL/1", "copy": 1, "reason": "smeared"}
    assert fresh(tube_set).history.first().history_change_reason == "reprinted: lost in the boat"


def test_reprints_are_refused_without_a_trace(people):
    tube_set, other, labtech = printed_set(people), printed_set(people), people.actor("labtech")
    with refused("reason_required"):
        reprint(labtech, new_id(), tube_set, "  ")
    with refused("tube_of_another_set"):
        reprint(labtech, new_id(), tube_set, "smeared", [tube(other, 1)])
    reprint(labtech, new_id(), tube_set, "smeared")
    with refused("set_changed"):  # tube_set is as it was before somebody else's reprint
        reprint(labtech, new_id(), tube_set, "smeared")
    void_set(labtech, new_id(), other, "misprinted")
    with refused("set_is_void"):
        reprint(labtech, new_id(), fresh(other), "smeared")


def test_a_void_set_frees_its_workup_and_burns_its_codes(people):
    fieldtech, tube_set, key = people.actor("fieldtech"), bound_set(people), new_id()
    workup = tube_set.workup
    draw(fieldtech, new_id(), tube_set, [], [Missed(tube(tube_set, 1), "tube failed")], at=DRAWN)
    void_set(fieldtech, key, tube_set, "wrong bag opened")
    before = world()
    void_set(fieldtech, key, tube_set, "wrong bag opened")
    assert world() == before
    assert (fresh(tube_set).state, fresh(tube_set).workup) == ("void", None)
    assert {ledger.state(one.code).status for one in tube_set.tubes.all()} == {"void"}
    assert ledger.findings() == []
    assert kinds(tube(tube_set, 1)) == []
    assert {one.line["t"] for one in ledger.history(tube(tube_set, 1)) if one.voided} == {tube(tube_set, 1)}
    bind(fieldtech, new_id(), printed_set(people), workup=fresh(workup))
    with refused("set_is_void"):
        bind(fieldtech, new_id(), fresh(tube_set))
    with refused("set_is_void"):
        draw(fieldtech, new_id(), fresh(tube_set), [Filled(tube(tube_set, 1))])


def test_a_set_in_use_cannot_be_void(people):
    fieldtech, tube_set = people.actor("fieldtech"), bound_set(people)
    with refused("reason_required"):
        void_set(fieldtech, new_id(), tube_set, "")
    draw(fieldtech, new_id(), tube_set, [Filled(tube(tube_set, 3), DRAWN)])
    with refused("set_has_drawn_tubes"):
        void_set(fieldtech, new_id(), tube_set, "wrong bag opened")


# binding


def test_binding_makes_the_days_next_workup(people):
    first, second = bound_set(people), bound_set(people, animal=people.animal)
    assert [one.workup.code for one in (first, second)] == ["SKV-260503-01", "SKV-260503-02"]
    assert (second.state, second.workup.animal) == ("bound", people.animal)
    assert {ledger.state(one.code).workup for one in second.tubes.all()} == {"SKV-260503-02"}
    assert ledger.history(tube(second, 6))[-1].data == {"set": second.code, "workup": "SKV-260503-02"}
    assert second.history.first().history_change_reason == f"bound to set {second.code}"
    assert second.workup.history.get().history_user == people.user("fieldtech")


def test_binding_twice_with_one_key_is_one_binding(people):
    fieldtech, tube_set, key = people.actor("fieldtech"), printed_set(people), new_id()
    clock = {"net_closed": moment(8, 40), "out_of_water": moment(8, 50)}
    first = bind(fieldtech, key, tube_set, clock=clock, at=BOUND)
    before = world()
    assert bind(fieldtech, key, fresh(tube_set), at=BOUND) == first
    assert bind(fieldtech, key, tube_set, at=BOUND) == first
    assert world() == before
    assert fresh(first).out_of_water == moment(8, 50)


def test_bindings_are_refused_without_a_trace(people):
    fieldtech, bound, free = (
        people.actor("fieldtech"),
        bound_set(people, animal=people.animal),
        printed_set(people),
    )
    with refused("set_already_bound"):
        bind(fieldtech, new_id(), bound)
    with refused("workup_has_a_set"):
        bind(fieldtech, new_id(), free, workup=bound.workup)
    with refused("clock_runs_backwards"):
        bind(fieldtech, new_id(), free, clock={"net_closed": moment(9), "out_of_water": moment(8, 59)})
    with refused("time_in_future"):
        bind(fieldtech, new_id(), free, at=timezone.now() + timedelta(hours=1))
    with refused("time_in_future"):
        bind(fieldtech, new_id(), free, clock={"net_closed": timezone.now() + timedelta(hours=1)})
    with refused("tube_unknown"):  # the labels were not printed by then
        bind(fieldtech, new_id(), free, at=PRINTED - timedelta(minutes=1), why="packed early")
    other_day = open_day(fieldtech, people.site, people.day.date + timedelta(days=1))
    elsewhere = Workup.objects.create(code="W-9", day=other_day, animal=people.animal, net_closed=moment(9))
    with refused("set_of_another_day"):
        bind(fieldtech, new_id(), free, workup=elsewhere)
    spare = print_sets(fieldtech, new_id(), people.plan, None, 1)[0]
    with refused("set_has_no_day"):
        bind(fieldtech, new_id(), spare)
    other = make_animal(people.programme, "A-2", "999000000000002")
    with refused("workup_has_another_animal"):
        bind(fieldtech, new_id(), spare, workup=elsewhere, animal=other)
    with refused("reason_required"):
        bind(fieldtech, new_id(), spare, workup=fresh(elsewhere), clock={"net_closed": moment(9, 5)})
    stale = fresh(free)
    bind(fieldtech, new_id(), free, at=BOUND)
    with refused("set_already_bound"):
        bind(fieldtech, new_id(), stale, at=BOUND)
    last = printed_set(people)
    people.day.closed = True
    people.day.save()
    with refused("day_closed"):
        bind(fieldtech, new_id(), fresh(last))


def test_two_binds_at_once_cannot_share_a_workup(people, monkeypatch):
    """The first check saw a free workup; it is asked again when the head of the ledger is ours."""
    fieldtech, bound, free = people.actor("fieldtech"), bound_set(people), printed_set(people)
    monkeypatch.setattr(binding, "_fits", lambda tube_set, workup: workup)
    with refused("set_changed"):
        bind(fieldtech, new_id(), free, workup=bound.workup, at=BOUND)
    with refused("set_changed"):
        bind(fieldtech, new_id(), free, workup=Workup(code=bound.workup.code, day=people.day), at=BOUND)


# drawing


def test_a_form_says_full_short_and_not_collected_at_their_times(people):
    fieldtech, tube_set = people.actor("fieldtech"), bound_set(people)
    one, two, three, four, five, six = (tube(tube_set, n) for n in range(1, 7))
    filled = [
        Filled(one),
        Filled(two, ul=4000),
        Filled(three, at=moment(9, 24)),
        Filled(six, at=moment(9, 24)),
    ]
    missed = [Missed(four, "flow stopped"), Missed(five, "flow stopped")]
    said = draw(fieldtech, new_id(), tube_set, filled, missed, at=DRAWN, note="left flipper")
    assert [one.kind for one in said] == ["drawn", "drawn", "not_collected"]
    assert [ledger.state(code).volume_ul for code in (one, two, three, six)] == [2700, 4000, 5000, None]
    assert [ledger.state(code).drawn_ms for code in (one, three)] == [ms(DRAWN), ms(moment(9, 24))]
    assert [ledger.state(code).status for code in (four, five)] == ["not_collected", "not_collected"]
    assert "short" not in ledger.history(one)[-1].line
    assert ledger.history(two)[-1].line == {"t": two, "role": "subj", "ul": 4000, "short": True}
    assert ledger.history(two)[-1].data == {"workup": tube_set.workup.code, "note": "left flipper"}
    assert ledger.history(four)[-1].data == {"reason": "flow stopped", "note": "left flipper"}


def test_the_clock_follows_the_needle_and_only_widens(people):
    fieldtech, tube_set = people.actor("fieldtech"), bound_set(people)
    draw(fieldtech, new_id(), tube_set, [Filled(tube(tube_set, 6))], at=moment(9, 10))  # a swab is no needle
    assert (fresh(tube_set.workup).first_needle, fresh(tube_set.workup).last_tube) == (None, moment(9, 10))
    draw(fieldtech, new_id(), tube_set, [Filled(tube(tube_set, 2))], at=moment(9, 20))
    draw(fieldtech, new_id(), tube_set, [Filled(tube(tube_set, 3))], at=moment(9, 15))
    draw(fieldtech, new_id(), tube_set, [Filled(tube(tube_set, 4))], at=moment(9, 17))
    assert (fresh(tube_set.workup).first_needle, fresh(tube_set.workup).last_tube) == (
        moment(9, 15),
        moment(9, 20),
    )
    assert fresh(tube_set.workup).history.first().history_change_reason == "drawn"


def test_a_draw_sent_twice_is_one_draw_even_without_a_typed_time(people):
    fieldtech, tube_set, key = people.actor("fieldtech"), bound_set(people), new_id()
    filled, missed = [Filled(tube(tube_set, 1))], [Missed(tube(tube_set, 2), "flow stopped")]
    draw(fieldtech, key, tube_set, filled, missed)
    before = world()
    assert [one.new for one in draw(fieldtech, key, tube_set, filled, missed)] == [False, False]
    assert world() == before
    with refused("key_reused"):  # the same page sent again with something else in it
        draw(fieldtech, key, tube_set, [Filled(tube(tube_set, 3))])


@pytest.mark.parametrize("ul, accepted", [(0, False), (-1, False), (1, True), (15000, True), (15001, False)])
def test_a_volume_is_above_0_and_at_most_half_as_much_again(people, ul, accepted):
    fieldtech, tube_set = people.actor("fieldtech"), bound_set(people)
    red = tube(tube_set, 2)  # nominal 10 mL
    if accepted:
        draw(fieldtech, new_id(), tube_set, [Filled(red, ul=ul)], at=DRAWN)
        assert ledger.state(red).volume_ul == ul
    else:
        with refused("volume_not_positive" if ul <= 0 else "volume_too_large"):
            draw(fieldtech, new_id(), tube_set, [Filled(red, ul=ul)], at=DRAWN)


@pytest.mark.parametrize("ul, short", [(9999, True), (10000, False), (10001, False)])
def test_short_is_anything_below_the_nominal_volume(people, ul, short):
    tube_set = bound_set(people)
    draw(people.actor("fieldtech"), new_id(), tube_set, [Filled(tube(tube_set, 2), ul=ul)], at=DRAWN)
    assert ledger.history(tube(tube_set, 2))[-1].line.get("short", False) is short


def test_draws_are_refused_without_a_trace(people):
    fieldtech, tube_set, loose = people.actor("fieldtech"), bound_set(people), printed_set(people)
    one, two = tube(tube_set, 1), tube(tube_set, 2)

    def no(code, filled, missed=(), at=DRAWN, of=tube_set, note=""):
        with refused(code):
            draw(fieldtech, new_id(), of, filled, missed, at=at, note=note)

    no("nothing_said", [])
    no("set_not_bound", [Filled(tube(loose, 1))], of=loose)
    no("tube_of_another_set", [Filled(tube(loose, 1))])
    no("tube_is_for_aliquots", [Filled(tube(tube_set, 101))])
    no("tube_named_twice", [Filled(one), Filled(one, at=moment(9, 30))])
    no("tube_named_twice", [Filled(one)], [Missed(one, "flow stopped")])
    no("reason_required", [], [Missed(one, " ")])
    no("reason_required", [], [Missed(one, "other")])
    no("time_in_future", [Filled(one)], at=timezone.now() + timedelta(minutes=6))
    no("time_in_future", [], [Missed(one, "flow stopped")], at=timezone.now() + timedelta(minutes=6))
    no("time_before_parent", [Filled(one)], at=PRINTED - timedelta(minutes=1))
    no("time_before_parent", [Filled(two), Filled(one, at=PRINTED - timedelta(minutes=1))])
    draw(fieldtech, new_id(), tube_set, [Filled(one)], [Missed(two, "flow stopped")], at=DRAWN)
    no("drawn_twice", [Filled(tube(tube_set, 3)), Filled(one)], at=moment(9, 30))  # the good one neither
    no("not_collected", [Filled(two)], at=moment(9, 30))
    no("already_drawn", [], [Missed(one, "flow stopped")], at=moment(9, 30))
    with refused("set_is_closed"):
        tube_set.state = "closed"
        draw(fieldtech, new_id(), tube_set, [Filled(tube(tube_set, 3))])


def test_drawn_twice_says_when_it_was_drawn(people):
    tube_set = drawn_set(people)
    with pytest.raises(Refused, match="03 May 2026 09:20"):
        draw_one(people.actor("fieldtech"), new_id(), tube(tube_set, 1), at=moment(9, 40))


def test_tubes_are_filled_while_the_animal_is_in_hand(people):
    fieldtech, tube_set = people.actor("fieldtech"), bound_set(people)
    clock = {"net_closed": moment(9), "out_of_water": moment(9, 10), "released": moment(9, 40)}
    set_clock(fieldtech, tube_set.workup, clock)
    red = tube(tube_set, 2)
    with refused("time_before_capture"):
        draw(fieldtech, new_id(), tube_set, [Filled(red)], at=moment(9, 9))
    with refused("time_before_capture"):
        draw(fieldtech, new_id(), tube_set, [Filled(tube(tube_set, 6))], at=moment(8, 59))
    with refused("time_after_release"):
        draw(fieldtech, new_id(), tube_set, [Filled(red)], at=moment(9, 41))
    draw(fieldtech, new_id(), tube_set, [Filled(red)], at=moment(9, 10))
    draw(fieldtech, new_id(), tube_set, [Filled(tube(tube_set, 3))], at=moment(9, 40))
    assert {ledger.state(code).status for code in (red, tube(tube_set, 3))} == {"held"}


def test_one_scanned_tube_is_one_event(people):
    fieldtech, tube_set, key = people.actor("fieldtech"), bound_set(people), new_id()
    size = ledger.size()
    draw_one(fieldtech, key, tube(tube_set, 5), at=DRAWN, ul=2500)
    draw_one(fieldtech, key, tube(tube_set, 5), at=DRAWN, ul=2500)
    assert ledger.size() == size + 1
    assert ledger.state(tube(tube_set, 5)).volume_ul == 2500
    with refused("tube_unknown"):
        draw_one(fieldtech, new_id(), codes.make("XAAAA", 1), at=DRAWN)
    Tube.objects.create(code=codes.make("XAAAA", 1), label="Old tube", matrix="SER")
    with refused("set_not_bound"):
        draw_one(fieldtech, new_id(), codes.make("XAAAA", 1), at=DRAWN)


# clock and animals


def test_a_time_that_stands_changes_only_with_a_reason(people):
    fieldtech, workup = people.actor("fieldtech"), bound_set(people).workup
    set_clock(fieldtech, workup, {"net_closed": moment(9), "released": moment(10)})
    before = world()
    set_clock(fieldtech, fresh(workup), {"net_closed": moment(9), "released": moment(10)})
    assert world() == before
    with refused("reason_required"):
        set_clock(fieldtech, fresh(workup), {"net_closed": moment(9, 1)})
    with refused("reason_required"):
        set_clock(fieldtech, fresh(workup), {"net_closed": None})
    with refused("clock_runs_backwards"):
        set_clock(fieldtech, fresh(workup), {"last_tube": moment(10, 1)})
    with refused("clock_runs_backwards"):  # also across times that are not known
        set_clock(fieldtech, fresh(workup), {"out_of_water": moment(8, 59)})
    with refused("time_in_future"):
        set_clock(fieldtech, fresh(workup), {"last_tube": timezone.now() + timedelta(minutes=6)})
    set_clock(fieldtech, fresh(workup), {"net_closed": moment(9, 1)}, "boat's clock ran ahead")
    newest = fresh(workup).history.first()
    assert (fresh(workup).net_closed, newest.history_change_reason) == (
        moment(9, 1),
        "boat's clock ran ahead",
    )
    assert newest.history_user == people.user("fieldtech")


def test_an_animal_is_said_later_and_changed_only_with_a_reason(people):
    fieldtech, workup = people.actor("fieldtech"), bound_set(people).workup
    identify(fieldtech, workup, people.animal)
    other = make_animal(people.programme, "A-0002", "999000000000002")
    with refused("reason_required"):
        identify(fieldtech, fresh(workup), other)
    identify(fieldtech, fresh(workup), other, "chip misread: 0 for O")
    assert fresh(workup).animal == other
    assert [one.animal_id for one in fresh(workup).history.all()] == [other.pk, people.animal.pk, None]


def test_a_new_animal_comes_with_what_it_bears(people):
    fieldtech, workup = people.actor("fieldtech"), bound_set(people).workup
    with refused("identifier_taken"):
        new_animal(fieldtech, workup, "Phoca vitulina", "M", "chip", " 999000000000001 ")
    animal = new_animal(fieldtech, workup, "Phoca vitulina", "M", "chip", "999000000000009")
    assert (animal.code, fresh(workup).animal) == ("A-0002", animal)
    assert [(one.text, one.since) for one in animal.identifiers.all()] == [
        ("999000000000009", workup.day.date)
    ]
    with refused("reason_required"):
        new_animal(fieldtech, fresh(workup), "Phoca vitulina", "M", "chip", "999000000000010")


def test_the_same_field_day_is_opened_once(people):
    fieldtech = people.actor("fieldtech")
    assert open_day(fieldtech, people.site, people.day.date) == people.day
    made = open_day(fieldtech, people.site, people.day.date + timedelta(days=1), 4)
    assert (made.expected_animals, made.lead) == (4, people.person("fieldtech"))
