"""Is it cold enough, where is room, whole boxes by two scans: what is written and what is refused."""

from __future__ import annotations

import pytest

from biobank.acting import perform
from biobank.models import Tube, Unit
from biobank.store import actions, queries
from biobank.store.carry import carry
from biobank.store.suggest import advise, beside, rooms
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.lab import (
    EDTA,
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
BOX = "NLB-B001"


@pytest.fixture
def labtech(store):
    return store.actor("labtech")


@pytest.fixture
def curator(store):
    return store.actor("curator")


@pytest.fixture
def tubes(store):
    return lab_set(store)


def added(curator, code, kind, parent="", *, nominal=None, rows=None, cols=None, naming="A1", agency=None):
    actions.add_unit(
        curator, new_id(), code=code, kind=kind, name=f"The {kind}", parent=parent, rows=rows, cols=cols,
        naming=naming, nominal_centi=nominal, reason="new", at=SPUN, agency=agency,
    )  # fmt: skip
    return code


@pytest.fixture
def warm_box(curator):
    added(curator, "NLB-F2", "freezer", nominal=-2000)
    return added(curator, "NLB-B020", "box", "NLB-F2", rows=9, cols=9)


# shapes -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "rows, cols, naming, slot, place",
    [
        (1, 1, "A1", "a1", (1, 1)),
        (16, 24, "A1", "p24", (16, 24)),
        (16, 24, "down", "17", (1, 2)),
        (8, 12, "AC", "L8", (8, 12)),
        (6, 1, "1-81", "6", (6, 1)),
    ],
)
def test_a_box_of_any_shape_and_convention_takes_a_tube_where_it_says(
    labtech, curator, tubes, rows, cols, naming, slot, place
):
    box = added(curator, "NLB-B030", "box", "NLB-R1", rows=rows, cols=cols, naming=naming)
    actions.put_away(labtech, new_id(), [primary(tubes, RED)], box, slot, at=STORED)
    state = ledger.state(primary(tubes, RED))
    assert (state.row, state.col) == place


def test_the_next_free_slots_follow_the_box_s_own_count(labtech, curator, tubes):
    box = added(curator, "NLB-B030", "box", "NLB-R1", rows=2, cols=3, naming="down")
    some = [primary(tubes, number) for number in (RED, GEL, EDTA)]
    actions.put_away(labtech, new_id(), some, box, "2", at=STORED)
    assert [(ledger.state(code).row, ledger.state(code).col) for code in some] == [(2, 1), (1, 2), (2, 2)]
    with refused("slot_taken", "2 of NLB-B030 holds"):
        actions.put_away(labtech, new_id(), [primary(tubes, HEPARIN)], box, "2", at=STORED)


# temperature class --------------------------------------------------------------------------------


def test_a_warmer_place_than_planned_asks_why_and_keeps_the_reason(labtech, tubes, warm_box):
    red = primary(tubes, RED)  # planned for -80 °C
    with refused("wrong_temperature_class", "is planned for −60 to −85 °C"):
        actions.put_away(labtech, new_id(), [red], warm_box, at=STORED)
    key = new_id()
    actions.put_away(labtech, key, [red], warm_box, at=STORED, why="the -80 is being defrosted")
    assert ledger.event(key).header["data"] == {"note": "the -80 is being defrosted"}


def test_moving_into_a_warmer_place_asks_too(labtech, tubes, warm_box):
    some = [primary(tubes, RED), primary(tubes, GEL)]
    actions.put_away(labtech, new_id(), some, BOX, at=STORED)
    with refused("wrong_temperature_class", "and 1 more are planned"):
        actions.move(labtech, new_id(), some, warm_box)
    actions.move(labtech, new_id(), some, warm_box, why="short of room")
    assert {ledger.state(code).unit for code in some} == {warm_box}


def test_the_set_point_is_that_of_the_nearest_unit_above(labtech, curator, tubes, warm_box):
    Unit.objects.filter(code=warm_box).update(nominal_centi=-8000)  # a box with its own cold pack, say
    actions.put_away(labtech, new_id(), [primary(tubes, RED)], warm_box, at=STORED)
    assert ledger.state(primary(tubes, RED)).unit == warm_box


def test_what_is_not_known_and_what_only_passes_asks_nothing(labtech, curator, tubes, warm_box):
    added(curator, "TFL-C1", "cooler", nominal=400)
    inner = added(curator, "NLB-B021", "box", "TFL-C1", rows=2, cols=2)
    nowhere = added(curator, "NLB-B022", "box", rows=2, cols=2)
    citrate = primary(tubes, 1)  # its plan says no target
    for code, unit in [(RED, "TFL-C1"), (GEL, inner), (EDTA, nowhere)]:
        actions.put_away(labtech, new_id(), [primary(tubes, code)], unit, at=STORED)
    actions.put_away(labtech, new_id(), [citrate], warm_box, at=STORED)
    assert ledger.state(citrate).unit == warm_box


