"""A rack of tubes at once, and whole units by two scans: what is written and what is refused."""

from __future__ import annotations

import io
import time
from datetime import timedelta

import pytest
from openpyxl import Workbook

from biobank.core import codes
from biobank.models import Unit
from biobank.store import actions, rack
from biobank.store.carry import carry, doubts
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.lab import EDTA, GEL, HEPARIN, RED, STORED, lab_set, primary, refused
from tests.biobank.test_places import added

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


@pytest.fixture
def box(store):
    return Unit.objects.select_related("agency").get(code=BOX)


def csv(*pairs, sign=",", head=("Position", "Code")):
    return "\n".join(sign.join(line) for line in [head, *pairs]).encode()


def put(actor, box, content, at=STORED, key=None, **more):
    key = key or new_id()
    return rack.put_rack(actor, key, box, rack.spots_in(content, box), at=at, **more)


def slots(*some):
    return [(ledger.state(code).unit, ledger.state(code).row, ledger.state(code).col) for code in some]


# racks --------------------------------------------------------------------------------------------


def test_a_rack_is_one_event_and_each_tube_where_it_was_read(labtech, box, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    size, key = ledger.size(), new_id()
    for _ in range(2):
        put(labtech, box, csv(("B2", red), ("A1", codes.show(gel))), key=key)
    assert ledger.size() == size + 1
    assert slots(red, gel) == [(BOX, 2, 2), (BOX, 1, 1)]


@pytest.mark.parametrize("sign", [",", ";", "\t"])
def test_any_common_delimiter(labtech, box, tubes, sign):
    put(labtech, box, csv(("C3", primary(tubes, RED)), sign=sign))
    assert slots(primary(tubes, RED)) == [(BOX, 3, 3)]


def test_a_spreadsheet_reads_the_same(labtech, box, tubes):
    book, red = Workbook(), primary(tubes, RED)
    for line in (["Row", "Column", "Barcode"], ["I", 9, red]):
        book.active.append(line)
    file = io.BytesIO()
    book.save(file)
    put(labtech, box, file.getvalue())
    assert slots(red) == [(BOX, 9, 9)]


def words(actor, box, content):
    return {line.spot.position: line.code or line.word for line in look(actor, box, content).lines}


def look(actor, box, content):
    return rack.look(actor, box, rack.spots_in(content, box))


def test_looking_tells_each_position_and_changes_nothing(store, labtech, curator, box, tubes):
    theirs, other = (
        lab_set(store, role="fieldtech"),
        added(curator, "NLB-B005", "box", "NLB-R1", rows=2, cols=2),
    )
    red, gel, edta, heparin = (primary(tubes, n) for n in (RED, GEL, EDTA, HEPARIN))
    actions.put_away(labtech, new_id(), [red], BOX, "A1", at=STORED)
    actions.put_away(labtech, new_id(), [gel], other, at=STORED)
    size = ledger.size()
    assert words(
        labtech, box,
        csv(("A1", red), ("A2", gel), ("A3", edta), ("A4", primary(theirs, RED)),
            ("A5", codes.make("Y7777", 1)), ("A6", "no read"), ("A7", heparin), ("A7", primary(tubes, 1))),
    ) == {
        "A1": "in_place", "A2": "elsewhere", "A3": "new", "A4": "not_the_custodian", "A5": "tube_unknown",
        "A6": "no_read", "A7": "position_repeated",
    }  # fmt: skip
    assert words(labtech, box, csv(("A1", edta)))["A1"] == "slot_taken"
    assert ledger.size() == size


def test_what_is_wrong_stops_the_rack_unless_it_is_left_out(labtech, box, tubes):
    content = csv(("A1", primary(tubes, RED)), ("A2", "NOREAD"))
    with refused("rack_incomplete", "1 of 2 positions"):
        put(labtech, box, content)
    put(labtech, box, content, partly=True)
    assert slots(primary(tubes, RED)) == [(BOX, 1, 1)]
    with refused("no_tube", "could be put away"):
        put(labtech, box, csv(("A2", "NOREAD")), partly=True)


def test_tubes_that_are_elsewhere_move_when_it_is_said_in_the_same_transaction(labtech, curator, box, tubes):
    other, (red, gel) = (
        added(curator, "NLB-B005", "box", "NLB-R1", rows=2, cols=2),
        (primary(tubes, RED), primary(tubes, GEL)),
    )
    actions.put_away(labtech, new_id(), [gel], other, at=STORED)
    content = csv(("A1", red), ("A2", gel))
    key, size = new_id(), ledger.size()
    for _ in range(2):
        put(labtech, box, content, at=LATER, key=key, others=True)
    assert slots(red, gel) == [(BOX, 1, 1), (BOX, 1, 2)] and ledger.size() == size + 2
    with refused("no_tube"):  # all in place: nothing to say
        put(labtech, box, content, at=LATER, others=True)


def test_only_tubes_elsewhere_need_the_tick(labtech, curator, box, tubes):
    other, gel = added(curator, "NLB-B005", "box", "NLB-R1", rows=2, cols=2), primary(tubes, GEL)
    actions.put_away(labtech, new_id(), [gel], other, at=STORED)
    with refused("rack_incomplete", "elsewhere"):
        put(labtech, box, csv(("A1", gel)), at=LATER)


def test_a_box_that_was_put_back_turned_is_set_right_at_once(labtech, box, tubes):
    """trade.md 1.9: a box put back rotated. Two tubes change places in one event."""
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    actions.put_away(labtech, new_id(), [red, gel], BOX, "A1", at=STORED)
    put(labtech, box, csv(("A1", gel), ("A2", red)), at=LATER, others=True)
    assert slots(red, gel) == [(BOX, 1, 2), (BOX, 1, 1)]
    assert not any(ledger.state(code).contested for code in (red, gel))


def test_the_rack_goes_through_the_page_s_own_text_unchanged(labtech, curator, tubes):
    code = added(curator, "NLB-B006", "box", "NLB-R1", rows=9, cols=9, naming="down")
    box = Unit.objects.select_related("agency").get(code=code)
    spots = rack.spots_in(csv(("B1", primary(tubes, RED)), ("C1", "no read")), box, "A1")
    again = rack.spots_in(rack.look(labtech, box, spots).text.encode(), box)
    assert [(one.slot, one.code, one.wrong) for one in again] == [
        ((2, 1), primary(tubes, RED), ""), ((3, 1), "", "no_read"),
    ]  # fmt: skip


def test_a_rack_into_a_warmer_box_asks_why(labtech, curator, tubes):
    added(curator, "NLB-F2", "freezer", nominal=-2000)
    box = Unit.objects.get(code=added(curator, "NLB-B020", "box", "NLB-F2", rows=9, cols=9))
    content = csv(("A1", primary(tubes, RED)))
    with refused("wrong_temperature_class"):
        put(labtech, box, content)
    key = put(labtech, box, content, why="no room at -80")
    assert ledger.event(key).header["data"] == {"note": "no room at -80"}


def test_files_that_are_no_rack(labtech, box):
    for content, code in [
        (b" ", "file_empty"),
        (
            csv(
                ("A1", ""),
            ),
            "no_tube",
        ),
        (b"colour,size\nred,1", "rack_columns"),
    ]:
        with refused(code):
            put(labtech, box, content)
    book = Workbook()
    for line in (["Well", "Barcode"], ["A1", "=1/0"]):
        book.active.append(line)
    file = io.BytesIO()
    book.save(file)
    with refused("formula_without_value", "Row 2"):  # never read as an empty position
        put(labtech, box, file.getvalue())
    with refused("not_a_box"):
        rack.box_for("NLB-F1")


def a_hundred(store, labtech):
    some = [code for _ in range(17) for code in (primary(lab_set(store), n) for n in range(1, 7))][:100]
    box = Unit.objects.get(code=BOX)
    box.rows = box.cols = 10
    box.save()
    grid = box.grid
    return box, csv(*[(grid.name(*slot), code) for slot, code in zip(grid.all(), some, strict=True)])


def test_a_hundred_vials_are_read_looked_at_and_put_away_in_a_fifth_of_a_second(
    store, labtech, django_assert_max_num_queries
):
    """The issue's own limit, 200 ms in process; the best of three looks and one write."""
    box, content = a_hundred(store, labtech)
    looks = []
    for _ in range(3):
        start = time.perf_counter()
        with django_assert_max_num_queries(3):
            seen = rack.look(labtech, box, rack.spots_in(content, box))
        looks.append(time.perf_counter() - start)
    start = time.perf_counter()
    put(labtech, box, content)
    wrote = time.perf_counter() - start
    assert len(seen.of("new")) == 100 and len(ledger.box(BOX)) == 100
    assert min(looks) + wrote < 0.2


# whole units --------------------------------------------------------------------------------------


def test_two_scans_move_a_rack_with_all_that_is_in_it(labtech, curator, tubes):
    red = primary(tubes, RED)
    actions.put_away(labtech, new_id(), [red], BOX, at=STORED)
    added(curator, "NLB-F3", "freezer", nominal=-8000)
    before, size, key = ledger.state(red), ledger.size(), new_id()
    for _ in range(2):
        carry(labtech, key, "nlb-r1 ", "nlb-f3", at=LATER)
    assert ledger.size() == size + 1 and ledger.units()["NLB-R1"] == "NLB-F3"
    assert ledger.state(red) == before


@pytest.mark.parametrize(
    "unit, to, code, about",
    [
        ("NLB-F1", "NLB-R1", "unit_inside_itself", "NLB-R1 in NLB-S1 in NLB-F1"),
        ("NLB-R1", "NLB-R1", "unit_inside_itself", "inside itself"),
        (BOX, "NLB-R1", "unit_already_there", "already"),
        ("NLB-R1", BOX, "unit_holds_tubes", "holds tubes"),
        ("NLB-X9", "NLB-R1", "unit_unknown", "NLB-X9"),
        (BOX, "NLB-X9", "unit_unknown", "NLB-X9"),
        (codes.make("K7R2M", 101), "NLB-R1", "tube_where_unit", "is a tube"),
        (BOX, codes.make("K7R2M", 101), "tube_where_unit", "is a tube"),
    ],
)  # fmt: skip
def test_what_cannot_be_carried(labtech, unit, to, code, about):
    before = ledger.units()
    with refused(code, about):
        carry(labtech, new_id(), unit, to, at=LATER)
    assert ledger.units() == before


def test_a_box_is_not_put_into_its_own_descendant_even_three_levels_down(labtech, curator):
    added(curator, "NLB-D1", "rack", "NLB-R1")
    with refused("unit_inside_itself", "NLB-D1 is inside NLB-S1"):
        carry(labtech, new_id(), "NLB-S1", "NLB-D1", at=LATER)


def test_a_warmer_freezer_asks_for_a_note(labtech, curator, tubes):
    actions.put_away(labtech, new_id(), [primary(tubes, RED)], BOX, at=STORED)
    added(curator, "NLB-F2", "freezer", nominal=-2000)
    with refused("wrong_temperature_class", "warmer"):
        carry(labtech, new_id(), BOX, "NLB-F2", at=LATER)
    key = new_id()
    carry(labtech, key, BOX, "NLB-F2", "defrosting Freezer 1", at=LATER)
    assert ledger.event(key).header["data"] == {"note": "defrosting Freezer 1"}


def test_a_box_that_never_stood_anywhere_is_judged_by_its_tubes(labtech, curator, tubes):
    box = added(curator, "NLB-B007", "box", rows=2, cols=2)
    actions.put_away(labtech, new_id(), [primary(tubes, RED)], box, at=STORED)
    added(curator, "NLB-F2", "freezer", nominal=-2000)
    with refused("wrong_temperature_class", "is planned for"):
        carry(labtech, new_id(), box, "NLB-F2", at=LATER)


def test_a_cooler_takes_a_box_for_a_while_without_a_question(labtech, curator):
    added(curator, "TFL-C1", "cooler", nominal=400)
    carry(labtech, new_id(), BOX, "TFL-C1", at=LATER)
    assert ledger.units()[BOX] == "TFL-C1"


def test_a_destination_that_stands_nowhere_is_said(labtech, curator):
    added(curator, "NLB-R9", "rack")
    assert "NLB-R9 itself stands in no unit" in doubts("nlb-r9")
    assert doubts("NLB-R1") == doubts("NLB-F1") == ""
