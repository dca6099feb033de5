"""The fast reader of stored texts beside `canon.read`, which reads them anywhere else."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from custody import stored
from custody.core import canon
from custody.core.effects import GONE, absent, empty
from custody.core.state import FULL, STATUSES, TubeState

WORDS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=8).map(canon.nfc)
KEYS = st.from_regex(r"[a-z][a-z0-9_]{0,5}", fullmatch=True)
NUMBERS = st.integers(-canon.LARGEST, canon.LARGEST)
VALUES = st.recursive(
    st.none() | st.booleans() | NUMBERS | WORDS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(KEYS, VALUES, max_size=4))
def test_it_reads_what_was_written(said):
    text = canon.text(said)
    assert stored.read(text) == canon.read(text) == said


@pytest.mark.parametrize("text", ["", "{", '{"a":1} 2', "{'a':1}", '{"a":}', '{"a":NaN}', "\ud800"])
def test_what_is_no_text_of_ours_is_a_value_error(text):
    for read in (stored.read, stored.header, stored.named):
        with pytest.raises(ValueError):
            read(text)


HEADER = {
    "at": 7, "by": "p1", "data": {"of": "x"}, "dev": "web", "id": "i", "kind": "voided", "org": "SSS",
    "lines": {"n": 2, "root": "ab"}, "off": 0, "rec_at": 8, "v": 1,
}  # fmt: skip


def test_a_header_gives_its_fields_and_its_data_as_text():
    said = stored.header(canon.text(HEADER))
    assert (said.id, said.kind, said.at, said.by, said.org, said.dev) == (
        "i",
        "voided",
        7,
        "p1",
        "SSS",
        "web",
    )
    assert (said.lines.n, said.lines.root, said.ref, said.n) == (2, "ab", None, None)
    assert stored.read(said.data) == {"of": "x"}
    more = stored.header(canon.text(HEADER | {"ref": "r", "n": 3}))
    assert (more.ref, more.n) == ("r", 3)


@pytest.mark.parametrize("name", ["at", "by", "data", "dev", "id", "kind", "org", "lines"])
def test_a_header_without_one_of_them_is_a_value_error(name):
    with pytest.raises(ValueError):
        stored.header(canon.text({key: value for key, value in HEADER.items() if key != name}))


def test_a_line_says_whom_it_is_about():
    assert stored.named('{"role":"subj","t":"T1"}') == stored.Named(t="T1")
    assert stored.named('{"role":"subj","to":"F1","u":"R1"}') == stored.Named(u="R1")


@pytest.mark.parametrize("status", STATUSES)
def test_the_short_ways_agree_with_the_sentences(status):
    """A step looks into FULL and GONE first; what is refused must be what has a sentence."""
    state = TubeState("T1", status=status)
    assert bool(empty(state)) == (status not in FULL) and bool(absent(state)) == (status in GONE)
