"""What was read in a box beside what the ledger says. The words and the formats of rack readers: common
practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core import codes
from biobank.core.counting import Line, Read, alone, compare, rack, rate, scanned
from biobank.core.grid import Grid
from custody.core.refusal import Refused

GRID = Grid(9, 9)
TUBES = [codes.make("K7R2M", n) for n in range(1, 83)]
A, B, C, D = TUBES[:4]
SLOTS = list(GRID.all())


def lines(expected, *reads):
    return {(one.word, one.tube) for one in compare(expected, reads).lines}


def test_each_word():
    expected = {A: (1, 1), B: (1, 2), C: (1, 3)}
    reads = Read(A, (1, 1)), Read(B, (1, 4)), Read(D, (1, 5))
    found = compare(expected, reads)
    assert set(found.lines) == {
        Line("found", A, (1, 1), (1, 1)), Line("wrong_place", B, (1, 4), (1, 2)),
        Line("not_found", C, None, (1, 3)), Line("extra", D, (1, 5)),
    }  # fmt: skip
    assert found.misses == 3


def test_without_slots_nothing_is_in_a_wrong_place():
    assert lines({A: (1, 1), B: (1, 2)}, Read(B), Read(A)) == {("found", A), ("found", B)}


def test_two_tubes_exchanged_are_two_wrong_places():
    reads = Read(A, (1, 2)), Read(B, (1, 1))
    assert lines({A: (1, 1), B: (1, 2)}, *reads) == {("wrong_place", A), ("wrong_place", B)}


def test_a_tube_read_twice_counts_once_where_it_was_read_last():
    assert lines({A: (1, 1)}, Read(A, (1, 9)), Read(A, (1, 1))) == {("found", A)}


def test_a_blurred_label_in_the_slot_of_a_missing_tube_is_that_tube():
    assert lines({A: (1, 1)}, Read("", (1, 1))) == {("unreadable", A)}


def test_a_blurred_label_elsewhere_is_nobody_and_the_tube_is_still_not_found():
    assert lines({A: (1, 1)}, Read("", (2, 2))) == {("unreadable", ""), ("not_found", A)}
    assert lines({A: (1, 1)}, Read("")) == {("unreadable", ""), ("not_found", A)}


def test_a_blurred_label_does_not_take_the_place_of_a_tube_that_was_read_elsewhere():
    found = lines({A: (1, 1)}, Read(A, (3, 3)), Read("", (1, 1)))
    assert found == {("wrong_place", A), ("unreadable", "")}


def test_a_box_of_81_with_three_planted_differences():
    expected = dict(zip(TUBES, SLOTS, strict=False))
    moved, missing, foreign = TUBES[0], TUBES[40], TUBES[81]
    reads = [Read(tube, slot) for tube, slot in expected.items() if tube not in {moved, missing}]
    reads += [Read(moved, expected[missing]), Read(foreign, expected[moved])]
    found = compare(expected, reads)
    odd = {(one.word, one.tube) for one in found.lines if one.word != "found"}
    assert odd == {("wrong_place", moved), ("not_found", missing), ("extra", foreign)}
    assert found.number("found") == 79
    assert rate(found.number("found"), 81, 1) == 79 / 82


@given(st.permutations(TUBES[:12]), st.permutations(TUBES[4:16]))
def test_every_tube_gets_one_word(should, were):
    expected = dict(zip(should, SLOTS, strict=False))
    reads = [Read(tube, slot) for tube, slot in zip(were, SLOTS, strict=False)]
    named = [one.tube for one in compare(expected, reads).lines]
    assert sorted(named) == sorted(set(should) | set(were))


def test_nothing_to_find_is_no_rate():
    assert rate(0, 0, 0) is None


# scans ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["{}", "{} ", "A3 {}", "{} A3", "a03,{}", "{};A3", "{}\tA3"])
def test_ways_to_scan_a_tube(text):
    got = scanned(text.format(codes.show(A).lower()), GRID)
    assert got.tube == A
    assert got.slot == (None if "3" not in text else (1, 3))


def test_a_code_written_with_spaces_is_not_taken_for_a_slot():
    assert scanned(codes.show(A).replace("-", " "), GRID) == Read(A)


def test_labels_that_cannot_be_read():
    assert scanned("?", GRID) == Read("")
    assert scanned("? C4", GRID) == Read("", (3, 4))
    assert scanned("C4 ?", GRID) == Read("", (3, 4))


def test_a_slot_alone_goes_ahead_of_its_tube():
    assert scanned("B2", GRID) == Read("", (2, 2))
    assert alone("B2", GRID)
    assert not alone("? B2", GRID)
    assert not alone(A, GRID)
    assert alone("81", Grid(9, 9, "1-81"))


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("freezer", "code_malformed"),
        (A[:-1] + ("0" if A[-1] != "0" else "1"), "code_check_digit"),
        (f"{A} Z99", "slot_unknown"),
        ("K7R2M", "set_where_tube"),
    ],
)
def test_scans_that_are_refused(text, code):
    with pytest.raises(Refused) as no:
        scanned(text, GRID)
    assert no.value.code == code


# racks ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "line", ["{slot},{tube}", "{tube},{slot}", '"{slot}";"{tube}"', "{slot}\t{tube}", "{slot} {tube}"]
)
def test_a_list_in_any_common_form(line):
    text = "\r\n".join(line.format(slot=slot, tube=tube) for slot, tube in [("A01", A), ("I9", B)])
    assert rack(text, GRID) == [Read(A, (1, 1)), Read(B, (9, 9))]


def test_headings_empty_places_and_no_reads():
    text = f"Position,Code\nA1,{A}\nA2,\nA3,NO TUBE\nA4,NOREAD\n\nA5,-\n"
    assert rack(text, GRID) == [Read(A, (1, 1)), Read("", (1, 4))]


@pytest.mark.parametrize(
    ("text", "code", "line"),
    [
        (f"A1,{A}\nA1,{B}", "slot_twice", "Line 2"),
        (f"A1,{A}\nA2,{A}", "tube_twice", "Line 2"),
        (f"A1,{A}\nJ1,{B}", "slot_unknown", "Line 2"),
        (f"A1,{A}\nA2,12345", "code_malformed", "Line 2"),
        ("A1,\n", "rack_empty", ""),
        ("", "rack_empty", ""),
    ],
)
def test_a_bad_list_is_refused_with_its_line(text, code, line):
    with pytest.raises(Refused) as no:
        rack(text, GRID)
    assert no.value.code == code
    assert line in no.value.sentence
