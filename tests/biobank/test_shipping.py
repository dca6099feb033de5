"""Shipments through their actions: drafts, what is in them, legs, packing, what stops them, sending once."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import UTC, date, datetime, time

import pytest
import time_machine
from django.utils import timezone

from biobank.acting import Actor, ms
from biobank.handoffs.actions import hand_off, receive
from biobank.models import (
    Assay,
    ClosedDay,
    OpenHours,
    PackingCheck,
    Permit,
    Role,
    Rule,
    RuleSet,
    Shipment,
    ShipmentTube,
    Unit,
)
from biobank.shipping import actions, hours, planning, points, queries, sending
from biobank.shipping.actions import next_number
from biobank.store import actions as store_actions
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.biobank.judged import BOX, grade, make_law, make_tubes
from tests.biobank.lab import STORED, refused
from tests.biobank.shipped import (
    answered,
    draft,
    leg,
    on,
    only_leg,
    open_workdays,
    permitted,
    ready,
    said,
)
from tests.people import make_person

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def monday():
    """It is Monday, 4 May 2026, eight o'clock."""
    with time_machine.travel(on(0, 8), tick=False):
        yield


@pytest.fixture
def labtech(store):
    return store.actor("labtech")


@pytest.fixture
def tubes(store):
    return make_tubes(store)


@contextmanager
def named(tube):
    """The refusal is about this tube."""
    with pytest.raises(Refused) as no:
        yield
    assert no.value.tube == tube
    raise no.value


def send(people, one, **more):
    given = {"how": "sealed", "seal": "S-77"} | more
    return sending.send(people.actor("labtech"), given.pop("key", None) or new_id(), one, **given)


def way_of(one, tubes=()):
    return planning.way(one, queries.legs(one), list(tubes), ms(on(0, 8)))


# drafts ---------------------------------------------------------------------------------------------


def test_numbers_count_within_the_year_of_the_programme(people):
    assert [draft(people).number for _ in range(3)] == [f"SKARVIK-S-2026-{n:03d}" for n in (1, 2, 3)]
    # in Oslo it is the new year an hour before it is in UTC
    with time_machine.travel("2026-12-31T23:30:00Z", tick=False):
        assert draft(people).number == "SKARVIK-S-2027-001"


def test_a_number_after_999_is_the_next_one(people):
    one = draft(people)
    Shipment.objects.filter(pk=one.pk).update(number="SKARVIK-S-2026-999")
    assert next_number(people.programme, on(0, 8)) == "SKARVIK-S-2026-1000"


def test_a_form_sent_twice_is_one_draft(people):
    key = new_id()
    assert draft(people, key).pk == draft(people, key).pk
    assert Shipment.objects.count() == 1


def test_a_draft_goes_to_another_agency_and_a_loan_says_when_it_is_back(people):
    with refused("handed_to_itself"):
        draft(people, receiver=people.tfl)
    with refused("due_back_missing"):
        draft(people, terms="loan")
    assert draft(people, terms="loan", due_back=date(2026, 8, 1)).due_back == date(2026, 8, 1)


def test_what_was_dropped_or_sent_is_not_changed_any_more(store, labtech):
    one, tubes = ready(store)
    send(store, one)
    other = draft(store)
    actions.drop(labtech, other, "the freezer there is full")
    for shipment, code in ((one, "shipment_sent"), (other, "shipment_dropped")):
        for do in (
            lambda it: actions.change(labtech, it, said(store)),
            lambda it: actions.drop(labtech, it, "again"),
            lambda it: actions.add(labtech, it, tubes[0]),
            lambda it: actions.take_out(it, tubes[:1]),
            lambda it: actions.put_leg(it, None, leg(on(3, 9), on(3, 10))),
            lambda it: actions.check_points(labtech, it, {}),
            lambda it: send(store, it),
        ):
            with refused(code):
                do(shipment)
    assert Shipment.objects.get(pk=other.pk).dropped == "the freezer there is full"
    assert Shipment.objects.get(pk=one.pk).dropped == ""


def test_every_change_of_a_draft_keeps_who_and_why(store, labtech):
    one = draft(store)
    actions.change(labtech, one, said(store, hazard="category_b"))
    actions.drop(labtech, one, "not now")
    reasons = [row.history_change_reason for row in one.history.order_by("history_id")]
    assert reasons[0].startswith("begun by form ") and reasons[1:] == ["changed", "dropped"]
    assert {row.history_user for row in one.history.all()} == {store.user("labtech")}


