"""From histories to states, without a database."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from custody.core import fold
from custody.core.event import derived_id
from custody.core.fold import Amendment
from custody.core.state import Happening

KEY = "0198c0de-0000-7000-8000-000000000000"
DAY = 86_400_000


def said(kind, at, *, line=None, n=0, org="TFL", ref=None, ref_at=None, **data):
    return Happening(
        seq=at, id=derived_id(KEY, f"{kind}{at}{n}"), kind=kind, at_ms=at * 60_000, by="p1", org=org, n=n,
        line={"t": "T", "role": "subj"} | (line or {}), data=data, ref=ref, ref_at_ms=ref_at, recorded_ms=DAY,
    )  # fmt: skip


def life():
    """A tube from its label into the freezer, and one thaw."""
    offered = said("handed_off", 4, org="SSS", to="TFL", how="sealed")
    return [
        said("label_printed", 1, line={"role": "new", "label": "Serum 1"}, org="SSS"),
        said("bound", 2, org="SSS", workup="W1"),
        said("drawn", 3, line={"ul": 10_000}, org="SSS", workup="W1"),
        offered,
        said("received", 5, line={"result": "ok"}, ref=offered.id, ref_at=offered.at_ms),
        said("spun", 6, g=1500, minutes=10),
        said("aliquoted", 7, line={"role": "from", "ul": 3_000}),
        said("put_away", 8, line={"unit": "B1", "row": 1, "col": 2}),
        said("thawed", 9),
    ]


def test_a_whole_life_ends_in_one_state():
    folded = fold.fold("T", life())
    state = folded.state
    assert folded.problems == ()
    assert (state.status, state.custodian, state.volume_ul, state.thaws) == ("stored", "TFL", 7_000, 1)
    assert (state.unit, state.row, state.col, state.workup, state.label) == ("B1", 1, 2, "W1", "Serum 1")


@given(st.permutations(life()))
def test_the_order_of_arrival_does_not_matter(shuffled):
    assert fold.fold("T", shuffled) == fold.fold("T", life())
    assert fold.stays("T", shuffled) == fold.stays("T", life())


def test_acts_of_one_and_the_same_minute_start_with_what_makes_the_tube():
    same = [
        said("spun", 1, g=1, minutes=1),
        said("drawn", 1, line={"ul": 1}),
        said("label_printed", 1, line={"role": "new"}),
    ]
    for _ in range(6):
        random.Random(1).shuffle(same)
        assert fold.fold("T", same).problems == ()


def test_an_answer_is_never_ordered_before_what_it_answers():
    """The receiver's clock runs an hour behind: the tube is received all the same."""
    acts = life()[:5]
    slow_clock = acts[4]._replace(at_ms=0)
    folded = fold.fold("T", [*acts[:4], slow_clock])
    assert folded.problems == ()
    assert folded.state.custodian == "TFL"


@pytest.mark.parametrize(
    ("more", "code"),
    [
        (said("drawn", 20, line={"ul": 1}), "drawn_twice"),
        (said("not_collected", 20, reason="x"), "already_drawn"),
        (said("label_printed", 20, line={"role": "new"}), "label_once"),
        (said("bound", 20, workup="W2"), "bound_once"),
        (said("aliquoted", 20, line={"role": "from", "ul": 7_001}), "volume_not_negative"),
        (said("aliquoted", 20, line={"role": "to", "ul": 1, "of": "P"}), "child_already_made"),
        (said("spun", 20, org="NLB", g=1, minutes=1), "not_the_custodian"),
        (said("handed_off", 20, org="NLB", to="TFL", how="hand"), "giver_was_custodian"),
        (said("received", 20, line={"result": "ok"}, ref="other"), "handoff_answered_once"),
        (said("received", 20, line={"result": "ok"}, ref="other", org="NLB"), "receiver_was_addressed"),
        (said("put_away", 20, line={"unit": "B2"}), "tube_already_stored"),
        (said("discrepancy_resolved", 20, code="x"), "nothing_to_resolve"),
        (said("spun", 2, g=1, minutes=1), "time_before_parent"),
        (said("spun", DAY, g=1, minutes=1), "time_in_future"),
    ],
)
def test_a_broken_invariant_becomes_a_finding_with_its_name(more, code):
    folded = fold.fold("T", [*life(), more])
    assert code in [problem.code for problem in folded.problems]
    assert all(problem.sentence.endswith(".") for problem in folded.problems)