def test_an_aliquot_s_own_target_counts_before_its_tube_s(labtech, tubes, warm_box):
    red = Tube.objects.get(code=primary(tubes, RED))
    aliquot = red.planned.made.get()
    aliquot.target_centi = -2000
    aliquot.save()
    Tube.objects.filter(code=red.code).update(planned_aliquot=aliquot)
    actions.put_away(labtech, new_id(), [red.code], warm_box, at=STORED)
    assert ledger.state(red.code).unit == warm_box


# where is room ------------------------------------------------------------------------------------


def made_aliquots(labtech, tubes, number, vials=2):
    parent, some = primary(tubes, number), aliquots(tubes, number)[:vials]
    lines = [{"t": parent, "role": "from", "ul": 1000 * vials}]
    lines += [{"t": one, "role": "to", "of": parent, "ul": 1000, "matrix": "SER"} for one in some]
    perform(labtech, "aliquoted", key=new_id(), at=MADE, data={"loss_ul": 0}, lines=lines)
    return some


def test_a_started_box_of_the_class_comes_first_with_its_next_slot(labtech, curator, store, tubes, warm_box):
    added(curator, "NLB-B000", "box", "NLB-R1", rows=9, cols=9)  # empty, and first by its code
    actions.put_away(labtech, new_id(), [primary(tubes, RED)], BOX, "A1", at=STORED)
    advice = advise([primary(tubes, GEL), primary(tubes, EDTA), primary(tubes, 1)], "NLB")
    (one,) = advice.proposals
    assert (one.unit.code, one.slot, one.started, one.device) == (BOX, "A2", True, "NLB-F1")
    assert one.tubes == [primary(tubes, GEL), primary(tubes, EDTA)]
    assert advice.unplanned == [primary(tubes, 1)] and advice.no_room == []


def test_siblings_are_split_over_two_freezers(labtech, curator, tubes):
    vials = made_aliquots(labtech, tubes, RED, 4)
    together = advise(vials, "NLB")
    assert [one.unit.code for one in together.proposals] == [BOX]
    assert together.together == [primary(tubes, RED)]
    added(curator, "NLB-F3", "freezer", nominal=-8000)
    added(curator, "NLB-B040", "box", "NLB-F3", rows=9, cols=9)
    apart = advise(vials, "NLB")
    assert sorted((one.device, len(one.tubes)) for one in apart.proposals) == [("NLB-F1", 2), ("NLB-F3", 2)]
    assert apart.together == []
    actions.put_away(labtech, new_id(), vials[:1], BOX, at=STORED)
    (rest,) = advise(vials[1:2], "NLB").proposals
    assert rest.device == "NLB-F3"
    again = advise(vials[:1], "NLB")
    assert [state.tube for state in again.stored] == vials[:1] and again.proposals == []


def test_another_freezer_than_that_of_the_siblings_is_proposed_in_words(labtech, curator, tubes):
    red = primary(tubes, RED)
    vials = made_aliquots(labtech, tubes, RED, 3)
    added(curator, "NLB-F3", "freezer", nominal=-8000)
    added(curator, "NLB-B040", "box", "NLB-F3", rows=9, cols=9)
    actions.put_away(labtech, new_id(), vials[:1], BOX, at=STORED)
    (one,) = advise(vials[1:2], "NLB").proposals
    assert (one.unit.code, one.apart) == ("NLB-B040", [(vials[1], "NLB-F1")])
    assert beside(vials[:1]) is None  # alone in store, it has no sibling to be lost with
    actions.put_away(labtech, new_id(), vials[1:2], BOX, at=STORED)
    said = beside(vials[1:2])
    assert said is not None and (said.tube, said.device, said.other.unit) == (vials[1], "NLB-F1", "NLB-B040")
    actions.put_away(labtech, new_id(), vials[2:], "NLB-B040", at=STORED)
    assert beside(vials) is None and ledger.children(red)


def test_siblings_are_of_one_matrix(labtech, curator, tubes):
    """Serum and a clot of one tube are no copies of each other: each would be lost alone."""
    parent, (serum, clot) = primary(tubes, RED), aliquots(tubes, RED)[:2]
    lines = [{"t": parent, "role": "from", "ul": 2000}]
    lines += [
        {"t": one, "role": "to", "of": parent, "ul": 1000, "matrix": matrix}
        for one, matrix in [(serum, "SER"), (clot, "BUF")]
    ]
    perform(labtech, "aliquoted", key=new_id(), at=MADE, data={"loss_ul": 0}, lines=lines)
    added(curator, "NLB-F3", "freezer", nominal=-8000)
    added(curator, "NLB-B040", "box", "NLB-F3", rows=9, cols=9)
    actions.put_away(labtech, new_id(), [serum], BOX, at=STORED)
    (one,) = advise([clot], "NLB").proposals
    assert (one.unit.code, one.apart) == (BOX, [])
    actions.put_away(labtech, new_id(), [clot], BOX, at=STORED)
    assert beside([serum, clot]) is None


