"""In which order boxes leave: the three ranks, what makes a tube worth what, walking order, where to.

The order irreplaceable, scarce, sensitive is the trade's (value x scarcity x sensitivity); the numbers behind
"few" and "little" are common practice, no source.
"""

from __future__ import annotations

from itertools import permutations

import pytest

from biobank.core.rank import (
    FEW,
    LITTLE_UL,
    Berth,
    Group,
    Left,
    assign,
    berths_for,
    most_at_once,
    ranked,
    walking,
)

SERUM, PLASMA = ("seal 1", "SER"), ("seal 1", "PL1")
PLENTY = Left(50, 50_000)


def one(group, left=PLENTY, deep=()):
    found = ranked({group.unit: (group.unit,)}, [group], {group.kind: left} if left else {}, set(deep))
    return found[0]


# what makes a box worth carrying first ------------------------------------------------------------


def test_the_only_tube_of_its_animal_and_matrix_cannot_be_replaced():
    box = one(Group("B1", SERUM, 1), Left(1, 9000))
    assert (box.word, box.irreplaceable, box.why) == (
        "irreplaceable", 1, "1 last of its animal and matrix",
    )  # fmt: skip


def test_a_second_tube_of_the_same_elsewhere_makes_it_scarce():
    assert one(Group("B1", SERUM, 1), Left(2, 9000)).word == "scarce"


@pytest.mark.parametrize(("kept", "words"), [("reserved", "in reserve"), ("last", "last aliquot")])
def test_a_reserve_and_a_last_aliquot_cannot_be_replaced(kept, words):
    box = one(Group("B1", SERUM, 20, kept=1, **{kept: 1}))
    assert (box.word, box.irreplaceable) == ("irreplaceable", 1)
    assert words in box.why


def test_few_are_three_and_not_four():
    assert FEW == 3
    assert [one(Group("B1", SERUM, 1), Left(n, 9000)).word for n in (3, 4)] == ["scarce", "the rest"]


def test_little_is_what_is_left_together_and_unknown_volumes_are_not_taken_for_little():
    group = Group("B1", SERUM, 1)
    assert one(group, Left(10, LITTLE_UL - 1)).word == "scarce"
    assert one(group, Left(10, LITTLE_UL)).word == "the rest"
    assert one(group, Left(10, None)).word == "the rest"


def test_a_tube_with_little_in_it_is_scarce_and_only_that_one():
    box = one(Group("B1", SERUM, 10, small=2))
    assert (box.word, box.scarce, box.why) == ("scarce", 2, "2 with less than 200 µL")


def test_an_animal_that_nobody_knows_never_counts_as_plenty():
    box = one(Group("B1", ("", "SER"), 7), left=None)
    assert (box.word, box.scarce, box.irreplaceable) == ("scarce", 7, 0)
    assert "not known" in box.why


def test_what_must_stay_deep_and_what_was_drawn_for_rna_is_sensitive():
    assert one(Group("B1", SERUM, 9), deep={"SER"}).sensitive == 9
    assert one(Group("B1", SERUM, 9), deep={"PL1"}).word == "the rest"
    rna = one(Group("B1", ("seal 1", "BLD"), 2, rna=True))
    assert (rna.word, rna.why) == ("sensitive", "2 drawn for RNA")


def test_a_tube_counts_once_by_its_highest_reason():
    group = Group("B1", SERUM, 10, kept=2, reserved=2, last=1, small=3)
    box = one(group, deep={"SER"})
    assert (box.irreplaceable, box.scarce, box.sensitive) == (2, 3, 5)
    assert box.irreplaceable + box.scarce + box.sensitive == box.tubes
    assert box.points == 100 * 2 + 10 * 3 + 5


def test_an_empty_box_has_no_rank_in_words():
    (box,) = ranked({"B1": ("B1",)}, [], {}, set())
    assert (box.word, box.why) == ("empty", "no tube in it")


# order --------------------------------------------------------------------------------------------


def four(order):
    """Boxes of all four ranks; `order` is the order in which they are told."""
    groups = {
        "B9": Group("B9", ("seal 9", "SER"), 1),
        "B3": Group("B3", ("seal 3", "SER"), 1),
        "B2": Group("B2", ("seal 2", "BUF"), 40),
        "B1": Group("B1", ("seal 4", "URN"), 80),
    }
    left = {("seal 9", "SER"): Left(1, 900), ("seal 3", "SER"): Left(2, 900)}
    return ranked({code: (code,) for code in order}, [groups[one] for one in order], left, {"BUF"})


def test_one_irreplaceable_tube_leaves_before_a_full_box_of_others_whatever_the_order_of_telling():
    for order in permutations(["B1", "B2", "B3", "B9"]):
        assert [box.unit for box in four(order)] == ["B9", "B3", "B2", "B1"]


def test_within_a_rank_one_walks_shelf_by_shelf_and_counts_as_people_do():
    paths = {
        "B4": ("S2", "R1", "B4"), "B10": ("S1", "R2", "B10"), "B2": ("S1", "R2", "B2"),
        "B7": ("S10", "R1", "B7"), "B1": ("S1", "R10", "B1"),
    }  # fmt: skip
    groups = [Group(code, SERUM, 1) for code in paths]
    found = ranked(paths, groups, {SERUM: PLENTY}, set())
    assert [box.unit for box in found] == ["B2", "B10", "B1", "B4", "B7"]


def test_walking_order_compares_letters_and_numbers_in_any_mix():
    codes = ["F2-S10", "F2-S9", "F10", "A", "10", "9B"]
    assert sorted(codes, key=lambda code: walking((code,))) == ["9B", "10", "A", "F2-S9", "F2-S10", "F10"]


def test_empty_boxes_come_last_and_strangers_are_left_out():
    found = ranked({"B1": ("B1",), "B2": ("B2",)}, [Group("B2", SERUM, 1), Group("X", SERUM, 5)], {}, set())
    assert [(box.unit, box.tubes) for box in found] == [("B2", 1), ("B1", 0)]


# where to -----------------------------------------------------------------------------------------

F2S1, F2S2 = Berth("F2-S1", "F2", -8000, 1), Berth("F2-S2", "F2", -8000, 3)
F3, TANK, CHEST = Berth("F3-S1", "F3", -7800, 2), Berth("T1", "T1", -19000, 9), Berth("C1", "C1", -2000, 50)


def test_the_same_class_before_a_colder_one_and_never_a_warmer_one():
    found = berths_for([TANK, CHEST, F3, F2S1, F2S2], -8000)
    assert [one.unit for one in found] == ["F2-S2", "F2-S1", "F3-S1", "T1"]


def test_a_full_place_is_none_and_without_a_set_point_there_is_none():
    assert berths_for([Berth("F9", "F9", -8000, 0)], -8000) == []
    assert berths_for([F3], None) == []


def test_boxes_are_given_places_in_their_order_and_those_beyond_the_last_are_left_out():
    boxes = ["B1", "B2", "B3", "B4", "B5", "B6", "B7"]
    assert assign(boxes, [F2S2, F2S1, F3]) == {
        "B1": "F2-S2", "B2": "F2-S2", "B3": "F2-S2", "B4": "F2-S1", "B5": "F3-S1", "B6": "F3-S1",
    }  # fmt: skip


def test_how_many_stood_together():
    assert most_at_once([]) == 0
    assert most_at_once([(0, 10), (10, 20)]) == 1, "one went as the other came"
    assert most_at_once([(0, 10), (5, None), (6, 7), (8, 8)]) == 3
