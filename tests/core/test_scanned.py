"""What a scan is. Chips: 15 digits (ISO 11784 as a decimal); their arithmetic is tested with `core.chip`."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core import codes
from biobank.core.scanned import BAG, CHIP, TUBE, Scanned, read
from custody.core.refusal import Refused

TUBES = st.builds(
    codes.make,
    st.from_regex(r"[ABCDEFGHJKMNPRTVWXY][0-9ABCDEFGHJKMNPRTVWXY]{4}", fullmatch=True),
    st.integers(1, 999),
)


@given(TUBES)
def test_a_tube_is_read_however_it_is_written(code):
    for text in (code, codes.show(code), f" {codes.show(code).lower()}\n"):
        assert read(text) == Scanned(TUBE, code)


@given(TUBES)
def test_a_bag_is_read_from_its_label_and_from_its_code(code):
    bag = codes.set_of(code)
    assert read(codes.show(codes.set_label(bag))) == read(bag.lower()) == Scanned(BAG, bag)


@pytest.mark.parametrize("text", ["999000000000001", "999 000000000001", "999-000-000-000-001", "12"])
def test_digits_are_a_chip_and_never_a_tube(text):
    assert read(text) == Scanned(CHIP, "".join(one for one in text if one.isdigit()))


@pytest.mark.parametrize(
    "text, code",
    [
        ("", "nothing_said"),
        ("   ", "nothing_said"),
        ("K7R2M103", "code_malformed"),
        ("<script>", "code_malformed"),
        ("9" * 41, "code_malformed"),
        ("K7R2M\u202e103X", "code_malformed"),
        (codes.make("K7R2M", 103)[:-1] + "0", "code_check_digit"),
    ],
)
def test_anything_else_is_refused_with_what_is_expected(text, code):
    with pytest.raises(Refused) as no:
        read(text)
    assert no.value.code == code
    assert no.value.sentence.endswith(".") and len(no.value.sentence) < 200


@given(st.text(max_size=60))
def test_any_text_is_read_or_refused(text):
    try:
        assert read(text).kind in {TUBE, BAG, CHIP}
    except Refused as no:
        assert no.sentence
