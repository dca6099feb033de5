"""Put away, move, pull, thaw, and the storage tree: what each writes and what each refuses."""

from __future__ import annotations

from datetime import timedelta

import pytest

from biobank.acting import act, ms, perform
from biobank.core import codes
from biobank.models import Unit
from biobank.store import actions, queries
from biobank.store.picture import age, box_map
from custody import queries as ledger
from custody.core.event import new_id
from custody.record import record
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
BOX = "NLB-B001"
LATER = STORED + timedelta(hours=1)


@pytest.fixture
def labtech(store):
    return store.actor("labtech")


@pytest.fixture
def curator(store):
    return store.actor("curator")


@pytest.fixture
def tubes(store):
    return lab_set(store)


def rack(tubes, *numbers):
    return [primary(tubes, number) for number in numbers]


def slot_of(code):
    state = ledger.state(code)
    return state.unit, state.row, state.col


def put(actor, some, unit=BOX, slot="", at=STORED, **more):
    return actions.put_away(actor, more.pop("key", None) or new_id(), some, unit, slot, at=at)


# put away ---------------------------------------------------------------------------------------


def test_tubes_go_in_their_order_into_the_first_free_slots_in_one_event(labtech, tubes):
    some, size = rack(tubes, GEL, RED, EDTA), ledger.size()
    event = ledger.event(put(labtech, some))
    assert ledger.size() == size + 1
    assert [(line["t"], line["row"], line["col"]) for line in event.lines] == [
        (some[0], 1, 1), (some[1], 1, 2), (some[2], 1, 3),
    ]  # fmt: skip
    assert ledger.state(some[0]).status == "stored"
    assert ledger.box(BOX) == {(1, 1): some[0], (1, 2): some[1], (1, 3): some[2]}


def test_a_named_slot_is_where_it_begins_and_taken_ones_are_stepped_over(labtech, tubes):
    put(labtech, rack(tubes, SWAB), slot="b1")
    put(labtech, rack(tubes, GEL, RED), slot="A09")
    assert slot_of(primary(tubes, GEL)) == (BOX, 1, 9)
    assert slot_of(primary(tubes, RED)) == (BOX, 2, 2)


def test_a_box_is_found_however_it_is_capitalised(labtech, tubes):
    put(labtech, rack(tubes, RED), unit=" nlb-b001 ")
    assert ledger.state(primary(tubes, RED)).unit == BOX


def test_the_same_form_twice_stores_once(labtech, tubes):
    key, some = new_id(), rack(tubes, RED)
    assert put(labtech, some, key=key) == put(labtech, some, key=key) == key
    assert slot_of(some[0]) == (BOX, 1, 1)
    assert [one.kind for one in ledger.history(some[0])].count("put_away") == 1


def test_a_taken_slot_is_refused_with_the_next_free_one(labtech, tubes):
    put(labtech, rack(tubes, RED, GEL), slot="A1")
    with refused("slot_taken", "the next free slot is A3"):
        put(labtech, rack(tubes, EDTA), slot="A1")


def test_a_slot_that_the_box_does_not_have_is_unknown(labtech, tubes):
    for slot in ("J1", "A10", "A0", "82", "here"):
        with refused("slot_unknown"):
            put(labtech, rack(tubes, RED), slot=slot)


def test_a_box_says_its_slots_in_its_own_way(labtech, tubes):
    Unit.objects.filter(code=BOX).update(naming="1-81")
    put(labtech, rack(tubes, RED), slot="10")
    assert slot_of(primary(tubes, RED)) == (BOX, 2, 1)
    with refused("slot_unknown"):
        put(labtech, rack(tubes, GEL), slot="A1")
    with refused("slot_taken", "the next free slot is 11"):
        put(labtech, rack(tubes, GEL), slot="10")


def small_box(curator, rows=1, cols=2, code="NLB-B002"):
    actions.add_unit(
        curator, new_id(), code=code, kind="box", name="Small box", rows=rows, cols=cols, parent="NLB-R1",
        reason="new box", at=SPUN,
    )  # fmt: skip
    return code


