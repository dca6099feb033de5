"""Canonical text against an independent RFC 8785 package."""

import unicodedata

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from custody.core import canon
from custody.core.refusal import Refused

names = st.from_regex(r"[a-z][a-z0-9_]{0,11}", fullmatch=True)
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=20).map(
    lambda text: unicodedata.normalize("NFC", text)
)
plain = st.none() | st.booleans() | st.integers(-canon.LARGEST, canon.LARGEST) | texts
values = st.recursive(
    plain,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(names, inner, max_size=4),
    max_leaves=12,
)


@given(values)
def test_the_text_is_what_rfc_8785_says(value):
    try:
        ours = canon.text(value)
    except Refused as no:
        assert no.code == "canon_depth"  # the only limit that these values can meet
        return
    assert ours.encode() == rfc8785.dumps(value)  # reference: PyPI package rfc8785
    assert canon.read(ours) == value


@pytest.mark.parametrize(
    ("value", "code"),
    [
        (1.0, "canon_type"),
        (b"x", "canon_type"),
        ((1,), "canon_type"),
        (2**53, "canon_int"),
        (-(2**53), "canon_int"),
        ({"Upper": 1}, "canon_key"),
        ({1: 1}, "canon_key"),
        ("e\u0301", "canon_text"),
        ("\ud800", "canon_text"),
        ([[[[[[[1]]]]]]], "canon_depth"),
    ],
)
def test_what_cannot_be_written_the_same_way_everywhere_is_refused(value, code):
    with pytest.raises(Refused) as no:
        canon.text({"x": value} if not isinstance(value, dict) else value)
    assert no.value.code == code


def test_typed_text_is_composed_before_it_is_hashed():
    assert canon.text(canon.nfc({"a": ["e\u0301"]})) == '{"a":["é"]}'
