"""The letters of a spin: every border from both sides; what is not known is never a letter of the table."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from custody.core.sprec_spin import Spin, code, elements

RT, COLD = 2_000, 400


@pytest.mark.parametrize(
    ("g", "warm", "cold"),
    [(1, "B", "D"), (2_999, "B", "D"), (3_000, "E", "F"), (5_999, "E", "F"), (6_000, "G", "H"),
     (10_000, "G", "H"), (10_001, "I", "J")],
)  # fmt: skip
def test_each_range_of_force_has_its_letter(g, warm, cold):
    assert code(Spin(g, 10, RT, True)) == warm and code(Spin(g, 10, COLD, True)) == cold


@pytest.mark.parametrize("minutes, letter", [(9, "Z"), (10, "B"), (15, "B"), (16, "Z")])
def test_the_table_is_for_10_to_15_minutes(minutes, letter):
    assert code(Spin(2_000, minutes, RT, True)) == letter


@pytest.mark.parametrize(
    "centi, letter",
    [(199, "Z"), (200, "D"), (1_000, "D"), (1_001, "Z"), (1_799, "Z"), (1_800, "B"), (2_800, "B"),
     (2_801, "Z")],
)  # fmt: skip
def test_the_table_is_for_room_and_for_the_cold(centi, letter):
    assert code(Spin(2_000, 10, centi, True)) == letter


def test_the_long_slow_spin_is_a_first_spin_without_brake():
    long = Spin(999, 30, RT, False)
    assert code(long, first=True) == "M" and code(long) == "Z"
    for other in (Spin(1_000, 30, RT, False), Spin(999, 30, RT, True), Spin(999, 30, COLD, False)):
        assert code(other, first=True) == "Z"
    assert code(Spin(999, 29, RT, False), first=True) == "Z"


@given(st.integers(1, 30_000), st.integers(1, 60), st.sampled_from([None, -100, 400, 1_500, 2_000]))
def test_what_was_not_noted_is_x(g, minutes, centi):
    assert code(Spin(g, minutes, centi, None)) == "X"
    assert code(Spin(g, minutes, None, True)) == "X"


@given(st.integers(3_000, 30_000), st.sampled_from([RT, COLD]))
def test_a_fast_spin_without_brake_has_no_letter(g, centi):
    assert code(Spin(g, 10, centi, False)) == "Z"


def test_a_sample_has_two_elements():
    one, two = Spin(2_000, 10, COLD, True), Spin(5_000, 15, COLD, True)
    assert elements([]) == ("N", "N") and elements([one]) == ("D", "N")
    assert elements([one, two]) == ("D", "F") == elements([one, two, one])
