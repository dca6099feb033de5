"""Amendments through their actions: what counts afterwards, what is refused, that nothing else changes."""

from __future__ import annotations

from datetime import timedelta

import pytest
import time_machine
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from biobank.amend import actions, undoing
from biobank.amend.actions import Fix
from biobank.bench import actions as bench
from biobank.core import codes
from biobank.handoffs import actions as handoffs
from biobank.store import actions as store_actions
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.lab import (
    DRAWN,
    GEL,
    HEPARIN,
    MADE,
    RED,
    SPUN,
    STORED,
    aliquots,
    lab_set,
    primary,
    refused,
)

pytestmark = pytest.mark.django_db
WHY = "the wrong one was scanned"


@pytest.fixture
def tubes(store):
    return lab_set(store)


@pytest.fixture
def lab(store, tubes):
    return store.actor("labtech")


@pytest.fixture
def curator(store):
    return store.actor("curator")


def drawn_event(tubes) -> str:
    return next(one.id for one in ledger.history(primary(tubes, RED)) if one.kind == "drawn")


def line_of(event: str, code: str) -> int:
    return next(n for n, line in enumerate(ledger.event(event).lines) if line.get("t") == code)


def made(lab, tubes, volumes=(1000, 1000)):
    """Two aliquots of the red tube; the event and their codes."""
    parts = aliquots(tubes, RED)[: len(volumes)]
    return bench.aliquot(
        lab, new_id(), primary(tubes, RED), list(zip(parts, volumes, strict=True)),
        unspun_why="stood overnight", at=MADE,
    ), parts  # fmt: skip


# void -------------------------------------------------------------------------------------------


def test_a_void_says_who_and_why_and_the_event_stays_struck_out(lab, tubes):
    red = primary(tubes, RED)
    thaw = store_actions.thaw(lab, new_id(), [red], at=SPUN)
    void = actions.void(lab, new_id(), thaw, WHY)
    assert ledger.state(red).thaws == 0
    told = ledger.told([thaw])[thaw]
    assert told.voided and [one.said.id for one in told.amendments] == [void]
    assert told.amendments[0].said.header["data"]["note"] == WHY
    assert [one.voided for one in ledger.history(red) if one.kind == "thawed"] == [True]


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(times=st.integers(1, 5))
def test_a_void_of_a_void_restores_however_often(lab, tubes, times):
    """The model: an act counts when the number of voids stacked on it is even."""
    red = primary(tubes, HEPARIN)
    before = ledger.state(red).thaws
    at = store_actions.thaw(lab, new_id(), [red], at=SPUN)
    for n in range(1, times + 1):
        at = actions.void(lab, new_id(), at, WHY)
        assert ledger.state(red).thaws == before + (1 if n % 2 == 0 else 0)
    if times % 2 == 0:
        actions.void(lab, new_id(), at, WHY)  # leave it as it was


def test_a_void_that_makes_something_else_impossible_is_refused_and_kept_only_when_asked(lab, tubes):
    event, parts = made(lab, tubes)
    with refused("tube_not_drawn"):
        actions.void(lab, new_id(), drawn_event(tubes), WHY)
    store_actions.thaw(lab, new_id(), [parts[0]], at=STORED)
    with refused("tube_not_drawn"):
        actions.void(lab, new_id(), event, WHY)
    actions.void(lab, new_id(), event, WHY, keep=True)
    assert [(one.code, one.subject) for one in ledger.findings()] == [("tube_not_drawn", parts[0])]


def test_what_was_wrong_before_does_not_stand_in_the_way_of_putting_it_right(lab, tubes):
    event, parts = made(lab, tubes)
    thaw = store_actions.thaw(lab, new_id(), [parts[0]], at=STORED)
    other = store_actions.thaw(lab, new_id(), [parts[1]], at=STORED)
    actions.void(lab, new_id(), event, WHY, keep=True)
    assert len(ledger.findings()) == 2
    actions.void(lab, new_id(), thaw, WHY)
    assert [one.event for one in ledger.findings()] == [other]


