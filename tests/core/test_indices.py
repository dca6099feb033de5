"""Grade and measured value: when they agree nothing is said."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.indices import BORDERS, NAMES, disagreement, grades_of

names = st.sampled_from(NAMES)


@given(names, st.integers(0, 5_000_000))
def test_every_value_has_a_grade_and_two_only_at_a_border(name, cmgdl):
    found = grades_of(name, cmgdl)
    assert set(found) <= set(range(5)) and len(found) == (2 if cmgdl in BORDERS[name] else 1)


@given(names, st.integers(0, 200_000), st.integers(0, 200_000))
def test_more_is_never_a_lower_grade(name, one, other):
    less, more = sorted([one, other])
    assert grades_of(name, less)[0] <= grades_of(name, more)[-1]


@given(names, st.integers(0, 200_000), st.integers(0, 4))
def test_something_is_said_only_when_they_do_not_go_together(name, cmgdl, grade):
    assert bool(disagreement(name, grade, cmgdl)) == (grade not in grades_of(name, cmgdl))


@pytest.mark.parametrize("grade, cmgdl", [(None, 5_000), (1, None), (None, None)])
def test_what_lacks_disagrees_with_nothing(grade, cmgdl):
    assert disagreement("haemolysis", grade, cmgdl) == ""


def test_the_sentence_names_both():
    said = disagreement("haemolysis", 0, 14_000)
    assert "graded 0" in said and "140.00 mg/dL free haemoglobin would be 1 or 2" in said
