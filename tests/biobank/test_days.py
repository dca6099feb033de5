"""The close of a field day: every number accounted for, what looks wrong, sign-off, changes after it."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.acting import act, perform
from biobank.amend.actions import void
from biobank.bench.actions import aliquot, spin
from biobank.core import codes
from biobank.days import queries
from biobank.days.access import may_change
from biobank.days.account import WORDS
from biobank.days.actions import close, open_day, reopen, return_spares, write_off
from biobank.days.checks import CLOCK_OFF_S, FASTEST_UL_S, LONGEST_HOLD_H, offsets, points
from biobank.days.later import changed_after
from biobank.field.actions import Filled, Missed, draw, identify, new_animal, set_clock
from biobank.labels.actions import print_sets, reprint, void_set
from biobank.models import FieldDay, TubeSet, Workup
from biobank.sets.actions import Taker, bind, give_back, issue, pack, scan_into_bag
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from custody.record import record
from tests.people import BOUND, DAY, DRAWN, bound_set, drawn_set, moment, printed_set

EVENING = moment(20)


def fresh(row):
    return type(row).objects.get(pk=row.pk)


def tube(tube_set, number):
    return codes.make(tube_set.code, number)


def world():
    days, sets = FieldDay.objects.order_by("pk"), TubeSet.objects.order_by("pk")
    return ledger.size(), list(days.values()), list(sets.values())


def refused(code, deed, *args, **said):
    before = world()
    with pytest.raises(Refused) as no:
        deed(*args, **said)
    assert no.value.code == code
    assert world() == before
    return no.value


def seen(people):
    return {point.code for point in points(queries.account(people.day))}


def counted(people):
    return dict(queries.account(people.day).counts)


def everything(account):
    return account.open


def late_out_of_water(tube_set):
    """A clock that says 09:21 beside draws of 09:20, which no page lets through."""
    clock = {"first_needle": None, "last_tube": None, "out_of_water": moment(9, 21)}
    Workup.objects.filter(pk=tube_set.workup_id).update(**clock)


def closed_day(people):
    """One animal; six tubes filled, the labels for aliquots written off, signed off by the lead."""
    tube_set, actor = drawn_set(people), people.actor("fieldtech")
    write_off(actor, new_id(), people.day, everything, "frozen whole", at=EVENING)
    close(actor, new_id(), people.day, at=EVENING)
    people.day.refresh_from_db()
    return fresh(tube_set)


# every number has one word


def test_every_number_has_exactly_one_word(people):
    actor = people.actor("fieldtech")
    used = bound_set(people)
    draw(actor, new_id(), used, [Filled(tube(used, 1)), Filled(tube(used, 2), ul=4000)],
         [Missed(tube(used, n), "flow stopped") for n in (3, 4)], at=DRAWN)  # fmt: skip
    spoilt, spare, out = printed_set(people), printed_set(people), printed_set(people)
    void_set(actor, new_id(), spoilt, "torn")
    give_back(actor, new_id(), [spare], at=EVENING)
    account = queries.account(people.day)
    assert counted(people) == {
        "filled": 2, "not collected": 2, "void": 15, "spare returned": 15, "unaccounted": 2 + 9 + 15,
    }  # fmt: skip
    assert sum(counted(people).values()) == len(account.numbers) == 60
    assert Counter(one.word for one in account.numbers).keys() == set(WORDS)
    assert account.unbound == [out]
    # number 3 and 4 were not collected, so nothing can be made of them; number 2 was short
    assert sorted(codes.number_of(one.code) for one in account.without_parent) == [105, 106, 107, 108]
    assert sorted(codes.number_of(one.code) for one in account.not_made) == [101, 102, 103, 104]
    assert sorted(codes.number_of(one.code) for one in account.to_do) == [5, 6, 109]


def test_a_set_of_another_day_counts_where_it_was_used(people):
    actor, tube_set = people.actor("fieldtech"), printed_set(people)
    later = open_day(actor, people.site, DAY + timedelta(days=1))
    bind(actor, new_id(), tube_set, at=moment(9, day=later.date), day=later, why="bags ran out")
    here, there = queries.account(people.day), queries.account(later)
    assert (len(here.numbers), here.elsewhere) == (0, [tube_set])
    assert len(there.numbers) == 15
    assert {one.code for one in points(here)} == {one.code for one in points(there)} == {"set_elsewhere"}


def test_a_spare_that_is_used_on_a_later_day_counts_as_returned_here(people):
    actor, spare = people.actor("fieldtech"), printed_set(people)
    give_back(actor, new_id(), [spare], at=EVENING)
    later = open_day(actor, people.site, DAY + timedelta(days=1))
    bind(actor, new_id(), fresh(spare), at=moment(9, day=later.date), day=later)
    assert counted(people)["spare returned"] == 15
    assert dict(queries.account(later).counts)["unaccounted"] == 15


def test_labels_without_a_parent_and_left_over_are_written_off_with_their_reason(people):
    actor, used = people.actor("labtech"), bound_set(people)
    draw(people.actor("fieldtech"), new_id(), used, [Filled(tube(used, 2), ul=4000)],
         [Missed(tube(used, 3), "flow stopped")], at=DRAWN)  # fmt: skip
    key = new_id()
    for _ in range(2):
        assert write_off(actor, key, people.day, lambda it: it.without_parent, "parent not collected") == 2
    assert write_off(actor, new_id(), people.day, lambda it: it.not_made, "not made") == 4
    assert ledger.event(key).header["data"] == {"reason": "parent not collected"}
    assert {ledger.state(tube(used, n)).status for n in range(101, 107)} == {"not_collected"}
    refused("nothing_said", write_off, actor, new_id(), people.day, lambda it: it.not_made, "not made")
    refused("reason_required", write_off, actor, new_id(), people.day, everything, " ")


def test_labels_of_a_tube_that_was_aliquoted_without_them_are_left_over(people):
    actor, used = people.actor("fieldtech"), drawn_set(people)
    assert queries.account(people.day).not_made == []
    spin(actor, new_id(), [tube(used, 2)], g=1500, minutes=10, at=moment(10))
    aliquot(actor, new_id(), tube(used, 2), [(tube(used, 101), 900)], at=moment(11))
    account = queries.account(people.day)
    assert [codes.number_of(one.code) for one in account.not_made] == [102, 103, 104]
    assert counted(people)["filled"] == 7


# what looks wrong


def test_a_plain_day_looks_right(people):
    drawn_set(people, animal=people.animal)
    assert seen(people) == set()


def said_by(people, kind, at, *, device, lines, data=None, typed_late_ms=0):
    """An act that a device without network said; it is kept even when it cannot have been."""
    one = act(people.actor("fieldtech"), kind, key=new_id(), at=at, lines=lines, data=data or {})
    now = one.rec_at
    record(
        [replace(one, dev=device, rec_at=now - typed_late_ms)], login="fieldtech", via="sync", strict=False
    )


def test_a_spin_before_the_draw_is_out_of_order(people):
    used = drawn_set(people)
    line = {"t": tube(used, 2), "role": "subj"}
    said_by(
        people,
        "spun",
        DRAWN - timedelta(minutes=1),
        device="tab-1",
        lines=[line],
        data={"g": 1500, "minutes": 10},
    )
    found = [one for one in points(queries.account(people.day)) if one.code == "out_of_order"]
    assert [one.tube for one in found] == [tube(used, 2)]
    assert (
        "spun at 03 May 2026 09:19" in found[0].sentence and "drawn at 03 May 2026 09:20" in found[0].sentence
    )


def test_a_draw_before_the_binding_is_out_of_order_once_a_set(people):
    used = bound_set(people, at=moment(9, 30))
    draw(people.actor("fieldtech"), new_id(), used, [Filled(tube(used, n)) for n in range(1, 7)], at=DRAWN)
    found = [one for one in points(queries.account(people.day)) if one.code == "out_of_order"]
    assert len(found) == 1 and "before its set was bound at 03 May 2026 09:30" in found[0].sentence


def test_a_number_that_was_drawn_twice_is_named(people):
    used = drawn_set(people)
    line = {"t": tube(used, 2), "role": "subj", "ul": 10_000}
    said_by(people, "drawn", DRAWN + timedelta(minutes=1), device="tab-1", lines=[line])
    found = [one for one in points(queries.account(people.day)) if one.code == "number_twice"]
    assert [one.tube for one in found] == [tube(used, 2)]


def test_an_aliquot_of_another_tube_than_its_label_says_is_named(people):
    actor, used = people.actor("fieldtech"), drawn_set(people)
    lines = [
        {"t": tube(used, 2), "role": "from", "ul": 900},
        {"t": tube(used, 105), "role": "to", "of": tube(used, 2), "ul": 900},  # printed for number 3
    ]
    perform(actor, "aliquoted", key=new_id(), at=moment(11), lines=lines)
    found = [one for one in points(queries.account(people.day)) if one.code == "other_parent"]
    assert [one.tube for one in found] == [tube(used, 105)]


@pytest.mark.parametrize("seconds, wrong", [(1, False), (0.9, True)])
def test_blood_does_not_flow_faster_than_a_needle_lets_it(people, seconds, wrong):
    """10 mL in 1 s is the border; the limit is common practice, no source."""
    assert FASTEST_UL_S == 10_000
    actor, used = people.actor("fieldtech"), bound_set(people)
    draw(actor, new_id(), used, [Filled(tube(used, 1), DRAWN)])
    draw(actor, new_id(), used, [Filled(tube(used, 2), DRAWN + timedelta(seconds=seconds))])
    assert ("too_fast" in seen(people)) == wrong


def test_half_a_litre_in_ten_seconds_is_said(people):
    actor, plan = people.actor("fieldtech"), people.plan
    plan.tubes.filter(number=2).update(volume_ul=500_000)
    used = bound_set(people)
    draw(actor, new_id(), used, [Filled(tube(used, 1), DRAWN)])
    draw(actor, new_id(), used, [Filled(tube(used, 2), DRAWN + timedelta(seconds=10))])
    sentence = next(one.sentence for one in points(queries.account(people.day)) if one.code == "too_fast")
    assert "500 mL in 10 s" in sentence


def test_one_tap_for_many_tubes_is_no_flow(people):
    """All six at one moment: nobody says how long they took."""
    drawn_set(people)
    assert "too_fast" not in seen(people)


@pytest.mark.parametrize("minutes, wrong", [(0, False), (6, True)])
def test_an_animal_is_not_held_for_hours(people, minutes, wrong):
    assert LONGEST_HOLD_H == 6  # common practice, no source
    used = drawn_set(people)
    set_clock(
        people.actor("fieldtech"), used.workup, {"net_closed": DRAWN - timedelta(hours=6, minutes=minutes)}
    )
    assert ("held_long" in seen(people)) == wrong


def test_draws_outside_the_clock_of_the_workup_are_named(people):
    used = drawn_set(people)
    late_out_of_water(used)
    found = [one for one in points(queries.account(people.day)) if one.code == "outside_clock"]
    assert len(found) == 6 and "out of water" in found[0].sentence


@pytest.mark.parametrize("late_s, wrong", [(60, False), (61, True), (-60, False), (-61, True)])
def test_a_device_whose_clock_is_off_is_named(people, late_s, wrong):
    """The smallest difference of all that it said; a minute is common practice, no source."""
    assert CLOCK_OFF_S == 60
    used = bound_set(people)
    lines = [{"t": tube(used, n), "role": "subj", "ul": 1000} for n in (1, 2)]
    said_by(people, "drawn", DRAWN, device="tab-1", lines=lines[:1], typed_late_ms=late_s * 1000)
    said_by(people, "drawn", DRAWN, device="tab-1", lines=lines[1:], typed_late_ms=late_s * 1000 + 900_000)
    account = queries.account(people.day)
    assert abs(account.offsets["tab-1"] - late_s * 1000) < 900  # recording took less than that
    if late_s not in (60,):  # at the border itself the milliseconds of recording decide
        assert ("clock_off" in seen(people)) == wrong


def test_the_least_difference_of_a_device_is_its_offset():
    heard = [("a", 90_000), ("a", 61_000), ("b", -70_000), ("b", 5), ("c", 10)]
    assert offsets(heard) == {"a": 61_000, "b": -70_000, "c": 10}


def test_sets_that_are_out_or_unbound_are_named_with_who_has_them(people):
    actor, out, idle = people.actor("fieldtech"), printed_set(people), printed_set(people)
    scan_into_bag(actor, out, [tube(out, n) for n in range(1, 7)])
    pack(actor, new_id(), out, sheet=True)
    issue(actor, new_id(), fresh(out), Taker(people.sss, people.person("labtech")))
    found = {one.code: one.sentence for one in points(queries.account(people.day))}
    assert found["set_out"] == f"The set {out.code} is still out with Lab."
    assert idle.code in found["set_unbound"]


# sign-off


def test_a_day_cannot_close_with_one_number_unaccounted_for_and_says_which(people):
    actor, used = people.actor("fieldtech"), drawn_set(people)
    left = tube(used, 109)
    write_off(
        actor, new_id(), people.day, lambda it: [one for one in it.open if one.code != left], "frozen whole"
    )
    no = refused("number_unaccounted", close, actor, new_id(), people.day)
    assert no.sentence == f"1 number is unaccounted for: {codes.show(left)}." and no.tube == left
    write_off(actor, new_id(), people.day, everything, "frozen whole")
    close(actor, new_id(), people.day)
    assert fresh(people.day).closed


def test_a_set_that_nobody_used_keeps_a_day_open_until_it_is_back(people):
    actor = people.actor("fieldtech")
    drawn_set(people)
    spare = printed_set(people)
    write_off(actor, new_id(), people.day, lambda it: it.to_do, "frozen whole")
    no = refused("number_unaccounted", close, actor, new_id(), people.day)
    assert (
        no.sentence.startswith("15 numbers are unaccounted for: ")
        and codes.show(tube(spare, 1)) in no.sentence
    )
    key = new_id()
    for _ in range(2):
        return_spares(actor, key, people.day)
    close(actor, new_id(), people.day)
    assert fresh(people.day).closed and fresh(spare).state == "printed"


def test_the_sign_off_closes_the_sets_and_says_who_and_when(people):
    used = closed_day(people)
    day = people.day
    assert (day.closed, day.closed_by) == (True, people.person("fieldtech")) and day.closed_at
    assert used.state == "closed"
    said = [one for one in ledger.history(tube(used, 1)) if one.kind == "closed"]
    assert [one.data for one in said] == [{"set": used.code}]
    assert changed_after(day) == []


def test_the_sign_off_is_one_act_however_often_it_is_sent(people):
    drawn_set(people)
    actor, key = people.actor("fieldtech"), new_id()
    write_off(actor, new_id(), people.day, everything, "frozen whole")
    for _ in range(2):
        close(actor, key, people.day)
    size = ledger.size()
    refused("day_closed", close, actor, new_id(), fresh(people.day))
    refused("day_closed", close, actor, new_id(), people.day)  # as it was shown before
    assert ledger.size() == size


def test_a_day_without_a_set_is_closed_too(people):
    close(people.actor("curator"), new_id(), people.day)
    assert fresh(people.day).closed and ledger.size() == 0


def test_only_the_lead_a_curator_or_an_administrator_signs_off(people):
    refused("not_the_lead", close, people.actor("labtech"), new_id(), people.day)
    close(people.actor("curator"), new_id(), people.day)
    refused("not_the_lead", reopen, people.actor("labtech"), new_id(), fresh(people.day), "?")


def test_what_looks_wrong_is_signed_off_with_a_reason_only(people):
    used, actor = drawn_set(people), people.actor("fieldtech")
    late_out_of_water(used)
    write_off(actor, new_id(), people.day, everything, "frozen whole")
    refused("points_open", close, actor, new_id(), people.day, " ")
    close(actor, new_id(), people.day, "boat clock was fast")
    version = people.day.history.first()
    assert version.history_change_reason == "signed off: boat clock was fast"


def test_somebody_who_prints_meanwhile_keeps_the_day_open(people, monkeypatch):
    """The first look saw nothing open; it is asked again when the head of the ledger is ours."""
    from biobank.days import actions

    drawn_set(people)
    actor = people.actor("fieldtech")
    write_off(actor, new_id(), people.day, everything, "frozen whole")
    looks = iter([queries.account(people.day)])
    print_sets(actor, new_id(), people.plan, people.day, 1)
    real = queries.account
    monkeypatch.setattr(actions.queries, "account", lambda day: next(looks, None) or real(day))
    refused("number_unaccounted", close, actor, new_id(), people.day)


# after the sign-off


def test_a_closed_day_may_change_for_a_reason_only(people):
    may_change(None, "")
    may_change(people.day, "")
    closed_day(people)
    with pytest.raises(Refused) as no:
        may_change(people.day, " ")
    assert no.value.code == "day_closed"
    may_change(people.day, "sheet found")


def test_every_change_of_a_closed_day_asks_for_a_reason(people):
    used, actor = closed_day(people), people.actor("fieldtech")
    workup, one = fresh(used.workup), tube(used, 1)
    refused("day_closed", set_clock, actor, workup, {"released": moment(10)})
    refused("day_closed", identify, actor, workup, people.animal)
    refused("day_closed", new_animal, actor, workup, "Phoca vitulina", "F", "tag", "T9")
    said = next(some for some in ledger.history(one) if some.kind == "drawn")
    refused("note_missing", void, actor, new_id(), said.id, " ")
    void(actor, new_id(), said.id, "sheets were swapped")
    refused("set_is_closed", draw, actor, new_id(), used, [Filled(one, DRAWN)])
    draw(actor, new_id(), used, [Filled(one, DRAWN)], note="read again from the sheet")
    assert ledger.state(one).status == "held"
    whats = [(change.what, change.why) for change in changed_after(people.day)]
    assert (f"Drawn: {codes.show(one)}", "read again from the sheet") in whats
    set_clock(actor, workup, {"released": moment(10)}, "sheet")
    identify(actor, workup, people.animal, "chip read at the bench")
    assert fresh(workup).animal == people.animal


def test_what_was_changed_after_the_sign_off_is_listed_with_who_and_why(people):
    used, actor = closed_day(people), people.actor("fieldtech")
    said = next(one for one in ledger.history(tube(used, 1)) if one.kind == "drawn")
    void(actor, new_id(), said.id, "it was never filled")
    set_clock(actor, fresh(used.workup), {"released": moment(10)}, "sheet found in the boat")
    reprint(actor, new_id(), fresh(used), "label fell off", [tube(used, 2)])
    found = {one.what: (one.who, one.why) for one in changed_after(people.day)}
    assert found == {
        f"Voided: drawn {codes.show(tube(used, 1))} and 5 more": ("Field tech", "it was never filled"),
        f"Workup {used.workup}: released": ("Field tech", "sheet found in the boat"),
        f"Label printed: {codes.show(tube(used, 2))}": ("Field tech", "label fell off"),
        f"Set {used.code}: copies": ("Field tech", "reprinted: label fell off"),
    }


def test_bench_work_after_the_sign_off_is_no_change_of_the_day(people):
    used = closed_day(people)
    spin(people.actor("fieldtech"), new_id(), [tube(used, 2)], g=1500, minutes=10)
    assert changed_after(people.day) == []


def test_a_day_is_opened_again_with_a_reason_and_its_sets_with_it(people):
    used, actor, key = closed_day(people), people.actor("curator"), new_id()
    refused("reason_required", reopen, actor, key, people.day, " ")
    for _ in range(2):
        reopen(actor, key, people.day, "a sheet turned up")
    day = fresh(people.day)
    assert (day.closed, day.closed_at, day.closed_by) == (False, None, None)
    assert fresh(used).state == "bound"
    assert [one.voided for one in ledger.history(tube(used, 1)) if one.kind == "closed"] == [True]
    assert day.history.first().history_change_reason == "opened again: a sheet turned up"
    refused("day_is_open", reopen, actor, new_id(), day, "?")
    close(people.actor("fieldtech"), new_id(), day)
    assert fresh(used).state == "closed"


def test_an_account_asks_as_often_for_twelve_sets_as_for_two(people):
    def asked():
        with CaptureQueriesContext(
            connection,
        ) as said:
            points(queries.account(people.day))
        return len(said)

    actor = people.actor("fieldtech")
    drawn_set(people)
    printed_set(people)
    few = asked()
    for one in print_sets(actor, new_id(), people.plan, people.day, 10, at=BOUND):
        bind(actor, new_id(), one, at=BOUND)
    assert asked() == few <= 10