def test_a_slot_that_was_taken_since_is_not_given_back(lab, curator, tubes, store):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    store_actions.put_away(lab, new_id(), [red], "NLB-B001", "A1", at=SPUN)
    out = store_actions.pull(lab, new_id(), [red], "assay", at=MADE)
    store_actions.put_away(lab, new_id(), [gel], "NLB-B001", "A1", at=STORED)
    with refused("slot_taken"):
        actions.void(lab, new_id(), out, WHY)
    actions.void(lab, new_id(), out, WHY, keep=True)
    assert {one.tube for one in ledger.find(contested=True)} == {red, gel}
    place = next(one for one in ledger.history(gel) if one.kind == "put_away")
    actions.correct(lab, new_id(), place.id, Fix(slots={0: ("NLB-B001", "A2")}), WHY)
    assert ledger.find(contested=True) == []


# correct ----------------------------------------------------------------------------------------


def test_a_wrong_time_is_corrected_and_shown_in_the_zone_in_which_it_was_said(lab, tubes):
    red = primary(tubes, RED)
    spin = bench.spin(lab, new_id(), [red], minutes=10, g=1500, at=SPUN)
    actions.correct(lab, new_id(), spin, Fix(at=SPUN + timedelta(minutes=7), unc_s=300), WHY)
    one = next(one for one in ledger.history(red) if one.kind == "spun")
    assert (one.at_ms, one.unc_s, one.off_min, one.tz) == (
        round((SPUN + timedelta(minutes=7)).timestamp() * 1000), 300, 120, "Europe/Oslo",
    )  # fmt: skip
    assert ledger.told([spin])[spin].said.header["at"] == round(SPUN.timestamp() * 1000)


def test_a_wrong_volume_is_corrected_and_a_short_draw_is_short(lab, tubes):
    red, event = primary(tubes, RED), drawn_event(tubes)
    actions.correct(lab, new_id(), event, Fix(volumes={line_of(event, red): 6_000}), WHY)
    assert ledger.state(red).volume_ul == 6_000
    assert next(one.line["short"] for one in ledger.history(red) if one.kind == "drawn") is True


def test_a_wrong_slot_is_corrected(lab, tubes):
    red = primary(tubes, RED)
    event = store_actions.put_away(lab, new_id(), [red], "NLB-B001", "A1", at=STORED)
    actions.correct(lab, new_id(), event, Fix(slots={0: ("nlb-b001", "b3")}), WHY)
    assert ledger.box("NLB-B001") == {(2, 3): red}


def test_a_correction_of_an_aliquot_keeps_the_balance(lab, tubes):
    event, parts = made(lab, tubes)
    with refused("aliquot_balances"):
        actions.correct(lab, new_id(), event, Fix(volumes={1: 1_500}), WHY)
    kept = actions.correct(lab, new_id(), event, Fix(volumes={1: 1_500}), WHY, keep=True)
    assert {one.code for one in ledger.findings()} == {"aliquot_balances"}
    actions.void(lab, new_id(), kept, WHY)
    assert ledger.findings() == []
    actions.correct(lab, new_id(), event, Fix(volumes={0: 2_500, 1: 1_500}), WHY)
    assert (ledger.state(parts[0]).volume_ul, ledger.state(primary(tubes, RED)).volume_ul) == (1_500, 7_500)


def test_the_newest_correction_wins_and_repeats_what_still_holds_of_an_older_one(lab, tubes):
    red, event = primary(tubes, RED), drawn_event(tubes)
    n = line_of(event, red)
    earlier = DRAWN - timedelta(minutes=5)
    actions.correct(lab, new_id(), event, Fix(at=earlier), "wrong time")
    second = actions.correct(lab, new_id(), event, Fix(volumes={n: 6_000}), "wrong volume")
    third = actions.correct(lab, new_id(), event, Fix(volumes={n: 7_000}), "wrong again")

    def now() -> tuple[int | None, bool]:
        return ledger.state(red).volume_ul, ledger.state(red).drawn_ms == round(earlier.timestamp() * 1000)

    assert now() == (7_000, True)
    actions.void(lab, new_id(), third, WHY)
    assert now() == (6_000, True)
    actions.void(lab, new_id(), second, WHY)
    assert now() == (10_000, True)


