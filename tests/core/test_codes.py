"""Tube codes and their check character, exhaustively where that is possible."""

from itertools import product
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_2

from biobank.core import codes
from custody.core.refusal import Refused

A = codes.ALPHABET
sets = st.tuples(st.sampled_from(codes.LETTERS), st.text(A, min_size=4, max_size=4)).map("".join)


@given(sets, st.integers(0, 999))
def test_a_code_reads_back_however_it_is_written(set_code, number):
    code = codes.make(set_code, number)
    assert len(code) == codes.LENGTH and code[-1] in A
    for written in (
        code,
        codes.show(code),
        f"  {codes.show(code).lower()}\n",
        code.replace("", " "),
        code[:5] + "–" + code[5:],
    ):
        assert codes.normalise(written) == code
    assert (codes.set_of(code), codes.number_of(code)) == (set_code, number)


@given(sets, st.integers(0, 999), st.integers(0, 8), st.sampled_from(A))
def test_every_single_wrong_character_is_caught(set_code, number, place, letter):
    code = codes.make(set_code, number)
    wrong = code[:place] + letter + code[place + 1 :]
    assert codes.is_valid(wrong) == (wrong == code)


def test_every_substitution_and_every_transposition_in_short_bodies_is_caught():
    """ISO 7064 pure system over a prime alphabet: exhaustive over all bodies of three characters."""
    check = lambda body: mod_37_2.calc_check_digit(body, A)  # noqa: E731
    missed = 0
    for body in map("".join, product(A, repeat=3)):
        whole = body + check(body)
        for i in range(4):
            for j in range(i + 1, 4):  # any two characters, neighbours or not
                if whole[i] != whole[j]:
                    swapped = list(whole)
                    swapped[i], swapped[j] = swapped[j], swapped[i]
                    missed += check("".join(swapped[:3])) == swapped[3]
        for i, letter in product(range(3), A):
            if letter != whole[i]:
                changed = whole[:i] + letter + whole[i + 1 :]
                missed += check(changed[:3]) == changed[3]
    assert missed == 0


@pytest.mark.parametrize(("body", "check"), [("G123489654321", "Y"), ("G123498654321", "H")])
def test_the_library_gives_the_published_check_characters(body, check):
    """The doctest values of python-stdnum for ISO 7064 MOD 37-2 under its own alphabet."""
    assert mod_37_2.calc_check_digit(body) == check


def test_a_code_of_ours_worked_out_by_hand():
    """The pure system written out: p = (p + value) * 2 mod 29 over the body, then the check makes it 1."""
    p = 0
    for letter in "K7R2M103":
        p = (p + A.index(letter)) * 2 % 29
    assert codes.make("K7R2M", 103)[-1] == A[(1 - p) % 29]


@pytest.mark.parametrize(
    "text", ["", "K7", "K7R2M103", "K7R2M103TT", "17R2M103T", "K7R2MA03T", "K7O2M103T", "É7R2M103T", "𝟏" * 9]
)
def test_what_is_no_code_is_refused_as_malformed(text):
    with pytest.raises(Refused) as no:
        codes.normalise(text)
    assert no.value.code == "code_malformed"


def test_a_mistyped_code_names_the_check_only_and_suggests_nothing():
    good = codes.make("K7R2M", 103)
    bad = good[:-1] + A[(A.index(good[-1]) + 1) % 29]
    with pytest.raises(Refused) as no:
        codes.normalise(bad)
    assert no.value.code == "code_check_digit"
    assert good not in no.value.sentence and codes.show(good) not in no.value.sentence


def test_set_codes_start_with_a_letter_and_need_no_luck_to_differ():
    dice = Random(3)
    made = [codes.new_set_code(dice) for _ in range(2_000)]
    assert all(code[0] in codes.LETTERS and set(code) <= set(A) for code in made)
    assert len(set(made)) > 1_990


@pytest.mark.parametrize(
    ("set_code", "number"), [("K7R2", 1), ("k7r2m", 1), ("K7R2M", 1000), ("K7R2M", -1), ("77R2M", 1)]
)
def test_what_is_no_set_or_number_makes_no_code(set_code, number):
    with pytest.raises(ValueError):
        codes.make(set_code, number)


@given(sets)
def test_the_label_of_a_bag_is_number_000_and_no_tube(set_code):
    label = codes.set_label(set_code)
    assert codes.is_set_label(label) and codes.number_of(label) == 0
    assert not codes.is_set_label(codes.make(set_code, 1))
    for written in (label, codes.show(label).lower(), set_code, set_code.lower()):
        assert codes.bag(written) == set_code
        with pytest.raises(Refused) as no:
            codes.tube(written)
        assert no.value.code == "set_where_tube" and set_code in no.value.sentence


@given(sets, st.integers(1, 999))
def test_a_tube_where_a_bag_is_asked_for_is_told_which_label_to_scan(set_code, number):
    code = codes.make(set_code, number)
    assert codes.tube(codes.show(code)) == code
    with pytest.raises(Refused) as no:
        codes.bag(code)
    assert no.value.code == "tube_where_set" and codes.show(codes.set_label(set_code)) in no.value.sentence


@pytest.mark.parametrize("text", ["", "K7R2", "7K7R2", "K7R2MM", "W-12", "978020137962", "<script>"])
def test_what_names_no_bag_is_refused(text):
    with pytest.raises(Refused) as no:
        codes.bag(text)
    assert no.value.code == "set_malformed"


def test_a_bag_whose_check_is_wrong_is_refused():
    label = codes.set_label("K7R2M")
    wrong = label[:-1] + next(letter for letter in A if letter != label[-1])
    with pytest.raises(Refused) as no:
        codes.bag(wrong)
    assert no.value.code == "code_check_digit"
