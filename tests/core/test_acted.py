"""What a scan at the bench is, and what a scanner set to another keyboard meant.

Keyboards: the keys of a US layout as a German and a French computer name them, from memory. What they do is
undone only where the check character (ISO 7064, tested with `core.codes`) leaves one meaning.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core import acted, codes
from biobank.core.acted import ACTION, BADGE, BAG, OTHER, PAPER, SLOT, TUBE, read
from custody.core.refusal import Refused

LETTERS = "ABCDEFGHJKMNPRTVWXY"
TUBES = st.builds(
    codes.make, st.from_regex(rf"[{LETTERS}][0-9{LETTERS}]{{4}}", fullmatch=True), st.integers(1, 999)
)
GERMAN = str.maketrans({"y": "z", "z": "y", "Y": "Z", "Z": "Y", "-": "ß", ":": "Ö", "_": "?", "/": "-"})
FRENCH = str.maketrans("1234567890aqwzAQWZ-mM", "&é\"'(-è_çàqazwQAZW),?")


def told(text: str) -> tuple[str, str]:
    found = read(text)
    return found.kind, found.text


@given(TUBES)
def test_a_tube_is_read_however_it_is_written(code):
    for text in (code, codes.show(code), f" {codes.show(code).lower()}\n"):
        assert told(text) == (TUBE, code)
        assert not read(text).mended


@given(TUBES)
def test_the_label_of_a_bag_is_the_set(code):
    assert told(codes.set_label(codes.set_of(code)).lower()) == (BAG, code[:5])


@pytest.mark.parametrize("card, name", acted.CARDS.items())
def test_every_card_is_its_action_in_any_writing(card, name):
    for text in (card, card.lower(), card[3:], card[3:].replace("-", " ").lower(), card.translate(GERMAN)):
        assert told(text) == (ACTION, name), text


@pytest.mark.parametrize("card", [*acted.CARDS, "WHO-P1", "WHO-K7R2M103"])
def test_no_card_can_ever_be_a_tube_or_a_bag(card):
    """Whatever follows: the O is in no code, so no number and no check character makes it one."""
    assert "O" not in codes.ALPHABET
    assert not codes.is_valid(card)
    with pytest.raises(Refused):
        codes.bag(card)


@given(TUBES)
def test_no_tube_is_ever_a_card(code):
    assert read(code).kind == TUBE and f"DO-{code}" not in acted.CARDS


def test_badges_papers_slots_and_names_of_places():
    paper = "0192f0c1-7d1e-7abc-8def-0123456789ab"
    assert told("who-p1") == (BADGE, "P1")
    assert told(paper) == (PAPER, paper)
    assert told(paper.translate(GERMAN)) == (PAPER, paper)
    assert told("a1") == (SLOT, "A1") and told("81") == (SLOT, "81") and told("AB12") == (SLOT, "AB12")
    assert told("nlb-b001") == (OTHER, "NLB-B001") and read("nlb-b001").guesses[0] == "NLB-B001"
    assert "NLB-B001" in read("NLBßB001").guesses and "NLB-B001" in read("NLB'B001").guesses


@given(TUBES)
def test_a_german_keyboard_is_undone_by_the_check_character(code):
    typed = codes.show(code).translate(GERMAN)
    try:
        found = read(typed)
    except Refused as no:  # two tubes could be meant: never guessed
        assert no.code == "scanner_layout"
    else:
        assert (found.kind, found.text) == (TUBE, code)
        assert found.mended == (typed != codes.show(code))


@given(TUBES, st.sampled_from("ß'/_?:;=+"))
def test_any_sign_in_place_of_the_hyphen(code, sign):
    try:
        assert told(codes.show(code).replace("-", sign)) == (TUBE, code)
    except Refused as no:
        assert no.code == "scanner_layout"


def test_a_y_that_came_as_z_is_a_y_because_no_code_has_a_z():
    code = codes.make("Y2Y2Y", 5)
    typed = code.replace("Y", "Z")
    assert "Z" in typed
    assert read(typed) == acted.Acted(TUBE, code, mended=True)


@given(TUBES)
def test_a_french_keyboard_is_undone_or_refused_and_never_another_tube(code):
    try:
        found = read(codes.show(code).translate(FRENCH))
    except Refused as no:
        assert no.code == "scanner_layout"
    else:
        assert (found.kind, found.text) == (TUBE, code)


def test_a_french_scan_is_read():
    code = codes.make("K7A2W", 103)
    typed = codes.show(code).translate(FRENCH)
    assert "é" in typed and "Q" in typed and read(typed) == acted.Acted(TUBE, code, mended=True)


@given(TUBES, st.integers(0, 8), st.sampled_from("0123456789" + LETTERS))
def test_a_wrong_character_is_never_another_tube(code, at, letter):
    """Of an ordinary keyboard: letters and digits as they are, one of them wrong."""
    wrong = code[:at] + letter + code[at + 1 :]
    if wrong == code:
        return
    try:
        found = read(wrong)
    except Refused as no:
        assert no.code in {"code_check_digit", "scanner_layout"}
    else:
        assert found.kind == OTHER, found


@pytest.mark.parametrize(
    "text, code", [("", "nothing_said"), ("  \n", "nothing_said"), ("K" * 61, "scan_too_long")]
)
def test_what_is_nothing(text, code):
    with pytest.raises(Refused) as no:
        read(text)
    assert no.value.code == code


@pytest.mark.parametrize(
    "text, doubt",
    [
        ("K7R2Mß103ßX", True),
        ("KZR2M103X", True),
        ("K7R2M-103-X", False),
        ("NLB-B001", False),
        ("smudge", False),
    ],
)
def test_when_the_keyboard_is_in_doubt(text, doubt):
    assert acted.strange(text) is doubt