def refusals(people, lab, tubes):
    """(code, act): each is refused and changes nothing."""
    red, gel, draw = primary(tubes, RED), primary(tubes, GEL), drawn_event(tubes)
    event, _ = made(lab, tubes, (1000, 3000))
    place = store_actions.put_away(lab, new_id(), [red], "NLB-B001", "A1", at=STORED)
    store_actions.put_away(lab, new_id(), [gel], "NLB-B001", "A2", at=STORED)
    field, n = people.actor("fieldtech"), line_of(draw, red)
    printed = ledger.history(red)[0].id
    fix = lambda **said: lambda: actions.correct(lab, new_id(), said.pop("event", draw), Fix(**said), WHY)  # noqa: E731
    return [
        ("nothing_changed", fix()),
        ("nothing_changed", fix(volumes={n: 10_000})),
        ("note_missing", lambda: actions.void(lab, new_id(), place, "  ")),
        ("event_unknown", lambda: actions.void(lab, new_id(), new_id(), WHY)),
        ("not_yours", lambda: actions.void(field, new_id(), place, WHY)),
        ("not_yours", lambda: actions.void(people.actor("auditor"), new_id(), place, WHY)),
        ("amend_the_set", lambda: actions.void(people.actor("curator"), new_id(), printed, WHY)),
        ("slot_taken", fix(event=place, slots={0: ("NLB-B001", "A2")})),
        ("slot_unknown", fix(event=place, slots={0: ("NLB-B001", "Z9")})),
        ("unit_unknown", fix(event=place, slots={0: ("NLB-B777", "A1")})),
        ("volume_not_negative", fix(volumes={n: 3_500})),
        ("volume_not_positive", fix(volumes={n: 0})),
        ("volume_too_large", fix(volumes={n: 16_000})),
        ("line_malformed", fix(volumes={99: 1})),
        ("time_in_future", fix(event=place, at=builders.moment(9, day=builders.DAY + timedelta(days=3_650)))),
        ("time_before_parent", fix(event=event, at=DRAWN - timedelta(minutes=1))),
        ("time_before_parent", fix(at=builders.PRINTED - timedelta(days=1))),
        ("line_twice", lambda: actions.other_tube(lab, new_id(), draw, n, gel, WHY)),
        ("nothing_changed", lambda: actions.other_tube(lab, new_id(), draw, n, red, WHY)),
        ("tube_unknown", lambda: actions.other_tube(lab, new_id(), draw, n, codes.make("K7R2M", 3), WHY)),
        ("aliquot_balances", lambda: actions.other_tube(lab, new_id(), event, 1, "", WHY)),
        ("child_already_made", lambda: actions.other_tube(lab, new_id(), event, 1, gel, WHY)),
    ]  # fmt: skip


def test_every_refusal_has_its_code_and_changes_nothing(store, lab, tubes):
    for code, do in refusals(store, lab, tubes):
        with refused(code):
            do()


def test_a_voided_event_is_amended_no_more(lab, tubes):
    thaw = store_actions.thaw(lab, new_id(), [primary(tubes, RED)], at=SPUN)
    void = actions.void(lab, new_id(), thaw, WHY)
    for do in (
        lambda: actions.void(lab, new_id(), thaw, WHY),
        lambda: actions.correct(lab, new_id(), thaw, Fix(at=MADE), WHY),
    ):
        with refused("event_voided"):
            do()
    with refused("amendment_not_corrected"):
        actions.correct(lab, new_id(), void, Fix(at=MADE), WHY)


