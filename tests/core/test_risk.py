"""Which boxes to count. The weights are common practice, no source; the lots are checked against hashlib."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.risk import Box, Weighed, a_month, choose, lot, neighbours, share, trend, weigh


def test_an_empty_box_that_was_never_counted_weighs_nothing():
    assert weigh(Box("B1")) == Weighed("B1", 0, ())


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"tubes": 5}, "never counted"),
        ({"days": 400}, "400 days since the last count"),
        ({"days": 0, "moved": True}, "the box was moved since the last count"),
        ({"days": 0, "changed": True}, "tubes were moved or handled since the last count"),
        ({"days": 0, "gone": 2}, "2 tubes fewer than at the last count"),
        ({"days": 0, "gone": -1}, "1 tube more than at the last count"),
        ({"days": 0, "reserved": 1}, "1 tube in reserve"),
        ({"days": 0, "last": 3}, "3 last aliquots of a parent"),
        ({"days": 0, "disputes": 1}, "1 open difference"),
        ({"days": 0, "misses": 2}, "2 misses at the last count"),
    ],
)
def test_each_reason_weighs_something_and_says_why(more, words):
    plain, heavier = weigh(Box("B1", days=0)), weigh(Box("B1", **more))
    assert plain.weight == 0
    assert heavier.weight > 0
    assert words in heavier.words


def test_reasons_add_up_and_the_heaviest_is_told_first():
    both = weigh(Box("B1", days=0, moved=True, misses=1))
    assert (
        both.weight == weigh(Box("B1", days=0, moved=True)).weight + weigh(Box("B1", days=0, misses=1)).weight
    )
    assert both.reasons[0].startswith("the box was moved")


def test_a_year_without_a_count_weighs_all_that_age_can():
    weights = [weigh(Box("B1", days=days)).weight for days in (0, 180, 365, 3650)]
    assert weights == sorted(weights)
    assert weights[1] < weights[2] == weights[3]


def boxes(*weights):
    return [Weighed(f"B{n:03d}", weight, ()) for n, weight in enumerate(weights, 1)]


def test_half_are_the_heaviest_and_ties_go_by_code():
    picks = choose(boxes(5, 9, 9, 1, 0, 0), 3, "seed")
    assert [(one.unit, one.how) for one in picks[:2]] == [("B002", "risk"), ("B003", "risk")]
    assert [one.how for one in picks] == ["risk", "risk", "chance"]


def test_the_others_are_those_with_the_lowest_sha256():
    """Redone with hashlib alone, as an auditor would."""
    rest = ["B001", "B003", "B004", "B005"]
    by_hand = sorted(rest, key=lambda unit: hashlib.sha256(f"f00d:{unit}".encode()).hexdigest())
    picks = choose(boxes(0, 9, 0, 3, 1), 2, "f00d")
    assert [one.unit for one in picks] == ["B002", by_hand[0]]
    # sha256sum of coreutils, `printf 'f00d:B001' | sha256sum`
    assert lot("f00d", "B001") == hashlib.sha256(b"f00d:B001").hexdigest()


def test_another_seed_draws_other_boxes_and_weightless_boxes_are_drawn_too():
    drawn = {choose(boxes(*[50] * 5, *[0] * 15), 2, f"s{n}")[1].unit for n in range(60)}
    assert len(drawn) > 10
    assert drawn & {f"B{n:03d}" for n in range(6, 21)}


@given(st.lists(st.integers(0, 90), max_size=30), st.integers(0, 40), st.text("0123456789abcdef", max_size=8))
def test_no_box_twice_never_more_than_wanted_and_the_order_of_candidates_does_not_matter(
    weights, wanted, seed
):
    some = boxes(*weights)
    picks = choose(some, wanted, seed)
    units = [one.unit for one in picks]
    assert len(set(units)) == len(units) == min(wanted, len(some))
    assert choose(list(reversed(some)), wanted, seed) == picks


def test_one_box_in_twenty_a_month():
    assert [a_month(n) for n in (0, 1, 20, 21, 1400)] == [0, 1, 1, 2, 70]


def test_neighbours_stand_in_the_same_unit_before_and_after_by_code():
    parents = {"B1": "R1", "B2": "R1", "B3": "R1", "B4": "R2", "B5": None, "B6": None}
    assert neighbours("B2", parents, parents) == ["B1", "B3"]
    assert neighbours("B1", parents, parents) == ["B2"]
    assert neighbours("B4", parents, parents) == []
    assert neighbours("B5", parents, parents) == []


def test_a_trend_in_words_and_a_share_that_never_flatters():
    assert "One month" in trend([0.9])
    assert "better" in trend([0.9, 0.92, 0.99])
    assert "worse" in trend([0.99, 0.98, 0.9])
    assert "as good" in trend([0.99, 0.991])
    assert share(1) == "100.0 %"
    assert share(0.99999) == "99.9 %"
