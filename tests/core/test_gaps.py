"""Custody without gaps, or the gaps, on made-up histories.

Which ways of holding count comes from US EPA Region V, Manual of Custody and Non-Custody Sample Handling
Procedures (1978, 905R78115); the limits are common practice, no source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from custody.core import gaps
from custody.core.event import derived_id
from custody.core.gaps import Limits
from custody.core.kinds import HOW
from custody.core.state import Happening

KEY = "0198c0de-0000-7000-8000-000000000000"
MINUTE, HOUR = 60_000, 3_600_000
NOW = 30 * HOUR


def said(kind, minute, *, line=None, org="SSS", ref=None, late=0, unc_s=0, n=0, **data):
    at = minute * MINUTE
    return Happening(
        seq=minute, id=derived_id(KEY, f"{kind}{minute}{n}"), kind=kind, at_ms=at, by="p1", org=org, n=n,
        line={"t": "T", "role": "subj"} | (line or {}), data=data, ref=ref.id if ref else None,
        ref_at_ms=ref.at_ms if ref else None, recorded_ms=NOW, rec_at=at + late * MINUTE, unc_s=unc_s,
    )  # fmt: skip


def life(how="sealed", due=30, arrives=20, intact=True, **sent):
    """Printed, drawn, given to TFL under seal, received, and put away at once."""
    offered = said("handed_off", 10, to="TFL", how=how, seal="S1", due_ms=due and due * MINUTE, **sent)
    return [
        said("label_printed", -900, line={"role": "new"}),
        said("drawn", 5, line={"ul": 1_000}),
        offered,
        said("received", arrives, org="TFL", line={"result": "ok"}, ref=offered, seal_intact=intact),
        said("put_away", arrives + 5, org="TFL", line={"unit": "B1", "row": 1, "col": 1}),
    ]


def codes(history, now=NOW, limits=gaps.LIMITS):
    return [gap.code for gap in gaps.gaps("T", history, now, limits)]


def test_a_tube_that_was_answered_for_at_every_moment_has_no_gap():
    assert codes(life()) == []


def test_nobodys_custody_starts_before_there_is_something_in_the_tube():
    assert codes(life()[:1]) == []
    assert gaps.holding("T", life()[:1], NOW, NOW) == []


@pytest.mark.parametrize("kind", ["spun", "moved", "thawed", "put_away"])
def test_an_act_of_an_agency_that_never_received_the_tube_is_a_gap(kind):
    data = {"g": 1, "minutes": 1} if kind == "spun" else {}
    stranger = said(kind, 8, org="NLB", line={"unit": "C1"} if kind in {"moved", "put_away"} else {}, **data)
    found = gaps.gaps("T", [*life()[:2], stranger], 10 * MINUTE)
    assert [gap.code for gap in found] == ["no_handoff"]
    assert "NLB" in found[0].sentence and "SSS answered" in found[0].sentence


def test_a_receipt_by_an_agency_that_it_was_not_sent_to_is_a_gap():
    history = life()[:3]
    history.append(said("received", 20, org="NLB", line={"result": "ok"}, ref=history[2]))
    assert codes(history, 25 * MINUTE) == ["no_handoff"]


def test_on_the_way_until_due_is_no_gap_and_a_minute_more_is():
    assert codes(life(due=30, arrives=30)) == []
    assert codes(life(due=30, arrives=31)) == ["handoff_late"]


def test_without_a_time_agreed_a_day_is_let_pass():
    assert codes(life(due=None, arrives=10 + 24 * 60)) == []
    assert codes(life(due=None, arrives=10 + 24 * 60 + 1)) == ["handoff_late"]


@pytest.mark.parametrize("how", sorted(HOW))
def test_late_is_worse_when_nothing_closed_the_container(how):
    (late,) = gaps.gaps("T", life(how=how, arrives=31), NOW)
    assert late.worse == (how not in {"sealed", "locked"})
    assert gaps.HOW_WORDS[how] in late.sentence


def test_a_handoff_that_nobody_answers_is_open_until_now():
    assert codes(life()[:3], 30 * MINUTE) == []
    (gap,) = gaps.gaps("T", life()[:3], 31 * MINUTE)
    assert (gap.code, gap.from_ms, gap.to_ms) == ("handoff_open", 10 * MINUTE, None)


def test_a_broken_seal_and_one_that_nobody_looked_at_are_gaps():
    assert codes(life(intact=False)) == ["seal_broken"]
    assert codes(life(intact=None)) == ["seal_not_checked"]
    assert codes(life(how="hand", intact=None)) == []


def test_a_missing_tube_is_a_gap_until_it_is_received():
    history = life()[:3]
    lost = said("received", 20, org="TFL", line={"result": "missing"}, ref=history[2], seal_intact=True)
    found = said("received", 28, org="TFL", line={"result": "ok"}, ref=history[2], seal_intact=True)
    (gap,) = gaps.gaps("T", [*history, lost], 25 * MINUTE)
    assert (gap.code, gap.to_ms, gap.worse) == ("not_found", None, True)
    (gap,) = gaps.gaps("T", [*history, lost, found], 29 * MINUTE)
    assert (gap.code, gap.to_ms) == ("not_found", 28 * MINUTE)


@pytest.mark.parametrize(("hours", "expected"), [(12, []), (13, ["no_place"])])
def test_held_in_no_unit_for_more_than_twelve_hours_is_a_gap(hours, expected):
    pulled = said("pulled", 60, org="TFL", why="assay")
    back = said("put_away", 60 + hours * 60, org="TFL", line={"unit": "B1", "row": 1, "col": 1})
    assert codes([*life(), pulled, back]) == expected
    assert codes([*life(), pulled], 60 * MINUTE + hours * HOUR) == expected
    assert codes([*life(), pulled, back], limits=Limits(unplaced_h=hours)) == []


def test_an_emptied_tube_may_lie_about():
    taken = said("aliquoted", 7, line={"role": "from", "ul": 1_000})
    assert codes([*life()[:2], taken], 40 * HOUR) == []


def test_doubt_about_a_change_is_a_gap_and_doubt_about_anything_else_is_not():
    doubtful = [one._replace(unc_s=900) if one.kind == "received" else one for one in life()]
    (gap,) = gaps.gaps("T", doubtful, NOW)
    assert gap.code == "clock_uncertain" and "± 15 min" in gap.sentence
    assert codes([*life(), said("spun", 40, org="TFL", unc_s=900, g=1, minutes=1)]) == []
    assert codes([one._replace(unc_s=60) for one in life()]) == []


@pytest.mark.parametrize(("late", "expected"), [(30, []), (31, ["typed_late"])])
def test_typed_more_than_half_an_hour_later_is_a_gap(late, expected):
    assert codes([*life(), said("spun", 40, org="TFL", late=late, g=1, minutes=1)]) == expected


def test_what_was_voided_is_neither_a_gap_nor_a_bridge():
    stranger = said("thawed", 8, org="NLB")
    assert codes([*life(), stranger._replace(voided=True)]) == []
    without = [one._replace(voided=one.kind == "received") for one in life()]
    assert "handoff_open" in codes(without) and "no_handoff" in codes(without)


def test_how_it_was_held_is_told_from_the_needle_on():
    holds = gaps.holding("T", life(), NOW, NOW)
    assert [(one.org, one.how, one.start_ms // MINUTE) for one in holds] == [
        ("SSS", "hand", 5), ("SSS", "sealed", 10), ("TFL", "hand", 20), ("TFL", "unit", 25),
    ]  # fmt: skip
    assert [one.end_ms for one in holds] == [*(one.start_ms for one in holds[1:]), None]


def test_an_aliquot_inherits_the_custody_of_its_parent_up_to_where_it_was_made():
    late = said("spun", 40, org="TFL", late=60, g=1, minutes=1)
    after = said("thawed", 90, org="NLB")
    parent = [*life(), late, said("aliquoted", 60, org="TFL", line={"role": "from", "ul": 500}), after]
    made = said("aliquoted", 60, org="TFL", line={"t": "A", "role": "to", "of": "T", "ul": 500}, n=1)
    whole = gaps.through([("A", [made]), ("T", parent)], 61 * MINUTE)
    assert [(gap.tube, gap.code) for gap in whole.gaps] == [("T", "typed_late")]
    assert [(one.tube, one.end_ms) for one in whole.holds][-2:] == [("T", 60 * MINUTE), ("A", None)]


def test_every_way_to_hold_of_the_definition_has_words():
    """EPA's five: possession, view, locked, secured area, seal."""
    words = " ".join(gaps.HOW_WORDS[how] for how in HOW)
    for way in ["possession", "in view", "locked", "restricted access", "seal that opening breaks"]:
        assert way in words


@given(st.permutations(life(intact=None, arrives=31)))
def test_the_order_of_arrival_does_not_matter(shuffled):
    assert gaps.gaps("T", shuffled, NOW) == gaps.gaps("T", life(intact=None, arrives=31), NOW)


@given(st.sets(st.integers(0, 4)), st.integers(0, 40))
def test_half_a_history_is_told_without_error(left_out, hours):
    history = [one for n, one in enumerate(life()) if n not in left_out]
    for gap in gaps.gaps("T", history, hours * HOUR):
        assert gap.sentence.endswith(".")
        assert gap.to_ms is None or gap.from_ms <= gap.to_ms