def test_a_curator_may_amend_for_others(lab, curator, tubes):
    thaw = store_actions.thaw(lab, new_id(), [primary(tubes, RED)], at=SPUN)
    actions.void(curator, new_id(), thaw, WHY)
    assert ledger.state(primary(tubes, RED)).thaws == 0


def test_the_same_form_sent_twice_is_one_event(lab, tubes):
    red, draw = primary(tubes, RED), drawn_event(tubes)
    thaw = store_actions.thaw(lab, new_id(), [red], at=SPUN)
    other = store_actions.thaw(lab, new_id(), [primary(tubes, HEPARIN)], at=SPUN)
    doing = [
        lambda key: actions.correct(lab, key, draw, Fix(volumes={line_of(draw, red): 6_000}), WHY),
        lambda key: actions.other_tube(lab, key, thaw, 0, primary(tubes, GEL), WHY),
        lambda key: actions.void(lab, key, other, WHY),
    ]
    for do in doing:
        key = new_id()
        first, size = do(key), ledger.size()
        assert (do(key), ledger.size()) == (first, size)
    with refused("key_reused"):
        actions.void(lab, thaw, draw, WHY)


def test_a_handoff_is_not_later_than_its_answer_nor_an_answer_earlier(store, lab, curator, tubes):
    red = primary(tubes, RED)
    given = handoffs.hand_off(lab, new_id(), [red], "NLB", how="hand", at=MADE).id
    taken = handoffs.receive(curator, new_id(), given, {red: "ok"}, counted=1, at=STORED).id
    with refused("time_after_answer"):
        actions.correct(lab, new_id(), given, Fix(at=STORED + timedelta(minutes=1)), WHY)
    with refused("time_before_parent"):
        actions.correct(curator, new_id(), taken, Fix(at=MADE - timedelta(minutes=1)), WHY)
    actions.correct(lab, new_id(), given, Fix(at=MADE + timedelta(minutes=1)), WHY)
    with refused("receiver_was_addressed", "not on that handoff"):
        actions.void(lab, new_id(), given, WHY)


# another tube -----------------------------------------------------------------------------------


def test_one_line_of_many_is_said_of_another_tube_and_the_rest_stays(lab, tubes):
    red, gel, heparin = (primary(tubes, n) for n in (RED, GEL, HEPARIN))
    spin = bench.spin(lab, new_id(), [red, gel], minutes=10, g=1500, at=SPUN)
    again = actions.other_tube(lab, new_id(), spin, line_of(spin, gel), heparin, WHY)
    count = lambda code: [one.id for one in ledger.history(code) if one.kind == "spun" and not one.voided]  # noqa: E731
    assert (count(red), count(gel), count(heparin)) == ([again], [], [again])
    told = ledger.told([spin, again])
    assert told[spin].voided and told[spin].amendments[0].said.header["data"]["instead"] == again
    first, second = told[spin].said.header, told[again].said.header
    assert [first[name] for name in ("at", "by", "org", "data")] == [
        second[name] for name in ("at", "by", "org", "data")
    ]
    assert second["rec_by"] == lab.code


def test_an_aliquot_of_another_label_takes_that_labels_words_with_it(lab, tubes):
    event, parts = made(lab, tubes)
    spare = aliquots(tubes, RED)[3]
    actions.other_tube(lab, new_id(), event, 2, spare, WHY)
    assert (ledger.state(parts[1]).status, ledger.state(spare).volume_ul) == ("labelled", 1_000)
    assert (ledger.state(spare).parent, ledger.state(spare).matrix) == (primary(tubes, RED), "SER")


def test_a_wrong_parent_takes_all_its_aliquots_along(lab, tubes):
    event, parts = made(lab, tubes)
    actions.other_tube(lab, new_id(), event, 0, primary(tubes, GEL), WHY)
    assert {ledger.state(code).parent for code in parts} == {primary(tubes, GEL)}
    assert ledger.state(primary(tubes, RED)).volume_ul == 10_000
    assert ledger.state(primary(tubes, GEL)).volume_ul == 3_000


