"""Grades of evidence of an answer to a handoff."""

import pytest

from custody.core import evidence
from custody.core.kinds import GRADES_OF, KINDS


def header(kind="received", **data):
    return {"kind": kind, "data": data}


# who can answer, and whether the custodian changes: the design of this ledger, no source outside
TABLE = [
    (header(), "A", True),
    (header(grade=""), "A", True),
    (header(grade="A"), "A", True),
    (header("refused", reason="Boat turned back"), "A", True),
    (header(grade="B", name="K. Nordal"), "B", True),
    (header(grade="C", name="K. Nordal", paper="ab12"), "C", True),
    (header("tracked", said="delivered, gate 2"), "D", False),
]


@pytest.mark.parametrize(("said", "letter", "moves"), TABLE)
def test_the_grade_follows_from_the_event_alone(said, letter, moves):
    found = evidence.of(said)
    assert (found.letter, found.moves) == (letter, moves)


@pytest.mark.parametrize("letter", ["B", "C"])
def test_without_a_login_the_person_is_not_proven_and_it_says_so(letter):
    found = evidence.of(header(grade=letter, name="K. Nordal"))
    assert "person not proven" in found.words and found.lacks.startswith("Person not proven")
    assert "name as given: K. Nordal" in found.words


def test_with_a_login_nothing_is_said_against_the_person():
    assert "not proven" not in evidence.of(header()).words


def test_paper_names_the_photo_that_it_was_typed_from():
    assert evidence.of(header(grade="C", paper="0123456789abcdef")).words.endswith("photo 0123456789abcdef")


def test_a_carrier_cannot_claim_a_better_grade():
    assert evidence.of(header("tracked", said="delivered", grade="A")).letter == "D"


@pytest.mark.parametrize("odd", ["D", "Z", "a", "AA"])
def test_an_answer_of_an_odd_grade_is_not_taken_for_a_good_one(odd):
    found = evidence.of(header(grade=odd))
    assert (found.letter, found.moves) == ("?", True)


def test_every_grade_says_what_it_proves_and_what_it_does_not():
    for letter, grade in evidence.GRADES.items():
        assert grade.letter == letter and grade.words and grade.proves and grade.lacks
    assert len({grade.proves for grade in evidence.GRADES.values()}) == 4


def test_the_grades_of_an_answer_are_those_that_the_ledger_takes():
    assert set(evidence.GRADES) == {*GRADES_OF, "D"} and evidence.CARRIER in KINDS
    assert [letter for letter, grade in evidence.GRADES.items() if not grade.moves] == ["D"]