def test_a_box_takes_as_many_as_it_has_slots_and_not_one_more(labtech, curator, tubes):
    box = small_box(curator)
    with refused("box_full", "has room for 2, not for 3"):
        put(labtech, rack(tubes, RED, GEL, EDTA), unit=box)
    put(labtech, rack(tubes, RED, GEL), unit=box)
    with refused("tube_already_stored"):  # said before the box is looked at
        put(labtech, rack(tubes, RED), unit=box, at=LATER)
    with refused("box_full", f"{box} is full"):
        put(labtech, rack(tubes, EDTA), unit=box)
    with refused("slot_taken", "the box is full"):
        put(labtech, rack(tubes, EDTA), unit=box, slot="A2")


def test_room_is_counted_from_the_named_slot_on(labtech, curator, tubes):
    box = small_box(curator)
    with refused("box_full", "from A2 on has room for 1, not for 2"):
        put(labtech, rack(tubes, RED, GEL), unit=box, slot="A2")


def test_an_unknown_unit_and_one_that_takes_no_tubes(labtech, tubes):
    with refused("unit_unknown"):
        put(labtech, rack(tubes, RED), unit="NLB-B999")
    for unit in ("NLB-F1", "NLB-S1", "NLB-R1"):
        with refused("not_a_box", unit):
            put(labtech, rack(tubes, RED), unit=unit)


def test_a_cooler_takes_loose_tubes_and_has_no_slots(labtech, curator, tubes):
    actions.add_unit(curator, new_id(), code="TFL-C1", kind="cooler", name="Cooler 1", reason="new", at=SPUN)
    with refused("not_a_box", "no slots"):
        put(labtech, rack(tubes, RED), unit="TFL-C1", slot="A1")
    put(labtech, rack(tubes, RED, GEL), unit="TFL-C1")
    assert slot_of(primary(tubes, RED)) == ("TFL-C1", None, None)


def test_a_stored_tube_is_moved_not_put_away_again(labtech, tubes):
    put(labtech, rack(tubes, RED))
    with refused("tube_already_stored", f"in {BOX} already; move it"):
        put(labtech, rack(tubes, GEL, RED), at=LATER)


def test_what_cannot_be_stored(store, labtech, tubes):
    empty, theirs = builders.printed_set(store), lab_set(store, role="fieldtech")
    perform(
        labtech, "discarded", key=new_id(), at=MADE, data={"why": "used up"},
        lines=[{"t": primary(tubes, SWAB), "role": "subj"}],
    )  # fmt: skip
    with refused("tube_not_drawn"):
        put(labtech, rack(empty, RED))
    with refused("not_the_custodian", "SSS holds"):
        put(labtech, rack(theirs, RED))
    with refused("nothing_after_discard"):
        put(labtech, rack(tubes, SWAB))
    with refused("tube_unknown"):
        put(labtech, [codes.make("Y7777", 1)])
    with refused("no_tube"):
        put(labtech, [])
    with refused("time_before_parent"):
        put(labtech, rack(tubes, RED), at=DRAWN - timedelta(minutes=1))


def test_a_refusal_about_one_of_many_names_it_and_stores_none(labtech, tubes):
    perform(
        labtech, "handed_off", key=new_id(), at=MADE, data={"to": "NLB", "how": "hand"},
        lines=[{"t": primary(tubes, GEL), "role": "subj"}],
    )  # fmt: skip
    with refused("not_the_custodian", codes.show(primary(tubes, GEL))):
        put(labtech, rack(tubes, RED, GEL, EDTA))
    assert ledger.box(BOX) == {}


# move, pull, thaw --------------------------------------------------------------------------------


def test_a_move_gives_up_the_old_slot(labtech, curator, tubes):
    box = small_box(curator)
    put(labtech, rack(tubes, RED, GEL))
    actions.move(labtech, new_id(), rack(tubes, RED), box, "A2", at=LATER)
    assert slot_of(primary(tubes, RED)) == (box, 1, 2)
    assert ledger.box(BOX) == {(1, 2): primary(tubes, GEL)}
    stays = ledger.stays(primary(tubes, RED))
    assert [(stay.unit, stay.row, stay.col) for stay in stays] == [(BOX, 1, 1), (box, 1, 2)]
    assert stays[0].end_ms == stays[1].start_ms


