"""The ladder for a short draw.

Outside: the cumulative volumes of a published-practice ranking for a short draw of a marine mammal, as
compiled beside our design (derived from its own list of tubes; the ranking is common practice, no source).
Citrate is refused when short: Thrombosis Journal 2016, s12959-016-0123-z, table 1 (above 90 % full). EDTA
below half: a university's haematology page (Michigan). The rest: common practice, no source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.ladder import (
    FLAG,
    FULL,
    NOTHING,
    SHORT,
    USED,
    VOID,
    YIELD_PCT,
    Piece,
    Rung,
    cumulative,
    judge,
    kept,
    ladder,
    offers,
)
from biobank.plans.starters import starters

# rank, what is taken, mL each; cumulative mL as the compiled table prints it
RANKS = [
    (1, [1.0], 1.0),  # blood gas cartridge
    (2, [4.0], 5.0),  # EDTA, count
    (3, [5.0], 10.0),  # gel
    (4, [10.0], 20.0),  # serum
    (5, [4.0], 24.0),  # EDTA, DNA
    (6, [10.0], 34.0),  # serum
    (7, [3.0, 2.7, 2.7], 42.4),  # discard and citrate
    (8, [6.0, 2.5, 6.0], 56.9),  # trace-element EDTA, RNA, EDTA chilled
    (9, [10.0, 10.0], 76.9),  # sodium heparin
]

CITRATE = Rung("c", "Citrate 2.7", 2700, 3, 1, "void", 90)
EDTA = Rung("e", "EDTA 4", 4000, 1, 5, "flag", 50)
RED = Rung("r", "Red 10", 10000, 2, 2)
RNA = Rung("n", "RNA 2.5", 2500, 4, 6, "flag", 100)


def test_the_cumulative_volumes_are_those_of_the_compiled_table():
    rungs = [
        Rung(f"{rank}-{n}", "tube", round(ml * 1000), rank, n)
        for rank, tubes, _ in reversed(RANKS)
        for n, ml in enumerate(tubes)
    ]
    reached = {rung.priority: total for rung, total in cumulative(rungs)}  # the last of each rank
    assert reached == {rank: round(total * 1000) for rank, _, total in RANKS}


@pytest.mark.parametrize("rank, total", [(rank, round(total * 1000)) for rank, _, total in RANKS])
def test_a_rank_of_the_compiled_table_is_filled_by_its_volume_and_not_by_less(rank, total):
    rungs = [
        Rung(f"{one}-{n}", "tube", round(ml * 1000), one, n, "void", 100)
        for one, tubes, _ in RANKS
        for n, ml in enumerate(tubes)
    ]

    def unfilled(left):
        return [one.rung.key for one in offers(rungs, left) if one.rung.priority <= rank and one.word != FULL]

    assert unfilled(total) == []
    assert len(unfilled(total - 1)) == 1


def test_the_seal_plan_that_ships_follows_that_ranking():
    """Ranks 1 to 6 of the table are the first six priorities of the plan, but for smears, which take none."""
    plan = starters()["SEAL-FULL"]
    blood = [one for one in plan.tubes if one.matrix == "BLD" and one.volume_ul and one.priority <= 6]
    rungs = [Rung(str(one.number), one.label, one.volume_ul or 0, one.priority) for one in blood]
    assert {one.priority: total for one, total in cumulative(rungs)} == {
        rank: round(total * 1000) for rank, _, total in RANKS[:6]
    }


@pytest.mark.parametrize(
    "rung, ul, word",
    [
        (CITRATE, 2700, FULL),
        (CITRATE, 2430, SHORT),  # 90 % to the microlitre
        (CITRATE, 2429, VOID),
        (EDTA, 2000, SHORT),
        (EDTA, 1999, FLAG),
        (RED, 1, SHORT),
        (RED, 0, NOTHING),
        (RED, -5, NOTHING),
        (RED, 11000, FULL),
        (RNA, 2499, FLAG),
        (Rung("x", "X", 1000, 1, 0, "void"), 999, VOID),  # no share given: short is short
    ],
)
def test_a_short_fill_is_what_the_plan_says(rung, ul, word):
    assert judge(rung, ul) == word


def test_the_ladder_goes_by_priority_then_by_order_of_draw():
    twins = [Rung("b", "B", 1, 1, 2), Rung("a", "A", 1, 1, 1)]
    assert [one.key for one in ladder([RED, CITRATE, *twins])] == ["a", "b", "r", "c"]


def test_what_is_left_goes_down_the_ladder():
    said = [(one.rung.key, one.ul, one.word) for one in offers([CITRATE, RED, EDTA, RNA], 9000)]
    assert said == [("e", 4000, FULL), ("r", 5000, SHORT), ("c", 0, NOTHING), ("n", 0, NOTHING)]


def test_a_tube_that_would_be_of_no_use_leaves_the_blood_for_the_next():
    small = Rung("s", "Cartridge", 1000, 9)
    said = [(one.rung.key, one.ul, one.word) for one in offers([CITRATE, EDTA, small], 1500)]
    assert said == [("e", 1500, FLAG), ("c", 1500, VOID), ("s", 1000, FULL)]


def test_when_nobody_knows_how_much_is_left_the_order_is_still_told():
    assert [(one.rung.key, one.word) for one in offers([RED, EDTA], None)] == [("e", FULL), ("r", FULL)]


RUNGS = st.lists(
    st.builds(
        Rung, st.uuids().map(str), st.just("tube"), st.integers(1, 20_000), st.integers(1, 15),
        st.integers(0, 60), st.sampled_from(["accept", "flag", "void"]),
        st.none() | st.integers(1, 100),
    ),
    max_size=30,
)  # fmt: skip


@given(RUNGS, st.integers(-5, 100_000))
def test_no_more_is_offered_than_is_left(rungs, left):
    said = offers(rungs, left)
    assert sum(one.ul for one in said if one.word in USED) <= max(0, left)
    assert [one.rung for one in said] == ladder(rungs)
    assert all(one.ul <= one.rung.ul for one in said)
    assert all(one.ul >= one.rung.least_ul for one in said if one.word in USED)


# aliquots of the seal plan's first serum tube: four for serology, three of the archive
SERUM = [Piece("SER", 500, 4, 2, purpose="serology"), Piece("SER", 500, 3, 1, True, "archive")]


@pytest.mark.parametrize(
    "ul, serology, archive",
    [(10000, 4, 3), (8750, 4, 3), (8749, 3, 3), (5000, 1, 3), (3750, 0, 3), (2500, 0, 2), (1250, 0, 1)],
)
def test_the_lowest_aliquots_are_given_up_first(ul, serology, archive):
    """40 % of the blood is serum (Northern Light laboratory): 8.75 mL give seven aliquots of 0.5 mL."""
    assert [one.kept for one in kept(ul, SERUM)] == [serology, archive]


def test_one_reserve_is_kept_even_when_it_is_not_full():
    said = kept(500, SERUM)
    assert [(one.kept, one.lost, one.part_ul) for one in said] == [(0, 4, None), (1, 2, 200)]
    assert [one.kept for one in kept(0, SERUM)] == [0, 0]


def test_a_reserve_comes_before_a_better_priority():
    pieces = [Piece("SER", 500, 2, 1), Piece("SER", 500, 1, 9, True)]
    assert [one.kept for one in kept(1250, pieces)] == [0, 1]


def test_cells_and_plasma_come_from_different_parts_of_the_tube():
    pieces = [Piece("PL1", 500, 3), Piece("BUF", 250, 1, 2)]
    assert [one.kept for one in kept(1250, pieces)] == [1, 1]
    assert [one.kept for one in kept(3000, [Piece("BLD", 1000, 3)])] == [3]


PIECES = st.lists(
    st.builds(
        Piece, st.sampled_from(["SER", "PL1", "BUF", "CEL", "BLD"]), st.integers(1, 5000),
        st.integers(1, 9), st.integers(1, 5), st.booleans(),
    ),
    max_size=8,
)  # fmt: skip


@given(st.integers(0, 20_000), PIECES)
def test_no_more_comes_out_than_is_in_it(ul, pieces):
    said = kept(ul, pieces)
    assert [one.piece for one in said] == pieces
    assert all(0 <= one.kept <= one.piece.count for one in said)
    out = {room: 0 for room in ("liquid", "cells", "whole")}
    for one in said:
        room = {"SER": "liquid", "PL1": "liquid", "BLD": "whole"}.get(one.piece.matrix, "cells")
        whole = one.kept - (one.part_ul is not None)
        out[room] += whole * one.piece.ul + (one.part_ul or 0)
    assert out["liquid"] * 100 <= ul * YIELD_PCT
    assert out["whole"] <= ul and out["cells"] <= ul
