"""Receiving: what was scanned beside what should have come.

Rows: the cases that a receiver of 300 tubes can meet. Common practice, no source.
"""

from collections import Counter

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from custody.core.reconcile import UNREADABLE, Reconciled, reconcile

TUBES = tuple(f"T{n:03d}" for n in range(300))
FIRST, REST = TUBES[0], TUBES[1:]


def result(**said) -> Reconciled:
    """What came out when all was well, but for what is said."""
    well = {"ok": TUBES, "surplus": 0, "unreadable": 0} | {
        name: () for name in ("missing", "extra", "foreign", "again", "twice", "hint")
    }
    return Reconciled(**well | said)  # type: ignore[arg-type]


# case of the table, what was scanned, counted by hand, what must come out, whether all is well
ROWS = [
    ("all scanned", TUBES, 300, result(), True),
    ("one not there", REST, 299, result(ok=REST, missing=(FIRST,)), False),
    (
        "one label unreadable",
        (*REST, UNREADABLE), 300, result(ok=REST, missing=(FIRST,), unreadable=1, hint=(FIRST,)), False,
    ),
    ("scanned twice, count 300", (*TUBES, FIRST), 300, result(again=(FIRST,)), True),
    ("scanned twice, count 301", (*TUBES, FIRST), 301, result(again=(FIRST,), twice=(FIRST,)), False),
    (
        "one of ours not on the list + a foreign barcode",
        (*TUBES, "OURS", "FOREIGN"), 302, result(extra=("OURS",), foreign=("FOREIGN",)), False,
    ),
    ("scanned 299, counted 300", REST, 300, result(ok=REST, missing=(FIRST,), surplus=1), False),
]  # fmt: skip


@pytest.mark.parametrize(("case", "scans", "counted", "wanted", "clean"), ROWS, ids=[row[0] for row in ROWS])
def test_the_table_of_receiving(case, scans, counted, wanted, clean):
    found = reconcile(TUBES, scans, counted, ours={"OURS"})
    assert found == wanted
    assert found.clean is clean


def test_more_scanned_than_counted_does_not_agree_either():
    assert reconcile("AB", "AB", 1).surplus == -1


def test_while_a_tube_is_missing_a_second_scan_explains_no_count():
    """Counted three, scanned A, A, B of A, B, C: C may lie there unscanned, so nothing is said of A."""
    found = reconcile("ABC", "AAB", 3)
    assert (found.twice, found.agrees) == ((), False)


def test_who_saw_two_tubes_with_one_code_says_so_and_then_the_count_agrees():
    found = reconcile("ABC", "AAB", 3, twins={"A"})
    assert (found.twice, found.missing, found.agrees) == (("A",), ("C",), True)


def test_a_code_seen_twice_that_was_never_scanned_stands_for_nothing():
    assert reconcile("AB", "AB", 3, twins={"C"}).surplus == 1


def test_of_two_codes_scanned_again_and_one_tube_more_either_may_be_on_two():
    found = reconcile("AB", "AABB", 3)
    assert (found.twice, found.agrees) == (("A", "B"), True)


def test_one_tube_more_than_scans_can_explain_does_not_agree():
    found = reconcile("AB", "AAB", 4)
    assert (found.twice, found.agrees) == ((), False)


def test_what_is_ours_must_be_said_else_it_is_foreign():
    assert reconcile("A", "AB", 2).foreign == ("B",)
    assert reconcile("A", "AB", 2, ours={"B"}).extra == ("B",)


code = st.sampled_from("ABCDEFGH")
scan = st.one_of(code, st.just(UNREADABLE))
worlds = st.tuples(
    st.sets(code), st.lists(scan, max_size=14), st.integers(0, 16), st.sets(code), st.sets(code)
)


@given(worlds)
@example(({"A"}, [UNREADABLE, UNREADABLE, "A", "A"], 4, set(), set()))
def test_nothing_expected_is_lost(world):
    expected, scans, counted, ours, twins = world
    found = reconcile(expected, scans, counted, ours, twins)
    assert Counter((*found.ok, *found.missing)) == Counter(expected)


@given(worlds)
def test_every_scan_is_in_exactly_one_group(world):
    expected, scans, counted, ours, twins = world
    found = reconcile(expected, scans, counted, ours, twins)
    grouped = Counter((*found.ok, *found.extra, *found.foreign, *found.again))
    assert grouped + Counter({UNREADABLE: found.unreadable}) == Counter(scans)


@given(worlds, st.randoms())
def test_the_order_of_scans_does_not_matter(world, random):
    expected, scans, counted, ours, twins = world
    shuffled = random.sample(scans, len(scans))
    assert reconcile(expected, shuffled, counted, ours, twins) == reconcile(
        expected, scans, counted, ours, twins
    )


@given(worlds)
def test_an_unreadable_label_never_becomes_a_tube(world):
    expected, scans, counted, ours, twins = world
    found = reconcile(expected, [*scans, UNREADABLE], counted, ours, twins)
    assert found.ok == reconcile(expected, scans, counted, ours, twins).ok
    assert found.hint == found.missing and not found.clean


@given(worlds)
def test_the_count_agrees_exactly_when_it_is_what_scans_tell_of(world):
    """Independently said: tubes told of are distinct codes, unreadable labels, and a second tube a twin."""
    expected, scans, counted, ours, twins = world
    found = reconcile(expected, scans, counted, ours, twins)
    told = len(set(scans) - {UNREADABLE}) + scans.count(UNREADABLE)
    if seen := twins & set(scans):
        assert found.surplus == counted - told - len(seen)
    elif found.twice:
        assert told < counted <= len(scans) and expected <= set(scans) and found.agrees
    else:
        assert found.surplus == counted - told
