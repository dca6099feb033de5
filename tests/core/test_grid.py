"""Slots: every convention, both ways."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.utils import get_column_letter

from biobank.core.grid import NAMINGS, Grid
from custody.core.refusal import Refused

grids = st.builds(Grid, st.integers(1, 30), st.integers(1, 30), st.sampled_from(list(NAMINGS)))


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


# a standard plate: (rows, columns, last row's letter, wells)
PLATES = [(8, 12, "H", 96), (16, 24, "P", 384)]


@pytest.mark.parametrize(("rows", "cols", "last", "wells"), PLATES)
def test_plates_have_the_rows_that_the_plate_standard_gives_them(rows, cols, last, wells):
    """ANSI/SLAS 4-2004, as standards.md 7.5 quotes it: 96 wells in rows A-H, 384 in rows A-P; the 384 are
    named through P, so I and O are not skipped. Pitch 9.0 and 4.5 mm: twice as many each way."""
    grid = Grid(rows, cols)
    assert len(list(grid.all())) == wells
    assert grid.row_heads == [chr(letter) for letter in range(ord("A"), ord(last) + 1)]
    assert (grid.name(1, 1), grid.name(rows, cols)) == ("A1", f"{last}{cols}")
    assert {"I", "O"} <= set(Grid(16, 24).row_heads)


def test_plate_geometry_and_shape_agree():
    """standards.md 7.5: footprint 127.76 x 85.48 mm, A1 14.38 and 11.24 mm from the edges at pitch 9.0 (96)
    and 12.13, 8.99 at 4.5 (384): the last well lies as far from the other edge as A1 from its own."""
    for (rows, cols, _, _), left, top, pitch in zip(
        PLATES, [14.38, 12.13], [11.24, 8.99], [9.0, 4.5], strict=True
    ):
        assert 2 * left + (cols - 1) * pitch == pytest.approx(127.76, abs=0.02)
        assert 2 * top + (rows - 1) * pitch == pytest.approx(85.48, abs=0.02)


def test_a_box_of_100_has_rows_a_to_j_and_one_of_50_letters_down_and_numbers_across():
    """standards.md 7.5: 10 x 10 with rows A-J; a 50-place rack is A-E x 1-10."""
    assert Grid(10, 10).name(10, 10) == "J10"
    assert Grid(5, 10).row_heads == list("ABCDE") and Grid(5, 10).col_heads[-1] == "10"


def test_a_cane_is_counted_from_the_top():
    """trade.md 5: on a cane, place 1 to x from the top."""
    for naming in ("1-81", "down"):
        assert [Grid(6, 1, naming).name(row, 1) for row in range(1, 7)] == list("123456")


def test_columns_may_be_counted_or_lettered_first_common_practice_no_source():
    down, lettered = Grid(3, 4, "down"), Grid(3, 4, "AC")
    assert [down.name(*slot) for slot in [(1, 1), (2, 1), (1, 2), (3, 4)]] == ["1", "2", "4", "12"]
    assert [lettered.name(*slot) for slot in [(1, 1), (2, 1), (1, 2), (3, 4)]] == ["A1", "A2", "B1", "D3"]
    assert (lettered.row_heads, lettered.col_heads) == (["1", "2", "3"], ["A", "B", "C", "D"])
    assert down.row_heads == ["", "", ""]


@given(grids)
def test_a_box_counts_through_without_gap(grid):
    if grid.naming in ("1-81", "down"):
        names = [grid.name(*slot) for slot in grid.all()]
        assert names == [str(n) for n in range(1, grid.rows * grid.cols + 1)]


def test_free_slots_follow_the_box_s_own_count_and_step_over_what_is_taken():
    grid = Grid(2, 3, "down")
    assert grid.next_free({(1, 1)}) == (2, 1)
    assert grid.free_from((2, 1), {(1, 2)}) == [(2, 1), (2, 2), (1, 3), (2, 3)]


def test_after_row_z_comes_aa():
    """Checked against openpyxl, which letters the columns of a spreadsheet: A to Z, AA, AB … That a plate of
    1536 wells (32 x 48) ends with row AF is from memory."""
    grid = Grid(60, 1)
    assert grid.row_heads == [get_column_letter(row) for row in range(1, 61)]
    assert (grid.name(26, 1), grid.name(27, 1), grid.parse("aa01")) == ("Z1", "AA1", (27, 1))
    assert Grid(32, 48).name(32, 48) == "AF48" and len(list(Grid(32, 48).all())) == 1536
    assert Grid(1, 60, "AC").col_heads == grid.row_heads


def test_the_largest_box_that_a_unit_may_be_has_names_of_its_own():
    names = [Grid(99, 99).name(*slot) for slot in Grid(99, 99).all()]
    assert len(set(names)) == 99 * 99 and Grid(99, 99).row_heads[-1] == get_column_letter(99)
