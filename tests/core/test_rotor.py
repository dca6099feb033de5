"""Runs of a centrifuge: never too full, never mixed, never late when another order would not be.

Oracle of the order: every way to put up to six tubes into runs, tried one by one below, without the search
that the product uses. Balance ("opposite tubes alike") is common practice, no source.
"""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biobank.core.rotor import BALANCE, EXACT, NEAR, Rotor, Wanted, fits, runs, seats

MIN = 60_000
NOW = 1_000 * MIN


def tube(name: str = "A", **given: int | None) -> Wanted:
    kinds = {"from_ms": None, "by_ms": None, "g": 2000, "minutes": 10, "size_ul": 5000, "fill_ul": None}
    return Wanted(name, **(kinds | given))  # type: ignore[arg-type]


@st.composite
def wanted(draw, most: int):
    n = draw(st.integers(1, most))
    made = []
    for i in range(n):
        start = draw(st.none() | st.integers(-30, 60))
        end = draw(st.none() | st.integers(-10, 90))
        made.append(
            tube(
                f"T{i}",
                from_ms=None if start is None else NOW + start * MIN,
                by_ms=None if end is None else NOW + end * MIN,
                g=draw(st.sampled_from([1500, 2000])), minutes=draw(st.sampled_from([10, 15])),
                size_ul=draw(st.sampled_from([5000, 10000])),
                fill_ul=draw(st.sampled_from([None, 2500, 4800])),
            )
        )  # fmt: skip
    return made


rotors = st.sampled_from([2, 4, 6]).map(lambda places: Rotor("R", places))


def in_every_order(tubes):
    """Every way to split these tubes into runs one after the other."""
    if not tubes:
        yield []
    for size in range(1, len(tubes) + 1):
        for some in combinations(tubes, size):
            for rest in in_every_order([one for one in tubes if one not in some]):
                yield [some, *rest]


def places_taken(some) -> int:
    """Places for these tubes, by pairing in every way: the fewest balance tubes."""
    if not some:
        return 0
    first, rest = some[0], some[1:]
    alone = 2 + places_taken(rest)
    paired = [
        2 + places_taken([one for one in rest if one is not other])
        for other in rest
        if other.size_ul == first.size_ul and abs(other.fill - first.fill) * 100 <= NEAR * first.size_ul
    ]
    return min([alone, *paired])


def late_in(order, rotor: Rotor) -> int | None:
    """How many are late in this order; None when it cannot be done."""
    at, late = NOW, 0
    for some in order:
        if len({(one.g, one.minutes) for one in some}) > 1 or places_taken(list(some)) > rotor.places:
            return None
        at = max([at, *(one.from_ms for one in some if one.from_ms is not None)])
        late += sum(one.by_ms is not None and at > one.by_ms for one in some)
        at += some[0].minutes * MIN
    return late


@settings(max_examples=40, deadline=None)
@given(rotors, wanted(5))
def test_no_other_order_makes_fewer_tubes_late(rotor, tubes):
    found = runs(rotor, tubes, NOW)
    fewest = min(late for order in in_every_order(tubes) if (late := late_in(order, rotor)) is not None)
    assert found.exact and sum(len(run.late) for run in found.runs) == fewest


@settings(max_examples=3, deadline=None)
@given(rotors, wanted(EXACT).filter(lambda tubes: len(tubes) == EXACT))
def test_six_tubes_are_searched_whole_too(rotor, tubes):
    found = runs(rotor, tubes, NOW)
    fewest = min(late for order in in_every_order(tubes) if (late := late_in(order, rotor)) is not None)
    assert found.exact and sum(len(run.late) for run in found.runs) == fewest


