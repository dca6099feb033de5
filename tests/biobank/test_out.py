"""Out of the cold and back: since when, for how long, what is asked at the return, what is counted.

Limits in minutes are common practice, no source (`biobank.core.out.LIMITS`); the tests set their own.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from biobank.acting import ms, perform
from biobank.core.out import FOREVER, Away, Limit, Piece, aways
from biobank.disposal import clocks, out_actions, returned
from biobank.models import ExposureLimit, ThawAnswer
from biobank.store import actions as store
from biobank.store import carry as carrying
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.boxes import AT, filled, more_boxes, stored, tubes
from tests.biobank.lab import refused

BOX = "NLB-B001"
NOON = AT + timedelta(hours=2)
MINUTE = 60_000


def later(minutes: float) -> datetime:
    return NOON + timedelta(minutes=minutes)


# the clock alone ----------------------------------------------------------------------------------


def test_out_is_from_the_last_cold_place_to_the_next():
    deep, bench = -8000, None
    pieces = [Piece(0, 10, bench), Piece(10, 20, deep), Piece(20, 25, bench), Piece(25, 30, 2000),
              Piece(40, 50, -2000), Piece(50, 60, -15000)]  # fmt: skip
    assert aways(pieces) == [Away(20, 40, "deep"), Away(60, None, "nitrogen")]
    assert aways(reversed(pieces)) == aways(pieces)


@pytest.mark.parametrize("centi, frozen", [(-1800, True), (-1799, False), (400, False), (None, False)])
def test_frozen_begins_at_minus_18(centi, frozen):
    # the warm end of the class −18 to −35 °C: MIABIS storage temperatures (core/places.py)
    assert bool(aways([Piece(0, 10, centi), Piece(10, FOREVER, None)])) == frozen


def test_on_its_way_it_counts_as_kept_when_it_was_frozen_before():
    pieces = [Piece(0, 10, -8000), Piece(15, 90, None, True), Piece(95, FOREVER, -8000)]
    assert aways(pieces) == [Away(10, 15, "deep"), Away(90, 95, "deep")]
    assert aways([Piece(0, 10, None, True), Piece(10, 20, None)]) == []


def test_what_never_was_frozen_or_still_is_is_not_out():
    assert aways([]) == aways([Piece(5, 9, None)]) == aways([Piece(5, FOREVER, -8000)]) == []
    assert aways([Piece(0, 5, -8000), Piece(5, FOREVER, -2000)]) == []  # from freezer to freezer


@pytest.mark.parametrize(
    "minutes, word, over",
    [(0, "in time", False), (3.74, "in time", False), (3.75, "soon", False), (5, "soon", False),
     (5.001, "late", True)],
)  # fmt: skip
def test_both_sides_of_the_limit(minutes, word, over):
    limit, now = Limit(5, "ours"), round(minutes * MINUTE)
    assert limit.word(0, now) == word and limit.over(0, now) == over


# with the ledger ----------------------------------------------------------------------------------

pytestmark = pytest.mark.django_db


@pytest.fixture
def curator(people, store):
    return people.actor("curator")


@pytest.fixture
def bench(curator):
    """A bench, and a room-temperature rack on it."""
    store.add_unit(curator, new_id(), code="NLB-BENCH", kind="bench", name="Bench", reason="new", at=AT)
    return "NLB-BENCH"


@pytest.fixture
def five(people, curator):
    return stored(people, tubes(5))


def seen(curator, minutes):
    return clocks.out(curator.org, curator.person.programme, ms(later(minutes)))


def asked(curator, event):
    return returned.question(event, curator.org, curator.person.programme)


def pull(curator, some, minutes=0):
    return store.pull(curator, new_id(), some, "for an assay", at=later(minutes))


def out_box(curator, unit, to, minutes=0):
    return carrying.carry(curator, new_id(), unit, to, "to pick", at=later(minutes))


def back(curator, minutes, **said):
    return out_actions.bring_back(curator, new_id(), at=later(minutes), **said)


def test_nothing_is_out_while_all_is_in_the_freezer(curator, five, bench):
    found = seen(curator, 0)
    assert found.clocks == found.old == [] and found.thawed == 0


def test_pulled_tubes_are_one_clock_from_the_pull_on(curator, five):
    pull(curator, five[:2])
    pull(curator, five[2:3], 1)
    first, second = seen(curator, 4).clocks
    assert (first.unit, first.whole, first.tubes, first.where) == (BOX, False, tuple(five[:2]), "in hand")
    assert (first.band, first.left, first.out_ms, first.slot) == ("deep", 1, 4 * MINUTE, "A1")
    assert (second.tubes, second.left, second.slot) == ((five[2],), 2, "A3")
    assert [one.word for one in seen(curator, 5.5).clocks] == ["late", "soon"]
    assert (first.since, first.until) == (f"{later(0):%H:%M}", f"{later(5):%H:%M}")


def test_a_box_on_the_bench_is_one_clock_for_all_that_is_in_it(curator, five, bench):
    out_box(curator, BOX, bench)
    (clock,) = seen(curator, 2).clocks
    assert (clock.unit, clock.whole, clock.count, clock.where) == (BOX, True, 5, bench)
    assert (clock.mover, clock.back, clock.left) == (BOX, "NLB-R1", 3)
    pull(curator, five[:1], 1)  # a tube out of a box that is out has been out as long as the box
    box, tube = sorted(seen(curator, 2).clocks, key=lambda one: not one.whole)
    assert (box.count, tube.count, tube.since_ms) == (4, 1, ms(NOON))


def test_a_rack_on_the_bench_takes_its_boxes_along(people, curator, five, bench):
    more_boxes(people, 1)
    stored(people, tubes(3, start=11), "NLB-B002")
    out_box(curator, "NLB-R1", bench)
    found = seen(curator, 1).clocks
    assert [(one.unit, one.count, one.mover, one.back) for one in found] == [
        (BOX, 5, "NLB-R1", "NLB-S1"), ("NLB-B002", 3, "NLB-R1", "NLB-S1"),
    ]  # fmt: skip
    assert found[0].where == f"NLB-R1 in {bench}"


def test_an_empty_box_fresh_tubes_and_another_agency_s_are_no_clock(people, curator, bench):
    out_box(curator, BOX, bench)  # nothing in it
    filled(people, tubes(2, start=50))  # in hand, never frozen
    assert seen(curator, 1).clocks == []
    assert clocks.out("TFL", curator.person.programme, ms(later(1))).clocks == []


def test_a_tube_that_stands_on_the_bench_or_in_a_new_box_there_is_still_out(people, curator, five, bench):
    store.move(curator, new_id(), five[:1], bench, at=later(0), why="look")
    store.add_unit(curator, new_id(), code="NLB-B050", kind="box", name="New", reason="new", rows=9, cols=9,
                   parent=bench, at=AT)  # fmt: skip
    store.move(curator, new_id(), five[1:2], "NLB-B050", at=later(1), why="sorted anew")
    found = seen(curator, 2).clocks
    assert [(one.tubes, one.where, one.out_ms // MINUTE) for one in found] == [
        ((five[0],), bench, 2), ((five[1],), "NLB-B050", 1),
    ]  # fmt: skip
    event = out_box(curator, "NLB-B050", "NLB-R1", 20)  # the new box goes in, and its tube with it
    assert asked(curator, event).tubes == [five[1]]


def test_after_a_day_it_is_no_hurry_any_more_and_a_counted_thaw_ends_the_clock(curator, five):
    pull(curator, five[:2])
    store.thaw(curator, new_id(), five[:1], "thawed for an assay", at=later(3))
    found = seen(curator, 25 * 60)
    assert found.clocks == [] and [one.tubes for one in found.old] == [(five[1],)] and found.thawed == 1


def test_the_programme_s_own_limit_counts_with_its_source(people, curator, five):
    assert clocks.limits_of(people.programme)["deep"] == Limit(5, "common practice, no source")
    for minutes in (15, 12):
        out_actions.set_limit(curator, band="deep", minutes=minutes, source=f"SOP, {minutes} min")
    pull(curator, five[:1])
    (clock,) = seen(curator, 10).clocks
    assert clock.limit == Limit(12, "SOP, 12 min") and clock.word == "soon"
    assert ExposureLimit.objects.get().history.count() == 2
    with refused("reason_required"):
        out_actions.set_limit(curator, band="deep", minutes=1, source=" ")


def test_a_voided_pull_never_happened(curator, five):
    event = pull(curator, five[:1])
    perform(curator, "voided", key=new_id(), data={"of": event, "reason": "did_not_occur"})
    assert seen(curator, 60).clocks == []


def test_the_way_to_another_agency_is_not_on_the_clock_and_the_receiver_s_begins_at_the_receipt(
    people, curator, five
):
    lines = [{"t": five[0], "role": "subj"}]
    sent = perform(curator, "handed_off", key=new_id(), at=later(0), lines=lines,
                   data={"to": "TFL", "how": "sealed"})  # fmt: skip
    assert seen(curator, 60).clocks == []
    lab = people.actor("labtech")
    perform(lab, "received", key=new_id(), at=later(600), ref=sent.id, lines=[lines[0] | {"result": "ok"}])
    (clock,) = clocks.out("TFL", people.programme, ms(later(602))).clocks
    assert (clock.tubes, clock.out_ms) == ((five[0],), 2 * MINUTE)


# back -------------------------------------------------------------------------------------------


def test_back_in_time_closes_the_clock_and_asks_nothing(curator, five, bench):
    pull(curator, five[:2])
    event = back(curator, 5, tubes=five[:2], to=BOX)
    assert seen(curator, 6).clocks == [] and asked(curator, event) is None
    out_box(curator, BOX, bench, 10)
    event = back(curator, 15, unit=BOX, to="NLB-R1")
    assert seen(curator, 16).clocks == [] and asked(curator, event) is None
    assert ledger.event(event).header["kind"] == "moved"


def test_a_box_that_was_out_for_too_long_asks_and_yes_counts_one_thaw_for_all_in_one_act(
    people, curator, five, bench
):
    out_box(curator, BOX, bench)
    event = back(curator, 7.5, unit=BOX, to="NLB-R1")
    stored_later = filled(people, tubes(1, start=30))  # came into the box when it was back
    store.put_away(curator, new_id(), stored_later, BOX, at=later(8))
    question = asked(curator, event)
    assert question.tubes == sorted(five) and stored_later[0] not in question.tubes
    assert [(one.unit, one.minutes, one.limit.minutes) for one in question.late] == [(BOX, 8, 5)]
    size, key = ledger.size(), new_id()
    for _ in range(2):
        out_actions.answer(curator, key, event, True)
    assert ledger.size() == size + 1
    said = ledger.event(key)
    assert (said.header["kind"], said.header["at"]) == ("thawed", ms(later(7.5)))
    assert [line["t"] for line in said.lines] == sorted(five)
    assert {ledger.state(code).thaws for code in five} == {1}
    assert asked(curator, event) is None
    with refused("thaw_not_asked"):
        out_actions.answer(curator, new_id(), event, True)


def test_no_needs_a_reason_is_kept_and_writes_no_event(curator, five):
    pull(curator, five[:1])
    event = back(curator, 6, tubes=five[:1], to=BOX)
    size, key = ledger.size(), new_id()
    with refused("reason_required"):
        out_actions.answer(curator, key, event, False, " ")
    for _ in range(2):
        out_actions.answer(curator, key, event, False, "lay on dry ice")
    assert ledger.size() == size and ledger.state(five[0]).thaws == 0
    row = ThawAnswer.objects.get()
    assert (row.counted, row.why, row.by.code) == (False, "lay on dry ice", "P3")
    assert asked(curator, event) is None


def test_tubes_whose_thaw_was_counted_meanwhile_are_not_asked_about(curator, five):
    pull(curator, five[:2])
    store.thaw(curator, new_id(), five[:1], at=later(10))
    event = back(curator, 20, tubes=five[:2], to=BOX)
    assert asked(curator, event).tubes == [five[1]]


def test_a_thaw_counted_while_the_box_was_out_is_not_counted_again(curator, five, bench):
    out_box(curator, BOX, bench)
    store.thaw(curator, new_id(), five[:2], "thawed on the bench", at=later(8))
    event = back(curator, 10, unit=BOX, to="NLB-R1")
    assert asked(curator, event).tubes == sorted(five[2:])
    out_actions.answer(curator, new_id(), event, True)
    assert {ledger.state(code).thaws for code in five} == {1}


def test_a_rack_that_comes_back_asks_for_all_its_boxes(people, curator, five, bench):
    more_boxes(people, 1)
    others = stored(people, tubes(3, start=11), "NLB-B002")
    out_box(curator, "NLB-R1", bench)
    question = asked(curator, back(curator, 30, unit="NLB-R1", to="NLB-S1"))
    assert question.tubes == sorted(five) + sorted(others) and [one.unit for one in question.late] == [
        BOX,
        "NLB-B002",
    ]


def test_a_tube_put_back_into_a_box_that_is_out_is_asked_about_when_the_box_comes_back(curator, five, bench):
    pull(curator, five[:1])
    out_box(curator, BOX, bench, 1)
    event = store.put_away(curator, new_id(), five[:1], BOX, at=later(2))
    assert asked(curator, event) is None  # the box is out itself
    question = asked(curator, back(curator, 7, unit=BOX, to="NLB-R1"))
    assert set(question.tubes) == set(five)


def test_however_it_came_back_the_open_question_is_on_the_list(curator, five, bench):
    pull(curator, five[:1])
    first = store.put_away(curator, new_id(), five[:1], BOX, at=later(9))
    out_box(curator, BOX, bench, 20)
    second = carrying.carry(curator, new_id(), BOX, "NLB-R1", at=later(40))

    def listed(minutes=60):
        found = returned.open_questions(curator.org, curator.person.programme, ms(later(minutes)))
        return [one.id for one in found]

    assert listed() == [second, first] and listed(8 * 24 * 60) == []
    out_actions.answer(curator, new_id(), second, True)
    assert listed() == [first]
    perform(curator, "voided", key=new_id(), data={"of": first, "reason": "did_not_occur"})
    assert listed() == []
    assert returned.open_questions("TFL", curator.person.programme, ms(later(60))) == []


def test_what_comes_back_is_a_unit_or_tubes_of_one_kind_of_place(curator, five, bench):
    pull(curator, five[:1])
    store.move(curator, new_id(), five[1:2], bench, at=later(1), why="look")
    with refused("unit_or_tubes"):
        back(curator, 2, unit=BOX, tubes=five[:1], to="NLB-R1")
    with refused("unit_or_tubes"):
        back(curator, 2, to="NLB-R1")
    with refused("mixed_places"):
        back(curator, 2, tubes=five[:2], to=BOX)
    with refused("unit_unknown"):
        back(curator, 2, tubes=five[:1], to="NOWHERE")
    event = back(curator, 2, tubes=five[1:2], to=BOX, slot="I9")
    assert ledger.event(event).header["kind"] == "moved" and ledger.state(five[1]).col == 9


@pytest.mark.parametrize("which", ["tubes", "unit", "moved"])
def test_the_same_return_twice_is_one_event(curator, five, bench, which):
    key = new_id()
    said = {"tubes": {"tubes": five[:1], "to": BOX}, "unit": {"unit": BOX, "to": "NLB-R1"},
            "moved": {"tubes": five[:1], "to": BOX}}[which]  # fmt: skip
    if which == "unit":
        out_box(curator, BOX, bench)
    elif which == "moved":
        store.move(curator, new_id(), five[:1], bench, at=later(0), why="look")
    else:
        pull(curator, five[:1])
    size = ledger.size()
    for _ in range(2):
        assert out_actions.bring_back(curator, key, at=later(1), **said) == key
    assert ledger.size() == size + 1


def test_a_thaw_of_more_tubes_than_one_event_takes_is_several_in_one_transaction(curator, five, monkeypatch):
    monkeypatch.setattr(out_actions, "MOST_LINES", 2)
    pull(curator, five)
    event = back(curator, 30, tubes=five, to=BOX)
    size = ledger.size()
    out_actions.answer(curator, new_id(), event, True)
    assert ledger.size() == size + 3 and {ledger.state(code).thaws for code in five} == {1}


def test_a_tank_is_cold_whatever_it_says_and_an_empty_tube_is_no_clock(curator, five):
    # liquid nitrogen boils at −196 °C (physics): no set point is typed for it
    store.add_unit(curator, new_id(), code="NLB-T1", kind="tank", name="Tank", reason="new", at=AT)
    out_box(curator, BOX, "NLB-T1")
    assert seen(curator, 60).clocks == []
    pull(curator, five[:2], 60)
    perform(curator, "aliquoted", key=new_id(), at=later(61), data={"loss_ul": 500},
            lines=[{"t": five[0], "role": "from", "ul": 500}])  # fmt: skip
    (clock,) = seen(curator, 62).clocks
    assert (clock.tubes, clock.band, clock.limit.minutes) == ((five[1],), "nitrogen", 2)


def test_a_unit_that_says_no_temperature_is_out_and_one_on_dry_ice_is_not(curator, five):
    for code, nominal in [("NLB-C1", None), ("NLB-SHP", -7800)]:
        store.add_unit(curator, new_id(), code=code, kind="shipper", name=code, reason="new",
                       nominal_centi=nominal, at=AT)  # fmt: skip
    out_box(curator, BOX, "NLB-SHP")
    assert seen(curator, 60).clocks == []
    out_box(curator, BOX, "NLB-C1", 61)
    (clock,) = seen(curator, 62).clocks
    assert clock.since_ms == ms(later(61)) and datetime.fromtimestamp(clock.since_ms / 1000, UTC)