def test_looking_for_siblings_asks_as_often_for_2_as_for_all(
    labtech, curator, tubes, django_assert_num_queries
):
    vials = made_aliquots(labtech, tubes, RED, 4)
    actions.put_away(labtech, new_id(), vials, BOX, at=STORED)
    for some in (vials[:2], vials):
        with django_assert_num_queries(6):
            assert beside(some) is None  # there is no other freezer
    actions.put_away(labtech, new_id(), [primary(tubes, EDTA)], BOX, at=STORED)
    with django_assert_num_queries(1):
        beside([primary(tubes, EDTA)])


def test_boxes_of_others_are_left_alone_by_an_agency_that_has_its_own(store, labtech, curator, tubes):
    assert [one.unit.code for one in advise([primary(tubes, RED)], "TFL").proposals] == [BOX]
    added(curator, "TFL-F1", "freezer", nominal=-2000, agency=store.tfl)
    added(curator, "TFL-B001", "box", "TFL-F1", rows=9, cols=9, agency=store.tfl)
    assert advise([primary(tubes, RED)], "TFL").no_room == [(primary(tubes, RED), "−60 to −85 °C")]


def test_no_room_is_said(labtech, tubes):
    Unit.objects.filter(code=BOX).update(rows=1, cols=1)
    advice = advise([primary(tubes, RED), primary(tubes, GEL)], "NLB")
    assert [one.tubes for one in advice.proposals] == [[primary(tubes, RED)]]
    assert [code for code, _ in advice.no_room] == [primary(tubes, GEL)]


# tanks ------------------------------------------------------------------------------------------


@pytest.fixture
def cane(curator):
    """Tank, canister, goblet, cane of six places: trade.md 5, where places are counted from the top."""
    added(curator, "NLB-T1", "tank", nominal=-19000)
    added(curator, "NLB-T1-C2", "canister", "NLB-T1")
    added(curator, "NLB-T1-G5", "goblet", "NLB-T1-C2")
    return added(curator, "NLB-CANE7", "box", "NLB-T1-G5", rows=6, cols=1, naming="1-81")


def test_a_tube_stands_in_a_place_of_a_cane_in_a_goblet_in_a_canister_in_a_tank(labtech, tubes, cane):
    red = primary(tubes, RED)
    actions.put_away(labtech, new_id(), [red], cane, "3", at=STORED)
    state = ledger.state(red)
    assert (state.unit, state.row, state.col) == (cane, 3, 1)
    inside = queries.inside(Unit.objects.get(code=cane))
    assert [one.unit.word for one in inside.trail] == ["tank", "canister", "goblet", "cane"]
    assert [one.slot for one in inside.tubes] == ["3"] and inside.nitrogen
    with refused("slot_unknown", "it goes from 1 to 6"):
        actions.put_away(labtech, new_id(), [primary(tubes, GEL)], cane, "7", at=STORED)


def test_a_goblet_moves_with_its_canes_and_takes_no_tubes_itself(labtech, curator, tubes, cane):
    added(curator, "NLB-T1-C3", "canister", "NLB-T1")
    carry(labtech, new_id(), "NLB-T1-G5", "NLB-T1-C3")
    assert ledger.above(cane) == [cane, "NLB-T1-G5", "NLB-T1-C3", "NLB-T1"]
    with refused("not_a_box", "is a goblet"):
        actions.put_away(labtech, new_id(), [primary(tubes, RED)], "NLB-T1-G5", at=STORED)


def test_a_drawer_holds_boxes_like_a_rack(labtech, curator, tubes):
    added(curator, "NLB-D1", "drawer", "NLB-F1")
    carry(labtech, new_id(), BOX, "NLB-D1")
    (one,) = advise([primary(tubes, RED)], "NLB").proposals
    assert (one.unit.code, one.device) == (BOX, "NLB-F1")


def test_the_tank_is_the_one_device_of_all_that_hangs_in_it(curator, cane):
    """Two canes of one tank are lost with it: siblings are split over tanks, not over canes."""
    second = added(curator, "NLB-CANE8", "box", "NLB-T1-G5", rows=6, cols=1, naming="1-81")
    rooms_now = {code: room.device for code, (room, _) in rooms().items()}
    assert rooms_now[cane] == rooms_now[second] == "NLB-T1" and rooms_now[BOX] == "NLB-F1"