def test_what_cannot_be_moved(labtech, tubes):
    put(labtech, rack(tubes, GEL))
    with refused("not_stored", "put it away instead"):
        actions.move(labtech, new_id(), rack(tubes, RED), BOX, at=LATER)
    with refused("slot_taken", "the next free slot is A2"):
        actions.move(labtech, new_id(), rack(tubes, GEL), BOX, "A1", at=LATER)
    with refused("unit_unknown"):
        actions.move(labtech, new_id(), rack(tubes, GEL), "NOWHERE", at=LATER)


def test_a_double_move_is_one(labtech, tubes):
    key = new_id()
    put(labtech, rack(tubes, GEL))
    for _ in range(2):
        actions.move(labtech, key, rack(tubes, GEL), BOX, at=LATER)
    assert slot_of(primary(tubes, GEL)) == (BOX, 1, 2)


def test_a_pulled_tube_is_in_hand_and_its_slot_is_free(labtech, tubes):
    put(labtech, rack(tubes, RED))
    key = new_id()
    for _ in range(2):
        actions.pull(labtech, key, rack(tubes, RED), "for an assay", at=LATER)
    state = ledger.state(primary(tubes, RED))
    assert (state.status, state.unit) == ("held", None)
    assert ledger.event(key).header["data"] == {"why": "for an assay"}
    put(labtech, rack(tubes, GEL), slot="A1", at=LATER)


def test_what_cannot_be_pulled(labtech, tubes):
    put(labtech, rack(tubes, RED))
    with refused("not_stored"):
        actions.pull(labtech, new_id(), rack(tubes, RED, GEL), "for an assay", at=LATER)
    with refused("reason_required"):
        actions.pull(labtech, new_id(), rack(tubes, RED), "  ", at=LATER)


def test_each_thaw_counts_once(store, labtech, tubes):
    key = new_id()
    for _ in range(2):
        actions.thaw(labtech, key, rack(tubes, RED, GEL), at=MADE)
    actions.thaw(labtech, new_id(), rack(tubes, RED), "for an assay", at=STORED)
    assert [ledger.state(code).thaws for code in rack(tubes, RED, GEL)] == [2, 1]
    empty = builders.printed_set(store)
    with refused("tube_not_drawn"):
        actions.thaw(labtech, new_id(), rack(empty, RED))


# units ------------------------------------------------------------------------------------------


def test_a_new_unit_is_a_row_with_a_reason_and_a_place_in_the_ledger(curator):
    code = small_box(curator, code="nlb-b002").upper()
    unit = Unit.objects.get(code=code)
    assert (unit.agency.code, unit.grid.rows, unit.grid.cols) == ("NLB", 1, 2)
    said = unit.history.get()
    assert (said.history_change_reason, said.history_user) == ("new box", curator.person.user)
    assert ledger.units()[code] == "NLB-R1"


def test_a_top_stands_in_nothing(curator):
    actions.add_unit(
        curator, new_id(), code="NLB-T1", kind="tank", name="Tank 1", nominal_centi=-19000, reason="bought"
    )
    assert ledger.units()["NLB-T1"] is None


@pytest.mark.parametrize(
    "said, code",
    [
        ({"code": "nlb-b001"}, "unit_exists"),
        ({"parent": "NLB-F9"}, "unit_unknown"),
        ({"parent": BOX}, "unit_holds_tubes"),
        ({"rows": None}, "unit_malformed"),
        ({"kind": "rack"}, "unit_malformed"),
        ({"kind": "cupboard", "rows": None, "cols": None}, "unit_malformed"),
        ({"code": "NLB B3"}, "unit_malformed"),
        ({"code": ""}, "unit_malformed"),
        ({"rows": 100}, "unit_malformed"),
        ({"reason": " "}, "reason_required"),
    ],
)
def test_a_unit_that_cannot_be_leaves_neither_row_nor_event(curator, said, code):
    good = {
        "code": "NLB-B003", "kind": "box", "name": "Box 3", "rows": 9, "cols": 9, "parent": "NLB-R1",
        "reason": "new box",
    }  # fmt: skip
    rows = Unit.objects.count()
    with refused(code):
        actions.add_unit(curator, new_id(), **(good | said))
    assert Unit.objects.count() == rows


