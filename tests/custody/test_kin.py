"""Tubes by whom and what they are of, added up in the database: beside the same sums over plain rows."""

from __future__ import annotations

import random
from collections import defaultdict

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from custody import kin, queries, refold
from custody.core.event import Act, new_id
from custody.models import TubeState
from custody.record import record
from tests.custody.conftest import START

pytestmark = pytest.mark.django_db
HERE = {"held", "stored", "in_transit"}
HOLDER = {"held": "SSS", "stored": "SSS", "discarded": None}


def stored(say, tubes, unit="B1", minute=9, start=1):
    for col, tube in enumerate(tubes, start):
        say("put_away", tube, minute, unit=unit, row=1, col=col)


def aliquots(parent, children, minute=5, ul=100):
    """Children of a tube that was drawn, so many µL each."""
    lines = [{"t": parent, "role": "from", "ul": ul * len(children)}]
    lines += [{"t": one, "role": "to", "of": parent, "ul": ul, "matrix": "SER"} for one in children]
    at = START + minute * 60_000
    record([Act(kind="aliquoted", at_ms=at, by="p1", org="SSS", id=new_id(), lines=lines)], login="fieldtech")


@pytest.fixture
def family(say):
    """P1 of workup W1 with aliquots A1 to A3, P2 of W2 with A4; all aliquots in box B1."""
    say("label_printed", ["P1", "P2"], 0, role="new", matrix="BLD", additive="RNA")
    say("drawn", ["P1"], 1, ul=1_000, data={"workup": "W1"})
    say("drawn", ["P2"], 1, ul=1_000, data={"workup": "W2"})
    say("label_printed", ["A1", "A2", "A3", "A4"], 5, role="new", matrix="SER")
    aliquots("P1", ["A1", "A2", "A3"])
    aliquots("P2", ["A4"])
    stored(say, ["A1", "A2", "A3", "A4"])
    return say


def in_box(unit="B1", small_ul=50):
    return {one.workup: one for one in queries.kin_in([unit], small_ul)}


def test_an_aliquot_that_nobody_bound_is_of_the_workup_of_its_parent(family):
    assert set(TubeState.objects.filter(unit="B1").values_list("workup", flat=True)) == {None}
    assert {workup: one.tubes for workup, one in in_box().items()} == {"W1": 3, "W2": 1}


def test_the_last_one_left_of_its_parent_is_last_and_one_of_several_is_not(family):
    assert (in_box()["W1"].last, in_box()["W2"].last) == (0, 1)
    family("discarded", ["A1", "A2"], 20, data={"why": "broken"})
    assert (in_box()["W1"].tubes, in_box()["W1"].last, in_box()["W1"].kept) == (1, 1, 1)


def test_a_sibling_in_another_box_or_in_a_hand_counts_as_left(family):
    family("pulled", "A1", 20, data={"why": "assay"})
    family("discarded", "A2", 21, data={"why": "broken"})
    assert in_box()["W1"].last == 0, "A1 is in somebody's hand"
    family("discarded", "A1", 22, data={"why": "used up"})
    assert in_box()["W1"].last == 1


def test_a_reserve_is_kept_and_one_that_is_reserve_and_last_is_kept_once(family):
    family("reserved", ["A1", "A4"], 20)
    one, two = in_box()["W1"], in_box()["W2"]
    assert (one.reserved, one.last, one.kept) == (1, 0, 1)
    assert (two.reserved, two.last, two.kept) == (1, 1, 1)


@pytest.mark.parametrize(("limit", "small"), [(100, 0), (101, 3)])
def test_small_is_less_than_was_asked_for(family, limit, small):
    assert in_box(small_ul=limit)["W1"].small == small


def test_what_is_kept_is_not_small_as_well_and_what_nobody_measured_is_not_small(family):
    family("reserved", "A1", 20)
    assert (in_box(small_ul=101)["W1"].small, in_box(small_ul=101)["W2"].small) == (2, 0)
    family("label_printed", ["U1", "U2"], 0, role="new", matrix="SER")
    family("drawn", ["U1", "U2"], 1, data={"workup": "W3"})
    stored(family, ["U1", "U2"], start=5)
    assert (in_box(small_ul=101)["W3"].tubes, in_box(small_ul=101)["W3"].small) == (2, 0)


def test_matrix_and_additive_tell_tubes_apart_and_units_too(family):
    stored(family, ["P1"], start=8)
    stored(family, ["P2"], unit="B2", minute=10)
    found = {(one.unit, one.workup, one.matrix, one.additive) for one in queries.kin_in(["B1", "B2"], 0)}
    assert found == {
        ("B1", "W1", "SER", ""), ("B1", "W2", "SER", ""), ("B1", "W1", "BLD", "RNA"),
        ("B2", "W2", "BLD", "RNA"),
    }  # fmt: skip
    assert [one.unit for one in queries.kin_in(["B2"], 0)] == ["B2"]
    assert queries.kin_in([], 0) == []


def left(*workups):
    found = defaultdict(list)
    for one in queries.left_of(workups):
        found[one.workup, one.matrix].append((one.tubes, one.ul))
    return {kind: sorted(parts) for kind, parts in found.items()}