# tubes ----------------------------------------------------------------------------------------------


def test_tubes_and_whole_boxes_go_in_once(store, labtech, tubes):
    store_actions.put_away(labtech, new_id(), tubes[:2], BOX, at=STORED)
    one = draft(store)
    assert actions.add(labtech, one, f"{tubes[2]}\n{BOX}") == 3
    assert actions.add(labtech, one, f"{tubes[2]} \n {tubes[0]}") == 0
    assert dict(one.tubes.values_list("tube", "box")) == {tubes[0]: BOX, tubes[1]: BOX, tubes[2]: ""}


def test_a_tube_is_in_one_open_draft_and_a_dropped_one_frees_it(store, labtech, tubes):
    first, second = draft(store), draft(store)
    actions.add(labtech, first, tubes[0])
    with refused("tube_in_other_draft", first.number), named(tubes[0]):
        actions.add(labtech, second, "\n".join(tubes[:2]))
    assert not second.tubes.exists()  # all or none
    actions.drop(labtech, first, "no room")
    assert actions.add(labtech, second, "\n".join(tubes[:2])) == 2


def test_a_tube_that_is_on_its_way_or_with_others_does_not_go_in(store, labtech, tubes):
    hand_off(labtech, new_id(), tubes[:1], "NLB", how="hand")
    with refused("not_the_custodian", "on its way to NLB"):
        actions.add(labtech, draft(store), tubes[0])
    with refused("not_the_custodian"):
        actions.add(store.actor("curator"), draft(store, role="curator", receiver=store.sss), tubes[1])


def test_a_tube_of_another_programme_does_not_go_in(store, labtech, tubes):
    one = draft(store)
    other = type(store.programme).objects.create(code="FJORD", name="Another survey", tz="Europe/Oslo")
    Shipment.objects.filter(pk=one.pk).update(programme=other)
    with refused("tube_of_other_programme"):
        actions.add(labtech, Shipment.objects.get(pk=one.pk), "\n".join(tubes))
    assert not ShipmentTube.objects.exists()


def test_there_is_a_most(store, labtech, tubes, monkeypatch):
    monkeypatch.setattr(actions, "MOST", 2)
    with refused("shipment_too_large"):
        actions.add(labtech, draft(store), "\n".join(tubes[:3]))


def test_what_is_taken_out_was_in_it(store, labtech, tubes):
    one = draft(store)
    actions.add(labtech, one, "\n".join(tubes[:2]))
    with refused("tube_not_in_shipment"), named(tubes[3]):
        actions.take_out(one, [tubes[0], tubes[3]])
    assert one.tubes.count() == 2
    assert actions.take_out(one, tubes[:1]) == 1


# legs -----------------------------------------------------------------------------------------------


def test_legs_are_numbered_by_when_they_leave(people):
    one = draft(people)
    late = actions.put_leg(one, None, leg(on(1, 12), on(1, 15)))
    early = actions.put_leg(one, None, leg(on(0, 9), on(1, 10)))
    middle = actions.put_leg(one, None, leg(on(1, 10), on(1, 11)))
    assert [row.pk for row in queries.legs(one)] == [early.pk, middle.pk, late.pk]
    assert [row.n for row in queries.legs(one)] == [1, 2, 3]
    actions.put_leg(one, middle, leg(on(2, 9), on(2, 10)))
    assert [row.pk for row in queries.legs(one)] == [early.pk, late.pk, middle.pk]
    actions.remove_leg(one, early)
    assert [(row.pk, row.n) for row in queries.legs(one)] == [(late.pk, 1), (middle.pk, 2)]


def test_a_leg_goes_forward_and_two_do_not_leave_at_once(people):
    one = draft(people)
    actions.put_leg(one, None, leg(on(0, 9), on(1, 10)))
    with refused("leg_backwards"):
        actions.put_leg(one, None, leg(on(2, 9), on(2, 9)))
    with refused("leg_twice"):
        actions.put_leg(one, None, leg(on(0, 9), on(0, 10)))
    with refused("leg_backwards"):
        actions.put_leg(one, only_leg(one), leg(on(0, 9), on(0, 8)))
    assert only_leg(one).arrives == on(1, 10)