def test_the_same_form_twice_adds_one_unit(curator):
    key, rows = new_id(), Unit.objects.count()
    for _ in range(2):
        actions.add_unit(
            curator, key, code="NLB-R2", kind="rack", name="Rack 2", parent="NLB-S1", reason="new"
        )
    assert Unit.objects.count() == rows + 1


def test_a_moved_unit_takes_its_tubes_along_without_touching_them(labtech, curator, tubes):
    put(labtech, rack(tubes, RED))
    before = ledger.state(primary(tubes, RED))
    key = new_id()
    for _ in range(2):
        actions.move_unit(labtech, key, "NLB-R1", "NLB-F1", "shelf defrosted", at=LATER)
    assert ledger.state(primary(tubes, RED)) == before
    assert ledger.units()["NLB-R1"] == "NLB-F1"
    assert ledger.event(key).header["data"] == {"reason": "shelf defrosted"}
    assert [stay.parent for stay in ledger.unit_stays(["NLB-R1"])["NLB-R1"]] == ["NLB-S1", "NLB-F1"]


@pytest.mark.parametrize(
    "unit, to, reason, code",
    [
        ("NLB-R9", "NLB-F1", "x", "unit_unknown"),
        ("NLB-R1", "NLB-F9", "x", "unit_unknown"),
        ("NLB-R1", "NLB-R1", "x", "unit_inside_itself"),
        ("NLB-S1", "NLB-R1", "x", "unit_inside_itself"),
        ("NLB-R1", "NLB-S1", "x", "unit_already_there"),
        ("NLB-R1", BOX, "x", "unit_holds_tubes"),
        ("NLB-R1", "NLB-F1", "", "reason_required"),
    ],
)
def test_what_a_unit_cannot_do(labtech, unit, to, reason, code):
    before = ledger.units()
    with refused(code):
        actions.move_unit(labtech, new_id(), unit, to, reason, at=LATER)
    assert ledger.units() == before


# the tree ---------------------------------------------------------------------------------------


def test_the_tree_counts_what_is_below(labtech, curator, tubes):
    small_box(curator)
    put(labtech, rack(tubes, RED, GEL))
    put(labtech, rack(tubes, EDTA), unit="NLB-B002")
    (top,) = queries.tree()
    assert [node.unit.code for node in top.walk()] == ["NLB-F1", "NLB-S1", "NLB-R1", BOX, "NLB-B002"]
    assert (top.tubes, top.slots, top.free) == (3, 83, 80)
    whole, small = queries.trail([top], "NLB-R1")[-1].children
    assert (whole.tubes, whole.percent) == (2, 2)
    assert (small.tubes, small.percent) == (1, 50)


def unit(code, **more):
    return Unit(code=code, kind=more.pop("kind", "rack"), name=code, **more)


def test_a_loop_of_units_is_shown_once():
    rows = [unit("A"), unit("B"), unit("C"), unit("D")]
    tops = queries.grown(rows, {"A": "B", "B": "C", "C": "B", "D": "GONE"}, {})
    assert sorted(node.unit.code for top in tops for node in top.walk()) == ["A", "B", "C", "D"]
    assert {top.unit.code for top in tops} >= {"D"}


def test_a_unit_page_knows_the_set_point_around_it_and_the_danger(curator, tubes):
    box = queries.inside(Unit.objects.get(code=BOX))
    assert (box.nominal_centi, box.nitrogen, box.dry_ice) == (-8000, False, False)
    actions.add_unit(curator, new_id(), code="NLB-T1", kind="tank", name="Tank 1", reason="bought", at=SPUN)
    actions.move_unit(curator, new_id(), "NLB-R1", "NLB-T1", "colder", at=STORED)
    assert queries.inside(Unit.objects.get(code=BOX)).nitrogen
    actions.add_unit(
        curator, new_id(), code="NLB-P1", kind="shipper", name="Shipper 1", reason="bought", at=SPUN
    )
    actions.move_unit(curator, new_id(), BOX, "NLB-P1", "travels", at=LATER)
    assert queries.inside(Unit.objects.get(code=BOX)).dry_ice


