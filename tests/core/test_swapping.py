"""How far a box has come, and in which order boxes are fetched."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.swapping import ARRIVED, ELSEWHERE, ON_THE_WAY, TO_GO, WORDS, come, counted, outwards, walk

OLD, NEW, DEVICES = {"F1", "F2"}, {"F3", "R9"}, {"F1", "F2", "F3", "F9"}


@pytest.mark.parametrize(
    "path, word",
    [
        (["R1", "F1"], TO_GO),
        (["F2"], TO_GO),
        (["R9", "F9"], ARRIVED),  # a new rack, wherever its freezer is
        (["S1", "F3", "HALL"], ARRIVED),
        ([], ON_THE_WAY),
        (["R1"], ON_THE_WAY),  # a rack that was lifted out and stands nowhere
        (["C1", "HALL"], ON_THE_WAY),  # a cooler in a room
        (["R5", "F9"], ELSEWHERE),
        (["C1", "F9"], ELSEWHERE),
    ],
)
def test_the_nearest_unit_of_the_swap_decides(path, word):
    assert come(path, OLD, NEW, DEVICES) == word
    assert set(WORDS) == {TO_GO, ON_THE_WAY, ARRIVED, ELSEWHERE}


def test_the_way_outwards_ends_even_in_a_loop():
    assert outwards("B1", {"B1": "R1", "R1": "F1", "F1": None}) == ["R1", "F1"]
    assert outwards("B1", {"B1": "R1", "R1": "S1", "S1": "R1"}) == ["R1", "S1"]
    assert outwards("B1", {"B1": "B1"}) == outwards("B1", {}) == []


def test_boxes_are_fetched_unit_by_unit_and_rack_by_rack_as_people_count():
    boxes = {
        "B10": ["R2", "F1"], "B2": ["R2", "F1"], "B1": ["R10", "F1"], "B7": ["F2"], "B3": ["R1", "F2"],
        "B8": ["R1", "F9"], "B9": [], "B4": ["R2", "F1", "HALL"],
    }  # fmt: skip
    found = walk(boxes, ["F2", "F1"])
    assert [box for box, _ in found] == ["B7", "B3", "B2", "B4", "B10", "B1"]
    assert dict(found)["B4"] == ["R2", "F1"]  # the way to the old unit and no further


@given(st.lists(st.text("AB-019", max_size=6), max_size=12))
def test_any_codes_can_be_put_in_order(codes):
    assert sorted(sorted(codes, key=counted)) == sorted(codes)
