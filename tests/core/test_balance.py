"""What is used of a quantity and what is left: each animal once, and never nought for what nobody knows."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.balance import COUNTED, Balance, Meter, Use, Used, fits, root, running, used

DAY, NEXT = date(2026, 5, 3), date(2026, 5, 4)
MERGED = {2: 1, 3: 2}


def animal(key=None, hand="", day=DAY, maybe=False):
    return Use(day, key, hand, maybe=maybe)


def liquid(ul, maybe=False):
    return Use(DAY, ul=ul, maybe=maybe)


@pytest.mark.parametrize(
    ("uses", "expected"),
    [
        ([], Used(0, 0, 0)),
        ([animal(1), animal(1), animal(4)], Used(2, 2, 0)),
        ([animal(1), animal(2), animal(3)], Used(1, 1, 0)),
        ([animal()], Used(1, 1, 1)),
        ([animal(), animal()], Used(1, 2, 2)),
        ([animal(hand="W1"), animal(hand="W1")], Used(1, 1, 1)),
        ([animal(4), animal()], Used(1, 2, 1)),
        ([animal(4, maybe=True)], Used(0, 1, 1)),
        ([animal(4, maybe=True), animal(4)], Used(1, 1, 0)),
        ([animal(4), animal(4, maybe=True)], Used(1, 1, 0)),
        ([animal(maybe=True)], Used(0, 1, 1)),
        ([animal(hand="W1", maybe=True), animal(hand="W1")], Used(1, 1, 1)),
        ([animal(hand="W1"), animal(hand="W1", maybe=True)], Used(1, 1, 1)),
    ],
)
def test_an_animal_counts_once_and_an_unknown_one_makes_a_range(uses, expected):
    assert used("animals", uses, MERGED) == expected


@pytest.mark.parametrize(
    ("counted", "uses", "expected"),
    [
        ("tubes", [liquid(5), liquid(None)], Used(2, 2, 0)),
        ("tubes", [liquid(5), liquid(5, maybe=True)], Used(1, 2, 1)),
        ("ul", [liquid(500), liquid(250)], Used(750, 750, 0)),
        ("ul", [liquid(500), liquid(None)], Used(500, None, 1)),
        ("ul", [liquid(500), liquid(250, maybe=True)], Used(500, 750, 1)),
        ("ul", [liquid(None, maybe=True)], Used(0, None, 1)),
        ("ul", [], Used(0, 0, 0)),
    ],
)
def test_tubes_and_volumes(counted, uses, expected):
    assert used(counted, uses) == expected


def test_a_ring_of_merges_ends():
    assert root(1, {1: 2, 2: 1}) in {1, 2}
    assert root("A", {"A": "B", "B": "C"}) == "C" and root(7, {}) == 7


def test_only_what_can_be_counted_is():
    with pytest.raises(ValueError, match="litres"):
        Meter("litres")


@pytest.mark.parametrize(
    ("after", "answer"),
    [
        (Used(10, 10), "pass"),
        (Used(11, 11), "fail"),
        (Used(10, 11, 1), "cannot_tell"),
        (Used(11, None, 1), "fail"),
        (Used(0, None, 1), "cannot_tell"),
        (Used(0, 10, 10), "pass"),
    ],
)
def test_the_quantity_itself_fits_and_one_more_does_not(after, answer):
    assert fits(10, after) == answer
    assert Balance("tubes", 10, after).answer == answer


@pytest.mark.parametrize(
    ("used_", "over", "left", "surely"),
    [
        (Used(10, 10), 0, 0, 0),
        (Used(9, 9), 0, 1, 1),
        (Used(12, 12), 2, 0, 0),
        (Used(8, 11, 3), 0, 2, 0),
        (Used(8, None, 1), 0, 2, None),
    ],
)
def test_what_is_left_and_over(used_, over, left, surely):
    balance = Balance("tubes", 10, used_)
    assert (balance.over, balance.left, balance.surely_left) == (over, left, surely)


def test_days_run_up_whatever_order_they_come_in():
    days = running("animals", [animal(4, day=NEXT), animal(1), animal(2), animal(1, day=NEXT)], MERGED)
    assert [(one.day, one.uses, one.used) for one in days] == [
        (DAY, 2, Used(1, 1)),
        (NEXT, 2, Used(2, 2)),
    ]


USES = st.lists(
    st.builds(
        Use, st.sampled_from([DAY, NEXT]), st.none() | st.integers(1, 6), st.sampled_from(["", "W1", "W2"]),
        st.none() | st.integers(0, 900), st.booleans(),
    ),
    max_size=12,
)  # fmt: skip


@given(st.sampled_from(COUNTED), USES)
def test_asking_what_would_be_counts_nothing_and_says_what_adding_does(counted, uses):
    meter = Meter(counted, MERGED)
    for use in uses:
        before = meter.used
        would = meter.would(use)
        assert meter.used == before
        assert meter.add(use) == would
        assert would.least >= before.least and (would.most is None or before.most <= would.most)
        assert would.most is None or would.least <= would.most


@given(USES, st.data())
def test_knowing_more_narrows_and_never_leaves_the_range(uses, data):
    """Whoever the unknown animals turn out to be, the count was within what was said before."""
    said = used("animals", uses, MERGED)
    hands: dict[str, int] = {}
    truth = set()
    for n, use in enumerate(uses):
        key = use.animal
        if key is None:
            key = hands.setdefault(use.hand or f"alone{n}", data.draw(st.integers(1, 30)))
        if not use.maybe or data.draw(st.booleans()):
            truth.add(root(key, MERGED))
    assert said.least <= len(truth) <= said.most
