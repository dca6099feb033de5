"""The file of a rack reader: headings, positions, and what is wrong with a row.

Headings: common practice, no source."""

from __future__ import annotations

import pytest

from biobank.core import codes
from biobank.core.grid import Grid
from biobank.core.rack import empty, listed, read, unread
from custody.core.refusal import Refused

ONE, TWO, THREE = (codes.make("K7R2M", number) for number in (101, 102, 103))
BOX = Grid(8, 12)


def table(*lines: str, sign: str = ","):
    head, *rows = [line.split(sign) for line in lines]
    return head, [dict(zip(head, row, strict=True)) for row in rows]


def told(*lines: str, grid: Grid = BOX):
    return [(spot.slot, spot.code or spot.wrong) for spot in read(*table(*lines), grid)]


@pytest.mark.parametrize(
    "lines",
    [
        ("Position,Tube code", f"A01,{ONE}", f"H12,{TWO}"),
        ("Barcode,Well", f"{ONE},A1", f"{TWO},h12"),
        ("Rack ID,TubePosition,TubeBarcode,Status", f"R1,A1,{ONE},OK", f"R1,H12,{TWO},OK"),
        ("Row,Column,Code", f"A,1,{ONE}", f"H,12,{TWO}"),
        ("row,col,2D code", f"1,01,{ONE}", f"8,12,{TWO}"),
        (f"A1,{ONE}", f"H12,{TWO}"),
    ],
)
def test_the_usual_headings_and_none_are_read(lines):
    found = told(*lines)
    assert [one for one in found if one[1] in (ONE, TWO)] == [((1, 1), ONE), ((8, 12), TWO)]


def test_codes_may_be_written_as_on_the_label():
    assert told("position,code", f"B2,{codes.show(ONE).lower()}") == [((2, 2), ONE)]


def test_empty_positions_are_left_out_and_unread_ones_are_not():
    assert told("well,barcode", "A1,", "A2,NO TUBE", "A3,No Read", f"A4,{ONE}") == [
        ((1, 3), "no_read"), ((1, 4), ONE),
    ]  # fmt: skip


def test_what_is_wrong_is_said_for_each_position():
    wrong = ONE[:-1] + ("A" if ONE[-1] != "A" else "B")
    assert told("well,barcode", f"Z1,{ONE}", "A2,SN-0001", f"A3,{wrong}") == [
        (None, "slot_unknown"), ((1, 2), "code_malformed"), ((1, 3), "code_check_digit"),
    ]  # fmt: skip


def test_a_position_or_a_tube_twice_is_believed_in_neither_place():
    assert told("well,barcode", f"A1,{ONE}", f"a01,{TWO}", f"B1,{THREE}", f"B2,{THREE}") == [
        ((1, 1), "position_repeated"), ((1, 1), "position_repeated"),
        ((2, 1), "tube_repeated"), ((2, 2), "tube_repeated"),
    ]  # fmt: skip


def test_positions_are_read_in_the_stated_convention_only():
    assert told("well,barcode", f"B1,{ONE}", grid=Grid(9, 9, "AC")) == [((1, 2), ONE)]
    assert told("well,barcode", f"10,{ONE}", grid=Grid(9, 9, "1-81")) == [((2, 1), ONE)]
    assert told("well,barcode", f"10,{ONE}", grid=Grid(9, 9, "down")) == [((1, 2), ONE)]
    assert told("well,barcode", f"A1,{ONE}", grid=Grid(9, 9, "1-81")) == [(None, "slot_unknown")]


def test_a_file_without_positions_or_codes_is_refused_with_what_was_found():
    for lines in (("Barcode,Colour", f"{ONE},red"), ("Well,Colour", "A1,red")):
        with pytest.raises(Refused, match="Colour") as no:
            read(*table(*lines), BOX)
        assert no.value.code == "rack_columns"


@pytest.mark.parametrize(
    "text", ["?", "??", "No Read", "NO_READ", "error", "unreadable", "No-Code", "FAILED"]
)
def test_a_tube_without_a_code_is_never_taken_for_no_tube(text):
    assert unread(text) and not empty(text)
    assert told("well,barcode", f"A1,{text}") == [((1, 1), "no_read")]


@pytest.mark.parametrize("text", ["", " ", "-", "No Tube", "EMPTY", "none"])
def test_the_ways_to_say_that_nothing_is_there(text):
    assert empty(text) and not unread(text)


def test_a_file_and_a_list_say_the_same_of_each_position():
    """One reader: whether the same lines come as a table or as a plain list."""
    lines = [f"A1,{ONE}", "A2,?", "A3,NO TUBE", f"Z9,{TWO}", "A5,SN-0001"]
    spots = [spot for _, spot in listed("\n".join(lines), BOX) if not empty(spot.text)]
    assert spots == read(*table("well,barcode", *lines), BOX)
    assert [number for number, _ in listed("\n".join(["well;code", "", *lines]), BOX)] == [3, 4, 5, 6, 7]
