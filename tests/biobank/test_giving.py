"""What is scanned to be given: tubes, boxes, coolers."""

import pytest

from biobank.handoffs import actions, giving, queries
from biobank.models import Unit
from biobank.store.actions import put_away
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests import people as builders

GIVEN = builders.moment(14)


@pytest.fixture
def tubes(store) -> list[str]:
    """Six primaries with the biobank, which were drawn by the field team."""
    tube_set = builders.drawn_set(store)
    codes = sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))
    done = actions.hand_off(
        store.actor("fieldtech"), new_id(), codes, "NLB", how="hand", at=builders.moment(10)
    )
    results = dict.fromkeys(codes, "ok")
    actions.receive(store.actor("curator"), new_id(), done.id, results, counted=6, at=builders.moment(11))
    return codes


@pytest.fixture
def boxed(store, tubes) -> list[str]:
    """The first four in box NLB-B001."""
    put_away(store.actor("curator"), new_id(), tubes[:4], "NLB-B001", at=builders.moment(12))
    return tubes


def test_a_box_stands_for_its_tubes_in_the_order_of_their_places(boxed):
    found = giving.scanned("NLB-B001")
    assert list(found.tubes) == boxed[:4]
    assert [found.boxes[tube] for tube in found.tubes] == [("NLB-B001", 1, n) for n in range(1, 5)]
    assert found.units == ("NLB-B001",)


def test_what_stands_in_a_unit_counts_however_deep(boxed):
    assert giving.scanned("nlb-f1").tubes == tuple(boxed[:4])


def test_a_tube_scanned_twice_or_with_its_box_goes_once(boxed):
    found = giving.scanned(f"{boxed[5]}\n{boxed[0]}\nNLB-B001\n{boxed[5]}\n")
    assert list(found.tubes) == [boxed[5], boxed[0], *boxed[1:4]]
    assert boxed[5] not in found.boxes


@pytest.mark.parametrize(
    ("text", "code"),
    [("\n \n", "scanned_nothing"), ("NLB-R9", "code_malformed"), ("K7R2M103A", "code_check_digit")],
)
def test_what_is_neither_is_refused(boxed, text, code):
    with pytest.raises(Refused) as no:
        giving.scanned(f"{boxed[0]}\n{text}" if text.strip() else text)
    assert no.value.code == code


def test_an_empty_unit_is_refused_by_its_name(store, boxed):
    Unit.objects.create(code="NLB-B002", kind="box", name="Box 2", agency=store.nlb, rows=9, cols=9)
    with pytest.raises(Refused, match="Box 2") as no:
        giving.scanned("NLB-B002")
    assert no.value.code == "unit_empty"


def test_the_ledger_says_in_which_box_and_where_each_tube_went(store, boxed):
    found = giving.scanned(f"NLB-B001\n{boxed[5]}")
    parcel = actions.Parcel("Fjord Freight", "W-1", "L7", "exempt", ice_g=2500, boxes=found.boxes)
    done = actions.hand_off(
        store.actor("curator"), new_id(), found.tubes, "TFL", how="sealed", seal="S-1, S-2",
        kind="shipped", parcel=parcel, at=GIVEN,
    )  # fmt: skip
    said = ledger.event(done.id)
    assert said.header["kind"] == "shipped"
    wanted = {"to": "TFL", "how": "sealed", "seal": "S-1, S-2", "carrier": "Fjord Freight", "waybill": "W-1",
              "logger": "L7", "hazard": "exempt", "ice_g": 2500}  # fmt: skip
    assert said.header["data"] == wanted
    lines = {line["t"]: line for line in said.lines}
    assert lines[boxed[1]] == {"t": boxed[1], "role": "subj", "box": "NLB-B001", "row": 1, "col": 2}
    assert lines[boxed[5]] == {"t": boxed[5], "role": "subj"}
    one = queries.handoff(done.id, 0)
    assert (queries.boxes(one), one.ice_kg, one.word) == ({"": 1, "NLB-B001": 4}, "2.5", "offered")


def test_queries_do_not_grow_with_tubes(boxed, django_assert_num_queries):
    with django_assert_num_queries(3):
        giving.scanned("NLB-B001")
    with django_assert_num_queries(3):
        giving.scanned("NLB-B001\nNLB-F1\nNLB-R1")