def test_a_line_about_no_tube_is_left_out_and_an_event_without_lines_is_a_void(lab, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    thaw = store_actions.thaw(lab, new_id(), [red, gel], at=SPUN)
    rest = actions.other_tube(lab, new_id(), thaw, 0, "", WHY)
    assert (ledger.state(red).thaws, ledger.state(gel).thaws) == (0, 1)
    void = actions.other_tube(lab, new_id(), rest, 0, "", WHY)
    assert ledger.event(void).header["kind"] == "voided" and ledger.state(gel).thaws == 0


def test_blood_does_not_change_its_animal_by_a_slip(people):
    first, second = builders.drawn_set(people), builders.bound_set(people)
    tech = people.actor("fieldtech")
    event = drawn_event(first)
    with refused("tube_of_another_set"):
        n = line_of(event, primary(first, RED))
        actions.other_tube(tech, new_id(), event, n, primary(second, RED), WHY)


def test_a_draw_stays_within_its_capture(people):
    tech, drawn = people.actor("fieldtech"), builders.drawn_set(people)
    workup = drawn.workup
    workup.out_of_water = builders.DRAWN - timedelta(minutes=10)
    workup.save()
    early = Fix(at=builders.DRAWN - timedelta(minutes=11))
    with refused("time_before_capture"):
        actions.correct(tech, new_id(), drawn_event(drawn), early, WHY)
    actions.correct(tech, new_id(), drawn_event(drawn), early, WHY, keep=True)


# undo -------------------------------------------------------------------------------------------


def test_undo_is_a_void_with_its_reason_and_once(lab, tubes):
    red = primary(tubes, RED)
    thaw = store_actions.thaw(lab, new_id(), [red])
    done, size = actions.undo(lab, thaw), ledger.size()
    assert (actions.undo(lab, thaw), ledger.size()) == (done, size)
    said = ledger.event(done).header["data"]
    assert (said["reason"], said["note"], ledger.state(red).thaws) == ("did_not_occur", "undone at once", 0)


@pytest.mark.parametrize(("late", "code"), [(14.5, None), (15.5, "undo_too_late"), (86_400, "undo_too_late")])
def test_undo_ends_after_ten_seconds_and_five_for_the_network(lab, tubes, late, code):
    assert (undoing.UNDO_S, undoing.GRACE_S) == (10, 5)
    thaw = store_actions.thaw(lab, new_id(), [primary(tubes, RED)])
    told = ledger.told([thaw])[thaw]
    wrong = undoing.undo_wrong(told, lab.code, told.said.recorded_ms + round(late * 1000))
    assert (wrong and wrong[0]) == code
    with time_machine.travel(told.said.recorded_ms / 1000 + late, tick=False):
        if code:
            with refused(code):
                actions.undo(lab, thaw)
        else:
            actions.undo(lab, thaw)


def test_nobody_undoes_what_another_person_did_not_even_a_curator(lab, curator, tubes):
    thaw = store_actions.thaw(lab, new_id(), [primary(tubes, RED)])
    with refused("undo_not_yours"):
        actions.undo(curator, thaw)
    again = actions.other_tube(curator, new_id(), thaw, 0, primary(tubes, GEL), WHY)
    for actor in (lab, curator):  # one did it, the other typed it
        with refused("undo_not_yours"):
            actions.undo(actor, again)


def test_what_changed_more_than_the_ledger_is_not_undone_by_a_click(people):
    tech, tube_set = people.actor("fieldtech"), builders.bound_set(people)
    bound = next(one.id for one in ledger.history(primary(tube_set, RED)) if one.kind == "bound")
    with refused("undo_not_here"):
        actions.undo(tech, bound)
    lab_ = people.actor("labtech")
    unit = store_actions.add_unit(lab_, new_id(), code="TFL-X1", kind="cooler", name="X", reason="new")
    with refused("undo_not_here"):
        actions.undo(lab_, unit)
