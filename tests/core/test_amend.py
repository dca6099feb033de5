"""Corrections as values: what counts with them, and that one says what two said."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from custody.core import amend, fold
from custody.core.fold import Amendment
from custody.core.state import Happening

LINES = [{"t": f"T{n}", "role": "subj", "ul": 100} for n in range(3)]
HEADER = {
    "kind": "drawn", "at": 1_000, "off": 0, "tz": "UTC", "unc_s": 0, "by": "p1", "org": "SSS",
    "data": {"workup": "W1"},
}  # fmt: skip

line = st.fixed_dictionaries(
    {"n": st.integers(0, 2)}, optional={"ul": st.integers(0, 5), "note": st.sampled_from(["x", "y"])}
)
fields = st.fixed_dictionaries(
    {},
    optional={
        "at": st.integers(0, 9),
        "by": st.sampled_from(["p2", "p3"]),
        "data": st.fixed_dictionaries({}, optional={"workup": st.just("W2"), "note": st.just("n")}),
        "lines": st.lists(line, unique_by=lambda one: one["n"]),
    },
)


@given(fields, fields)
def test_a_merged_correction_says_what_both_said_the_newer_first(older, newer):
    after = amend.applied(*amend.applied(HEADER, LINES, older), newer)
    assert amend.applied(HEADER, LINES, amend.merged(older, newer)) == after


@given(fields)
def test_what_is_shown_of_an_event_is_what_the_fold_counts(said):
    header, lines = amend.applied(HEADER, LINES, said)
    for n, one in enumerate(LINES):
        happening = Happening(seq=0, id="e", kind="drawn", at_ms=1_000, by="p1", org="SSS", line=one, n=n,
                              data=HEADER["data"])  # fmt: skip
        (counts,) = fold.effective([happening], [Amendment(1, "c", "e", "corrected", said)])
        assert (counts.at_ms, counts.by, counts.data, counts.line) == (
            header["at"], header["by"], header["data"], lines[n],
        )  # fmt: skip


@given(fields)
def test_what_was_said_first_is_not_changed(said):
    before = (repr(HEADER), repr(LINES))
    amend.applied(HEADER, LINES, said)
    assert (repr(HEADER), repr(LINES)) == before