@settings(max_examples=150, deadline=None)
@given(rotors, wanted(20))
def test_never_over_places_never_mixed_never_early_and_nobody_is_lost(rotor, tubes):
    found = runs(rotor, tubes, NOW)
    assert sorted(one.tube for run in found.runs for one in run.tubes) == sorted(one.tube for one in tubes)
    at = NOW
    for run in found.runs:
        assert 2 * len(run.seats) <= rotor.places
        assert {(one.g, one.minutes) for one in run.tubes} == {(run.g, run.minutes)}
        assert run.start_ms >= at and all((one.from_ms or 0) <= run.start_ms for one in run.tubes)
        assert set(run.late) == {
            one.tube for one in run.tubes if one.by_ms is not None and one.by_ms < run.start_ms
        }
        assert len(run.sentences) == len(run.tubes)
        at = run.start_ms + run.minutes * MIN


@given(wanted(7))
def test_opposite_tubes_are_alike_and_no_balance_tube_is_wasted(tubes):
    by_name = {one.tube: one for one in tubes}
    pairs = seats(tubes)
    for one, other in pairs:
        if other != BALANCE:
            a, b = by_name[one], by_name[other]
            assert a.size_ul == b.size_ul and abs(a.fill - b.fill) * 100 <= NEAR * a.size_ul
    assert sorted(name for pair in pairs for name in pair if name != BALANCE) == sorted(by_name)
    assert 2 * len(pairs) == places_taken(tubes)


def test_a_fill_that_differs_by_just_the_limit_is_balanced_and_one_more_microlitre_is_not():
    assert seats([tube("A", fill_ul=4500), tube("B")]) == (("A", "B"),)
    assert len(seats([tube("A", fill_ul=4499), tube("B")])) == 2


def test_three_tubes_need_a_balance_tube_and_so_four_places():
    three = [tube(name) for name in "ABC"]
    assert fits(Rotor("R", 4), three) and not fits(Rotor("R", 2), three)
    assert runs(Rotor("R", 4), three, NOW).runs[0].balances == 1


def test_the_urgent_spin_goes_first_even_when_the_other_has_more_tubes():
    many = [tube(name, g=1500, by_ms=NOW + 60 * MIN) for name in "ABCD"]
    found = runs(Rotor("R", 4), [*many, tube("E", by_ms=NOW + 5 * MIN)], NOW)
    assert [one.tube for one in found.runs[0].tubes] == ["E"]
    assert not any(run.late for run in found.runs)


def test_a_clot_is_waited_for_when_somebody_else_can_spin_meanwhile():
    found = runs(Rotor("R", 2), [tube("A", from_ms=NOW + 12 * MIN), tube("B", minutes=10)], NOW)
    assert [[one.tube for one in run.tubes] for run in found.runs] == [["B"], ["A"]]
    assert found.runs[1].start_ms == NOW + 12 * MIN


def test_the_minutes_of_loading_count():
    two = [tube("A", by_ms=NOW), tube("B", g=1500, by_ms=NOW + 12 * MIN)]
    assert not any(run.late for run in runs(Rotor("R", 2), two, NOW, 2).runs)
    assert runs(Rotor("R", 2), two, NOW, 3).runs[1].late == ("B",)


def test_who_is_left_out_is_told_why():
    found = runs(Rotor("R", 4, max_g=1999), [tube("A"), tube("B", g=None), tube("C", g=1999)], NOW)
    assert dict(found.left_out) == {
        "A": "Left out: its plan asks for 2000 × g, R does at most 1999 × g.",
        "B": "Left out: its plan gives no force and minutes.",
    }
    assert [one.tube for run in found.runs for one in run.tubes] == ["C"]


@pytest.mark.parametrize("places", [0, 1, 7])
def test_a_rotor_has_opposite_places(places):
    with pytest.raises(ValueError):
        Rotor("R", places)


def test_more_than_six_tubes_are_not_called_proven():
    assert not runs(Rotor("R", 4), [tube(f"T{n}") for n in range(EXACT + 1)], NOW).exact


def test_with_many_tubes_those_that_are_late_already_do_not_make_others_late():
    late = [tube(f"L{n}", g=1500, by_ms=NOW - MIN) for n in range(EXACT)]
    found = runs(Rotor("R", 6), [*late, tube("A", by_ms=NOW + 2 * MIN)], NOW)
    assert not found.exact and [one.tube for one in found.runs[0].tubes] == ["A"]
