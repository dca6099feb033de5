"""A life cut into phases: what each is called, where it begins and ends, and that together they are the life.

Expected values are worked by hand from made-up acts (hours since the draw); the words are those of the trade.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.acts_of_life import OUT, STORED, THAW, TRIP, WORK, Act, Spell, Trip, cut, words

DRAW, SPIN, ALIQUOT, MADE = (
    lambda at: Act("drawn", at), lambda at: Act("spun", at), lambda at: Act("aliquoted", at),
    lambda at: Act("aliquoted", at, made=True),
)  # fmt: skip


def freezer(start, end, home="F1"):
    return Spell(start, end, home, "freezer", True)


def fridge(start, end, home="R1"):
    return Spell(start, end, home, "fridge")


def cooler(start, end, home="C1"):
    return Spell(start, end, home, "cooler")


def said(phases):
    return [("+ " if p.within else "") + f"{words(p)} {p.start_ms}-{p.end_ms}" for p in phases]


def test_a_drawn_spun_aliquoted_and_frozen_tube():
    acts = [DRAW(0), SPIN(2), MADE(3)]
    found = cut(acts, [cooler(0, 1), freezer(5, 100)], [], 0, 100, gone=False)
    assert said(found) == [
        "Draw to spin 0-2", "+ On the way in C1 0-1", "Spin to aliquot 2-3",
        "Aliquot to freezer 3-5", "Stored in F1 5-100",
    ]  # fmt: skip


def test_not_spun_it_is_draw_to_put_away():
    assert said(cut([DRAW(0)], [fridge(2, 10)], [], 0, 10)) == ["Draw to put away 0-2", "Stored in R1 2-10"]


def test_a_fridge_on_the_way_to_the_freezer_or_before_the_spin_lies_within():
    found = cut([DRAW(0), SPIN(4), MADE(5)], [fridge(1, 3), fridge(6, 8), freezer(9, 20)], [], 0, 20)
    assert said(found) == [
        "Draw to spin 0-4", "+ Stored in R1 1-3", "Spin to aliquot 4-5", "Aliquot to freezer 5-9",
        "+ Stored in R1 6-8", "Stored in F1 9-20",
    ]  # fmt: skip


def test_a_trip_goes_on_from_the_carrier_through_the_handing_over():
    found = cut([DRAW(0)], [cooler(1, 3, "C2"), freezer(6, 9)], [Trip(2, 4, "SSS", "TFL")], 0, 9)
    assert said(found) == ["Draw to freezer 0-6", "+ On the way in C2, SSS to TFL 1-4", "Stored in F1 6-9"]


def test_one_place_for_the_whole_of_a_phase_is_said_once():
    (found, _) = cut([DRAW(0), SPIN(2)], [cooler(0, 2)], [], 0, 3, gone=False)
    assert (found.kind, found.home, found.within) == (WORK, "C1", False)


def test_stays_in_one_freezer_are_one_and_out_of_it_is_a_phase():
    spells = [freezer(1, 3), freezer(3, 5), freezer(7, 9, "F2"), freezer(9, 12, "F3")]
    found = cut([DRAW(0), Act("thawed", 6)], spells, [], 0, 12)
    assert said(found) == [
        "Draw to freezer 0-1", "Stored in F1 1-5", "Out of storage, thawed 5-7", "Stored in F2 7-9",
        "Stored in F3 9-12",
    ]  # fmt: skip


def test_an_act_after_storage_begins_no_new_work_unless_a_tube_is_made():
    spells = [freezer(1, 5), freezer(9, 12)]
    same = cut([DRAW(0), SPIN(6), ALIQUOT(7)], spells, [], 0, 12)
    assert said(same) == [
        "Draw to freezer 0-1",
        "Stored in F1 1-5",
        "Out of storage 5-9",
        "Stored in F1 9-12",
    ]
    made = cut([DRAW(0), SPIN(6), MADE(7)], spells, [], 0, 12)
    assert said(made) == [
        "Draw to freezer 0-1", "Stored in F1 1-5", "Out of storage 5-7", "Aliquot to freezer 7-9",
        "Stored in F1 9-12",
    ]  # fmt: skip


@pytest.mark.parametrize(("gone", "name"), [(True, "Draw to end"), (False, "Since draw")])
def test_work_that_is_not_over(gone, name):
    assert said(cut([DRAW(0)], [], [], 0, 5, gone=gone)) == [f"{name} 0-5"]


def test_a_life_of_no_length_has_no_phase():
    assert cut([DRAW(0)], [freezer(0, 3)], [], 4, 4) == []


def test_a_tube_put_away_as_it_is_made_has_no_phase_of_work():
    assert said(cut([MADE(0)], [freezer(0, 4)], [], 0, 4)) == ["Stored in F1 0-4"]


def test_the_second_spin_and_the_second_aliquoting_are_no_milestones():
    found = cut([DRAW(0), SPIN(1), SPIN(2), ALIQUOT(3), ALIQUOT(4)], [freezer(6, 9)], [], 0, 9)
    assert said(found) == [
        "Draw to spin 0-1",
        "Spin to aliquot 1-3",
        "Aliquot to freezer 3-6",
        "Stored in F1 6-9",
    ]


def test_a_bench_is_no_storage():
    found = cut([DRAW(0)], [freezer(1, 2), Spell(2, 3, "B", "bench"), freezer(3, 4)], [], 0, 4)
    assert [p.kind for p in found] == [WORK, STORED, OUT, STORED]


def test_two_generations_that_were_made_in_one_moment_leave_no_phase_of_no_length():
    """As an import of old times may say it: a day is all that is known of both."""
    found = cut([DRAW(0), MADE(3), MADE(3)], [freezer(2, 4)], [], 0, 4)
    assert said(found) == ["Draw to freezer 0-2", "Stored in F1 2-3", "Stored in F1 3-4"]


moments = st.integers(0, 60)
acts = st.builds(Act, st.sampled_from(["drawn", "spun", "aliquoted", "thawed"]), moments, st.booleans())
homes = st.sampled_from([("F1", "freezer", True), ("F2", "freezer", True), ("R", "fridge", False),
                         ("C", "cooler", False), ("S", "shipper", True), ("B", "bench", False)])  # fmt: skip


@st.composite
def spells(draw):
    edges = sorted(draw(st.sets(moments, max_size=12)))
    pairs = pairwise(edges)
    return [Spell(a, b, *draw(homes)) for a, b in pairs if draw(st.booleans())]


trips = st.lists(
    st.builds(lambda a, b: Trip(min(a, b), max(a, b) + 1, "SSS", "TFL"), moments, moments), max_size=4
)


@given(st.lists(acts, max_size=8), spells(), trips, moments, moments, st.booleans())
def test_whatever_happened_the_phases_are_the_whole_life_without_gap_or_overlap(
    acts, spells, trips, a, b, gone
):
    start, end = min(a, b), max(a, b)
    found = cut(acts, spells, trips, start, end, gone=gone)
    alone = [one for one in found if not one.within]
    assert sum(one.end_ms - one.start_ms for one in alone) == end - start
    for one, after in pairwise(alone):
        assert one.end_ms == after.start_ms
    around = None
    for one in found:
        assert one.start_ms < one.end_ms and one.kind in {WORK, STORED, TRIP, OUT, THAW} and words(one)
        if one.within:
            assert around is not None and around.start_ms <= one.start_ms and one.end_ms <= around.end_ms
        else:
            around = one