def test_coolant_goes_on_where_its_mass_is_not_said_again(people):
    one = draft(people)
    actions.put_leg(one, None, leg(on(0, 9), on(0, 12)))
    actions.put_leg(one, None, leg(on(0, 12), on(1, 10), coolant_g=None, hold_min=None))
    assert [hold.legs for hold in way_of(one).journey.holds] == [(1, 2)]
    actions.put_leg(one, queries.legs(one)[1], leg(on(0, 12), on(1, 10), coolant_g=5000, hold_min=None))
    holds = way_of(one).journey.holds
    assert [hold.legs for hold in holds] == [(1,), (2,)] and holds[1].answer == "cannot_tell"


def test_of_a_shipper_that_may_lie_the_hold_time_counts_as_said_for_lying(people):
    one = draft(people)
    open_workdays(people)
    nitrogen = {"coolant": "dry_shipper", "ice_form": "", "upright": False}
    actions.put_leg(one, None, leg(on(0, 9), on(1, 10), **nitrogen, hold_min=96 * 60))
    assert way_of(one).journey.answer == "pass"
    actions.put_leg(one, only_leg(one), leg(on(0, 9), on(1, 10), **nitrogen, hold_min=None))
    assert way_of(one).journey.answer == "cannot_tell" and not way_of(one).departures.known


# the way --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("coolant", "warm"), [
    ("none", True), ("gel", True), ("wet_ice", True), ("dry_ice", False), ("dry_shipper", False),
])  # fmt: skip
def test_a_leg_must_be_as_cold_as_the_plan_wants_its_tubes(store, coolant, warm):
    """The plan wants these at -80 °C. Dry ice sublimes at -78.5 °C, of that class; water ice melts at 0."""
    one, tubes = ready(store)
    mass = {
        "coolant_g": 8000 if coolant == "dry_ice" else None,
        "ice_form": "pellets" if coolant == "dry_ice" else "",
    }
    actions.put_leg(one, one.legs.get(), leg(on(0, 9), on(1, 10), coolant=coolant, **mass))
    found = planning.too_warm(queries.legs(one), tubes)
    assert [(each.leg, each.tubes, each.wanted) for each in found] == [(1, 2, "−60 to −85 °C")] * warm
    assert planning.too_warm(queries.legs(one), []) == ()


@pytest.mark.parametrize(
    ("set_point", "warm"), [(-8000, False), (-6000, False), (-5999, True), (None, False)]
)
def test_a_powered_unit_keeps_its_set_point(store, set_point, warm):
    one, tubes = ready(store)
    unit = Unit.objects.create(code="TFL-P1", kind="freezer", name="Car freezer", agency=store.tfl,
                               nominal_centi=set_point)  # fmt: skip
    actions.put_leg(
        one,
        one.legs.get(),
        leg(on(0, 9), on(1, 10), coolant="powered", coolant_g=None, ice_form="", unit=unit),
    )
    assert bool(planning.too_warm(queries.legs(one), tubes)) == warm


def test_a_leg_that_is_not_cold_enough_goes_with_a_reason_alone(store):
    one, _ = ready(store)
    actions.put_leg(
        one, one.legs.get(), leg(on(0, 9), on(1, 10), coolant="wet_ice", coolant_g=None, ice_form="")
    )
    answered(store, one)
    with refused("leg_too_warm", "wet ice"):
        send(store, one)
    done = send(store, one, why="They are used on arrival.")
    assert (
        "leg_too_warm: sent all the same: They are used on arrival."
        in ledger.event(done.id).header["data"]["note"]
    )


def test_closed_days_and_hours_make_it_wait(people):
    one = draft(people)
    actions.put_leg(one, None, leg(on(0, 9), on(1, 10)))
    assert way_of(one).opening is None and way_of(one).journey.answer == "cannot_tell"
    open_workdays(people)
    assert way_of(one).journey.taken_ms == ms(on(1, 10))
    hours.close_on(people.nlb, on(1, 0).date(), "stocktaking", people.user("curator"))
    way = way_of(one)
    assert way.journey.taken_ms == ms(on(2, 8)) and way.journey.holds[0].spare_min == 60
    # 25 h on the way: so that it is there on Friday a minute before four, and does not wait for Monday
    assert way.departures.last_ms == ms(on(3, 14, 59)) and way.safe