def test_the_map_has_every_slot_once_and_marks_what_needs_a_look(labtech, tubes):
    put(labtech, rack(tubes, RED, GEL, HEPARIN))
    perform(
        labtech, "discrepancy_noted", key=new_id(), at=LATER, data={"code": "label_torn"},
        lines=[{"t": primary(tubes, GEL), "role": "subj"}],
    )  # fmt: skip
    perform(
        labtech, "reserved", key=new_id(), at=LATER, lines=[{"t": primary(tubes, HEPARIN), "role": "subj"}]
    )
    box = queries.inside(Unit.objects.get(code=BOX))
    now = ms(DRAWN + timedelta(days=3))
    rows = box_map(box.unit, box.tubes, "/t/{tube}/", "/p/?slot={slot}", [primary(tubes, RED)], now)
    cells = [cell for row in rows for cell in row.cells]
    assert len(rows) == 9 and len({cell.name for cell in cells}) == 81
    red, gel, heparin, free = cells[:4]
    assert (red.tube, red.current, red.mark, red.href) == (primary(tubes, RED), True, "", f"/t/{red.tube}/")
    assert (gel.mark, gel.current, heparin.mark) == ("disputed", False, "reserved")
    assert (red.matrix, red.age) == ("BLD", "3 d")
    assert "".join(row.head for row in rows) == "ABCDEFGHI"
    assert (free.name, free.tube, free.href) == ("A4", "", "/p/?slot=A4")


@pytest.mark.parametrize(
    "days, words", [(0, "0 d"), (59, "59 d"), (61, "2 mo"), (365, "11 mo"), (366, "12 mo"), (800, "2 y")]
)
def test_age_is_said_in_days_months_and_years(days, words):
    assert age(1, 1 + days * 86_400_000) == words
    assert age(None, 5) == age(9, 5) == ""


def test_an_aliquot_is_as_old_as_the_tube_it_was_made_from(labtech, tubes):
    vial = aliquots(tubes, RED)[0]
    lines = [{"t": primary(tubes, RED), "role": "from", "ul": 1000}]
    lines += [{"t": vial, "role": "to", "of": primary(tubes, RED), "ul": 1000, "matrix": "SER"}]
    perform(labtech, "aliquoted", key=new_id(), at=MADE, data={"loss_ul": 0}, lines=lines)
    put(labtech, [vial])
    box = queries.inside(Unit.objects.get(code=BOX))
    cell = box_map(box.unit, box.tubes, "", "", (), ms(DRAWN + timedelta(days=100)))[0].cells[0]
    assert (cell.tube, cell.matrix, cell.age, cell.href) == (vial, "SER", "3 mo", "")


def test_two_tubes_that_claim_one_slot_are_both_listed(labtech, tubes):
    put(labtech, rack(tubes, RED))
    line = {"t": primary(tubes, GEL), "role": "subj", "unit": BOX, "row": 1, "col": 1}
    record([act(labtech, "put_away", key=new_id(), at=STORED, lines=[line])], login="labtech", strict=False)
    box = queries.inside(Unit.objects.get(code=BOX))
    assert [(place.slot, place.state.contested) for place in box.tubes] == [("A1", True), ("A1", True)]
    assert box_map(box.unit, box.tubes, "{tube}", "")[0].cells[0].mark == "disputed"
    with refused("slot_taken"):
        put(labtech, rack(tubes, EDTA), slot="A1")
    put(labtech, rack(tubes, EDTA))
    assert slot_of(primary(tubes, EDTA)) == (BOX, 1, 2)


def test_tree_and_unit_ask_as_often_for_3_boxes_as_for_30(labtech, curator, tubes, django_assert_num_queries):
    def grow(first, last):
        for n in range(first, last):
            small_box(curator, code=f"NLB-X{n}")

    grow(0, 3)
    with django_assert_num_queries(3):
        queries.tree()
    with django_assert_num_queries(7):
        queries.inside(Unit.objects.get(code=BOX))
    put(labtech, rack(tubes, RED, GEL, HEPARIN, EDTA, SWAB))
    grow(3, 30)
    with django_assert_num_queries(3):
        assert len(queries.trail(queries.tree(), "NLB-R1")[-1].children) == 31
    with django_assert_num_queries(7):
        assert len(queries.inside(Unit.objects.get(code=BOX)).tubes) == 5