def test_nothing_happens_after_discard():
    acts = [*life(), said("discarded", 20, why="expired"), said("thawed", 21)]
    folded = fold.fold("T", acts)
    assert [problem.code for problem in folded.problems] == ["nothing_after_discard"]
    assert (folded.state.status, folded.state.custodian, folded.state.unit) == ("discarded", None, None)


def test_a_missing_tube_stays_with_the_giver_in_dispute_until_it_comes():
    acts = life()[:4]
    lost = said("received", 5, line={"result": "missing"}, ref=acts[3].id, ref_at=acts[3].at_ms)
    state = fold.fold("T", [*acts, lost]).state
    assert (state.status, state.custodian, state.disputes) == ("in_transit", "SSS", 1)
    found = said("received", 9, line={"result": "ok"}, ref=acts[3].id, ref_at=acts[3].at_ms)
    state = fold.fold("T", [*acts, lost, found]).state
    assert (state.status, state.custodian, state.disputes) == ("held", "TFL", 0)


def test_a_tube_travels_in_its_cooler_and_gives_up_its_slot_in_a_box():
    acts = life()[:3]
    for place, unit in [({"unit": "C1"}, "C1"), ({"unit": "B1", "row": 1, "col": 1}, None)]:
        stored = said("put_away", 3, line=place, org="SSS", n=1)
        out = [*acts, stored, *life()[3:5]]
        assert fold.fold("T", out[:-1]).state.unit == unit
        assert fold.fold("T", out).state.unit is None
        assert [stay.end_ms for stay in fold.stays("T", out)] == [5 * 60_000 if unit else 4 * 60_000]


def test_a_refused_handoff_leaves_the_tube_with_the_giver():
    acts = life()[:4]
    no = said("refused", 5, ref=acts[3].id, ref_at=acts[3].at_ms, reason="warm")
    state = fold.fold("T", [*acts, no]).state
    assert (state.status, state.custodian, state.pending_to) == ("held", "SSS", None)


def test_a_void_takes_out_and_a_void_of_the_void_restores():
    acts = life()
    thaw = acts[-1]
    void = Amendment(100, "v1", thaw.id, "voided")
    restore = Amendment(101, "v2", "v1", "voided")
    assert fold.fold("T", fold.effective(acts, [void])).state.thaws == 0
    assert fold.fold("T", fold.effective(acts, [void, restore])).state.thaws == 1
    assert fold.fold("T", fold.effective(acts, [restore, void])).state.thaws == 1


def test_the_newest_live_correction_wins():
    acts = life()
    drawn = acts[2]
    first = Amendment(100, "c1", drawn.id, "corrected", {"lines": [{"n": 0, "ul": 8_000}]})
    second = Amendment(101, "c2", drawn.id, "corrected", {"lines": [{"n": 0, "ul": 9_000}]})
    void = Amendment(102, "v", "c2", "voided")
    volume = lambda *amendments: fold.fold("T", fold.effective(acts, amendments)).state.volume_ul  # noqa: E731
    assert (volume(first), volume(first, second), volume(first, second, void)) == (5_000, 6_000, 5_000)


def test_a_void_label_leaves_a_void_tube():
    label = life()[0]
    assert (
        fold.fold("T", fold.effective([label], [Amendment(9, "v", label.id, "voided")])).state.status
        == "void"
    )


def test_stays_say_where_the_tube_stood_from_when_to_when():
    acts = [
        *life(),
        said("moved", 20, line={"unit": "B2", "row": 3, "col": 3}),
        said("pulled", 30, why="request"),
    ]
    assert [(stay.unit, stay.start_ms, stay.end_ms) for stay in fold.stays("T", acts)] == [
        ("B1", 8 * 60_000, 20 * 60_000),
        ("B2", 20 * 60_000, 30 * 60_000),
    ]


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("override_asked", {"assay": "CORT", "rule": "HAEM", "rules": "HARBOUR version 1"}),
        ("override_answered", {"of": KEY, "granted": True}),
        ("deviation_noted", {"rule": "HAEM", "rules": "HARBOUR version 1", "severity": "stop"}),
        ("deviation_closed", {"of": KEY}),
    ],
)
def test_a_decision_changes_nothing_and_may_be_said_by_who_does_not_hold_the_tube(kind, data):
    before = fold.fold("T", life())
    after = fold.fold("T", [*life(), said(kind, 20, org="NLB", **data)])
    changed = {name for name, value in vars(after.state).items() if value != getattr(before.state, name)}
    assert after.problems == () and changed == {"last_ms", "seq"}
    discarded = [*life(), said("discarded", 19, why="expired"), said(kind, 20, org="NLB", **data)]
    assert fold.fold("T", discarded).problems == ()