def test_the_rule_that_runs_out_first_is_the_deadline(store, labtech):
    make_law()
    tubes = make_tubes(store)
    law_rule = {"code": "FRESH", "kind": "interval", "from_act": "drawn", "to_act": "now"}
    cort, rules = Assay.objects.get(code="CORT"), RuleSet.objects.get(status="in_force")
    same = {"rule_set": rules, "assay": cort, "evidence": "common_practice", "source": "made up for a test"}
    hours_ = int((on(1, 9) - ledger_time(tubes[0])).total_seconds())
    Rule.objects.create(**law_rule, **same, severity="caution", limit_s=hours_)
    Rule.objects.create(**(law_rule | {"code": "NOTED"}), **same, severity="note", limit_s=hours_ - 3600)
    one = draft(store, assay=cort)
    open_workdays(store)
    actions.add(labtech, one, "\n".join(tubes[:2]))
    actions.put_leg(one, None, leg(on(0, 9), on(1, 10)))
    way = way_of(one, tubes[:2])
    assert (way.deadline.rule, way.deadline.at_ms) == ("FRESH", ms(on(1, 9)))  # the note weighs nothing
    assert way.journey.in_time == "fail" and way.departures.last_ms is not None
    assert way.departures.last_ms == ms(on(0, 8))  # an hour earlier it is taken in just in time
    other = draft(store)
    actions.put_leg(other, None, leg(on(0, 9), on(1, 10)))
    assert way_of(other, tubes[2:4]).deadline is None and way_of(other, tubes[2:4]).asked is False


def ledger_time(tube):
    drawn = next(one for one in ledger.history(tube) if one.kind == "drawn")
    return datetime.fromtimestamp(drawn.at_ms / 1000, UTC)


def test_dry_ice_is_worked_out_until_it_is_no_longer_needed(people):
    one = draft(people)
    open_workdays(people)
    actions.put_leg(one, None, leg(on(0, 9), on(0, 17)))  # taken in on Tuesday at eight
    ice = planning.ices(way_of(one), queries.legs(one), 1000)[0]
    assert (ice.minutes, ice.grams, ice.form) == (23 * 60, 8000, "pellets")
    assert ice.answer == "pass"
    actions.put_leg(one, only_leg(one), leg(on(0, 9), on(0, 17), coolant_g=1500))
    assert planning.ices(way_of(one), queries.legs(one), 1000)[0].answer == "fail"
    actions.put_leg(one, only_leg(one), leg(on(0, 9), on(0, 17), coolant_g=None))
    unknown = planning.ices(way_of(one), queries.legs(one), 1000)[0]
    assert (unknown.left, unknown.answer) == (None, "cannot_tell")


# packing --------------------------------------------------------------------------------------------


def codes_asked(one):
    asked = queries.packing(one, queries.legs(one), queries.contents(one))
    return {each.point.code for each in asked}


def test_the_points_follow_hazard_and_coolant(people):
    one = draft(people, hazard="category_b")
    actions.put_leg(one, None, leg(on(0, 9), on(1, 10)))
    assert {"b_mark", "ice_vent", "a_counted"} <= codes_asked(one)
    assert not {code for code in codes_asked(one) if code.startswith(("x_", "n_"))}
    other = draft(people, hazard="exempt")
    actions.put_leg(other, None, leg(on(0, 9), on(1, 10), coolant="dry_shipper", ice_form=""))
    assert {"x_mark", "n_upright"} <= codes_asked(other) and "ice_vent" not in codes_asked(other)


def test_a_point_that_does_not_apply_says_why_and_who_answered_first_stays_named(store, labtech):
    one, _ = ready(store)
    with refused("left_out_says_why"):
        actions.check_points(labtech, one, {"a_told": ("no", ""), "a_counted": ("done", "")})
    with refused("point_unknown"):
        actions.check_points(labtech, one, {"z_none": ("done", "")})
    second = make_person(store.programme, store.tfl, Role.LAB, "P9", "second")
    other = Actor(second, "second")
    actions.check_points(other, one, {"a_told": ("done", ""), "a_counted": ("no", "one tube")})
    said_ = dict(PackingCheck.objects.filter(shipment=one).values_list("point", "by__code"))
    assert (said_["a_told"], said_["a_counted"]) == (labtech.code, "P9")
    actions.check_points(other, one, {"a_told": ("", "")})
    assert not PackingCheck.objects.filter(shipment=one, point="a_told").exists()


