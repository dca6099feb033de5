"""Slots: both conventions, both ways."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.grid import Grid
from custody.core.refusal import Refused

grids = st.builds(Grid, st.integers(1, 30), st.integers(1, 30), st.sampled_from(["A1", "1-81"]))


@given(grids)
def test_every_slot_has_its_own_name_and_comes_back_from_it(grid):
    names = [grid.name(*slot) for slot in grid.all()]
    assert len(set(names)) == grid.rows * grid.cols
    assert [grid.parse(name) for name in names[:40]] == list(grid.all())[:40]


def test_the_names_of_a_9_by_9_box():
    """Rows A-I, no letter skipped, or 1-81 row by row: standards.md 7.5 (box makers use both)."""
    assert [Grid(9, 9).name(*slot) for slot in [(1, 1), (1, 9), (9, 1), (9, 9)]] == ["A1", "A9", "I1", "I9"]
    assert [Grid(9, 9, "1-81").name(*slot) for slot in [(1, 1), (1, 9), (2, 1), (9, 9)]] == [
        "1",
        "9",
        "10",
        "81",
    ]


@pytest.mark.parametrize(("text", "slot"), [("a1", (1, 1)), (" I09 ", (9, 9)), ("B3", (2, 3))])
def test_people_may_type_it_their_way(text, slot):
    assert Grid(9, 9).parse(text) == slot


@pytest.mark.parametrize("text", ["", "J1", "A10", "A0", "82", "1A", "A-1"])
def test_a_slot_that_the_box_does_not_have_is_refused(text):
    with pytest.raises(Refused) as no:
        Grid(9, 9).parse(text)
    assert no.value.code == "slot_unknown"


def test_the_next_free_slot_is_the_first_row_by_row_and_none_when_full():
    grid = Grid(2, 2)
    assert grid.next_free({(1, 1)}) == (1, 2)
    assert grid.next_free(set(grid.all())) is None