def test_what_is_left_of_a_workup_is_what_is_here_with_content_wherever(family):
    assert left("W1") == {("W1", "BLD"): [(1, 700)], ("W1", "SER"): [(3, 300)]}
    family("pulled", "A1", 20, data={"why": "assay"})
    family("discarded", "A2", 21, data={"why": "broken"})
    assert left("W1")["W1", "SER"] == [(2, 200)]
    assert left("W1", "W2").keys() == {("W1", "BLD"), ("W1", "SER"), ("W2", "BLD"), ("W2", "SER")}
    assert left("W9") == left() == {}


def test_one_that_was_not_measured_makes_the_sum_unknown_and_not_smaller(family):
    family("label_printed", ["U1"], 0, role="new", matrix="BLD")
    family("drawn", "U1", 1, data={"workup": "W1"})
    assert left("W1")["W1", "BLD"] == [(2, None)]


def test_a_child_that_was_bound_itself_counts_once(family):
    TubeState.objects.filter(tube="A1").update(workup="W1")
    assert left("W1")["W1", "SER"] == [(1, 100), (2, 200)]


# beside plain rows --------------------------------------------------------------------------------


def crowd(seed):
    """Invented states of 60 tubes and 340 that were made of them, some of combinations that the ledger would
    not make."""
    dice = random.Random(seed)
    rows = [tube(dice, n) for n in range(60)] + [aliquot(dice, n) for n in range(60, 400)]
    TubeState.objects.bulk_create(rows)
    return {row.tube: row for row in rows}


def tube(dice, n):
    status = dice.choice(["held", "discarded"])
    return TubeState(
        tube=f"T{n:03d}", custodian=HOLDER[status], status=status, matrix="BLD",
        workup=dice.choice(["W1", "W2", "W3", None]), volume_ul=dice.choice([None, 0, 900]),
    )  # fmt: skip


def aliquot(dice, n):
    status = dice.choice(["stored", "stored", "held", "discarded"])
    return TubeState(
        tube=f"T{n:03d}", custodian=HOLDER[status], status=status, matrix=dice.choice(["SER", "PL1"]),
        unit=dice.choice(["B1", "B2", "B3"]) if status == "stored" else None,
        additive=dice.choice(["", "RNA"]), parent=dice.choice([None, f"T{dice.randrange(60):03d}", "T001"]),
        reserved=dice.random() < 0.3, workup=dice.choice(["W1", "W4", None, None]),
        volume_ul=dice.choice([None, 0, 100, 199, 200, 900]),
    )  # fmt: skip


def of_workup(row, every):
    return row.workup or (every[row.parent].workup if row.parent else None)


@pytest.mark.parametrize("seed", range(3))
def test_sums_of_boxes_are_those_of_plain_rows(seed):
    every, want = crowd(seed), defaultdict(lambda: [0] * 5)
    for row in every.values():
        if row.unit not in {"B1", "B2"}:
            continue
        others = [one for one in every.values() if one is not row and one.parent == row.parent]
        last = row.parent is not None and not any(one.status in HERE for one in others)
        kept = row.reserved or last
        small = row.volume_ul is not None and row.volume_ul < 200 and not kept
        key = row.unit, of_workup(row, every), row.matrix, row.additive
        want[key] = [a + b for a, b in zip(want[key], [1, row.reserved, last, kept, small], strict=True)]
    found = {}
    for one in queries.kin_in(["B1", "B2"], 200):
        counts = [one.tubes, one.reserved, one.last, one.kept, one.small]
        found[one.unit, one.workup, one.matrix, one.additive] = counts
    assert found == want


@pytest.mark.parametrize("seed", range(3))
def test_what_is_left_is_that_of_plain_rows(seed):
    every, want = crowd(seed), defaultdict(list)
    for row in every.values():
        if row.status in HERE and (whose := of_workup(row, every)) in {"W1", "W2", "W4"}:
            want[whose, row.matrix].append(row.volume_ul)
    sums = {kind: (len(uls), None if None in uls else sum(uls)) for kind, uls in want.items()}
    assert {kind: added(parts) for kind, parts in left("W1", "W2", "W4").items()} == sums


def added(parts):
    uls = [ul for _, ul in parts]
    return sum(n for n, _ in parts), None if None in uls else sum(uls)


# queries ------------------------------------------------------------------------------------------


def asked(do):
    with CaptureQueriesContext(connection) as seen:
        do()
    return len(seen)


def test_one_query_for_boxes_and_two_for_each_slice_of_workups(monkeypatch):
    crowd(1)
    assert asked(lambda: queries.kin_in(["B1", "B2", "B3"], 200)) == 1
    assert asked(lambda: queries.left_of(["W1", "W2", "W4"])) == 2
    whole = left("W1", "W2", "W4")
    monkeypatch.setattr(refold, "SLICE", 2)
    assert asked(lambda: kin.left_of(["W1", "W2", "W4"])) == 4
    assert left("W1", "W2", "W4") == whole, "no workup is lost or counted twice where one slice ends"