def test_every_point_has_a_source_and_a_status():
    assert len({one.code for one in points.POINTS}) == len(points.POINTS)
    known = {points.READ, points.SECOND, points.MEMORY, points.PRACTICE}
    assert all(one.source and one.status in known and len(one.code) <= 40 for one in points.POINTS)


# sending --------------------------------------------------------------------------------------------


def test_it_is_sent_as_one_event_that_says_all_of_the_parcel(store):
    one, tubes = ready(store)
    done = send(store, one, centi_c=-7800)
    header = ledger.event(done.id).header
    assert header["kind"] == "shipped" and header["data"] == {
        "to": "NLB", "how": "sealed", "seal": "S-77", "centi_c": -7800, "carrier": "Bay Couriers",
        "waybill": "W-1", "hazard": "exempt", "terms": "service", "ice_g": 8000, "shipment": one.number,
        "due_ms": ms(on(1, 10)),
    }  # fmt: skip
    assert {state.pending_to for state in ledger.states(tubes).values()} == {"NLB"}
    sent = Shipment.objects.get(pk=one.pk)
    assert str(sent.handoff) == done.id and sent.history.first().history_change_reason == "sent"


def test_sent_twice_is_one_event(store):
    one, _ = ready(store)
    key = new_id()
    first, second = send(store, one, key=key), send(store, one, key=key)
    assert (first.id, second.new) == (second.id, False) and len(ledger.events(kind="shipped")) == 1
    with refused("shipment_sent"):
        send(store, one)


def test_tubes_in_their_box_keep_its_code_and_place(store, labtech):
    tubes = make_tubes(store)[:2]
    store_actions.put_away(labtech, new_id(), tubes, BOX, at=STORED)
    one = draft(store)
    actions.add(labtech, one, BOX)
    actions.put_leg(one, None, leg(on(0, 9), on(1, 10)))
    open_workdays(store)
    permitted(store)
    answered(store, one)
    lines = ledger.event(send(store, one).id).lines
    assert {(line["box"], line["row"], line["col"]) for line in lines} == {(BOX, 1, 1), (BOX, 1, 2)}


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda one: ShipmentTube.objects.filter(shipment=one).delete(), "no_tube"),
        (lambda one: only_leg(one).delete(), "legs_missing"),
        (lambda one: Shipment.objects.filter(pk=one.pk).update(hazard=""), "hazard_missing"),
        (
            lambda one: Shipment.objects.filter(pk=one.pk).update(hazard="category_b", contact=""),
            "contact_missing",
        ),
        (lambda one: one.legs.update(coolant_g=None), "ice_mass_missing"),
        (lambda one: PackingCheck.objects.filter(point="a_told").delete(), "packing_open"),
        (lambda one: Permit.objects.filter(allows="send").update(valid_until="2026-05-01"), "permit_missing"),
        (lambda one: Permit.objects.filter(allows="receive").update(agency=one.giver), "permit_missing"),
        (lambda one: OpenHours.objects.all().delete(), "journey_unsure"),
        (lambda one: one.legs.update(hold_min=60), "journey_not_safe"),
    ],
)
def test_each_thing_that_is_open_stops_it_with_its_code(store, spoil, code):
    one, tubes = ready(store)
    spoil(one)
    size = ledger.size()
    with refused(code):
        send(store, Shipment.objects.get(pk=one.pk))
    assert ledger.size() == size and Shipment.objects.get(pk=one.pk).handoff is None
    assert {state.pending_to for state in ledger.states(tubes).values()} == {None}


def test_overlapping_legs_stop_it(store):
    one, _ = ready(store)
    actions.put_leg(one, None, leg(on(0, 12), on(1, 12)))
    with refused("legs_overlap"):
        send(store, one)


@pytest.mark.parametrize("spoil", ["hold", "hours", "no permits"])
def test_what_is_not_sure_goes_with_a_reason_that_the_event_keeps(store, spoil):
    one, _ = ready(store, permits=spoil != "no permits")
    if spoil == "hold":
        one.legs.update(hold_min=None)
    elif spoil == "hours":
        OpenHours.objects.all().delete()
    code = "permit_missing" if spoil == "no permits" else "journey_unsure"
    with refused(code):
        send(store, one)
    done = send(store, one, why="the office was asked by telephone")
    note = ledger.event(done.id).header["data"]["note"]
    assert note == f"{code}: sent all the same: the office was asked by telephone"


def test_a_permit_that_says_no_is_not_talked_away(store):
    one, _ = ready(store)
    Permit.objects.filter(allows="send").update(valid_until="2026-05-03")
    with refused("permit_missing"):
        send(store, one, why="they will surely mind it less")


def test_the_gate_looks_at_every_tube_when_an_analysis_is_named(store, labtech):
    make_law()
    tubes = make_tubes(store)
    grade(store, tubes[1:2], haemolysis=2)
    one, _ = ready(store, tubes[:2], assay=Assay.objects.get(code="CORT"))
    with refused("tube_not_fit"):
        send(store, one, why="x")
    actions.take_out(one, tubes[1:2])
    done = send(store, one, why="x")
    assert ledger.event(done.id).lines[0]["verdict"] == "fit"


def test_a_tube_that_was_given_away_since_stops_it_and_is_named(store, labtech):
    one, tubes = ready(store)
    hand_off(labtech, new_id(), tubes[1:], "NLB", how="hand")
    with refused("not_the_custodian"), named(tubes[1]):
        send(store, one)


def test_what_changes_inside_while_it_is_sent_stops_it(store, labtech, monkeypatch):
    one, tubes = ready(store)
    taken = sending.in_hand

    def in_between(actor, codes):
        found = taken(actor, codes)
        ShipmentTube.objects.filter(shipment=one, tube=tubes[0]).delete()
        return found

    monkeypatch.setattr(sending, "in_hand", in_between)
    with refused("shipment_changed"):
        send(store, one)
    assert not ledger.events(kind="shipped") and Shipment.objects.get(pk=one.pk).handoff is None


def test_dropped_in_between_stops_it(store, labtech, monkeypatch):
    one, _ = ready(store)
    monkeypatch.setattr(
        sending, "check_free", lambda *_: Shipment.objects.filter(pk=one.pk).update(dropped="no")
    )
    with refused("shipment_dropped"):
        send(store, one)
    assert not ledger.events(kind="shipped")


# lists and hours ------------------------------------------------------------------------------------


def words(people, role="labtech"):
    board = queries.board(people.person(role), ms(timezone.now()))
    return {
        "drafts": [row.shipment.number for row in board.drafts],
        "way": [(row.shipment.number, row.word) for row in board.way],
        "overdue": [(row.shipment.number, row.word) for row in board.overdue],
        "arrived": [(row.shipment.number, row.word) for row in board.arrived],
    }


def test_the_list_follows_the_ledger(store):
    one, tubes = ready(store)
    assert words(store)["drafts"] == [one.number]
    assert words(store, "fieldtech") == {"drafts": [], "way": [], "overdue": [], "arrived": []}
    done = send(store, one)
    assert words(store)["way"] == [(one.number, "on the way")] and words(store)["drafts"] == []
    with time_machine.travel(on(1, 10, 1), tick=False):
        assert words(store)["overdue"] == [(one.number, "overdue")] and words(store)["way"] == []
        receive(
            store.actor("curator"), new_id(), done.id, dict.fromkeys(tubes, "ok"), counted=2, seal_intact=True
        )
        assert words(store)["arrived"] == [(one.number, "arrived")] and words(store)["overdue"] == []


def test_hours_do_not_overlap_and_are_said_once(people):
    open_workdays(people)
    open_workdays(people)
    assert OpenHours.objects.count() == 5
    with refused("hours_overlap", "Monday"):
        hours.open_on(people.nlb, [0, 5], time(15), time(18), people.user("curator"))
    with refused("hours_reversed"):
        hours.open_on(people.nlb, [5], time(18), time(8), people.user("curator"))
    assert OpenHours.objects.count() == 5
    hours.open_on(people.nlb, [0], time(16), time(18), people.user("curator"))  # after the other one
    hours.close_on(people.nlb, date(2026, 5, 17), "holiday", people.user("curator"))
    hours.close_on(people.nlb, date(2026, 5, 17), "the national day", people.user("curator"))
    assert [one.why for one in ClosedDay.objects.all()] == ["the national day"]
    hours.forget(people.nlb, "day", ClosedDay.objects.get().pk, people.user("curator"))
    assert not ClosedDay.objects.exists()
    assert [one.history_user for one in ClosedDay.history.all()] == [people.user("curator")] * 3
