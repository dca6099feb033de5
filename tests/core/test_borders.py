"""The exact borders of each step and each check: what a machine of random acts meets too seldom to rely on.

Most of these were written because a fault that was put in on purpose (tests/attack/faults.py) went unnoticed.
"""

from __future__ import annotations

import pytest

from custody.core import canon, fold, kinds, tree
from custody.core.event import Act
from custody.core.fold import Amendment
from custody.core.refusal import Refused
from tests.core.test_fold import life, said

MINUTE = 60_000


def state(*acts):
    return fold.fold("T", acts).state


def codes(*acts):
    return [problem.code for problem in fold.fold("T", acts).problems]


def answer(kind, at, asked, org, result=None):
    return said(
        kind, at, line={"result": result} if result else {}, ref=asked.id, ref_at=asked.at_ms, org=org,
        **({"reason": "x"} if kind != "received" else {}),
    )  # fmt: skip


HELD = life()[:3]  # drawn by SSS
FIRST = said("handed_off", 4, org="SSS", to="TFL", how="hand")
BACK = said("withdrawn", 5, org="SSS", ref=FIRST.id, ref_at=FIRST.at_ms, reason="x")
SECOND = said("handed_off", 6, org="SSS", to="TFL", how="hand")


# --- handoffs ----------------------------------------------------------------------------------------------


def test_an_answer_to_an_older_handoff_does_not_answer_the_one_under_way():
    sent = [*HELD, FIRST, BACK, SECOND]
    late = answer("received", 7, FIRST, "TFL", "ok")
    assert (state(*sent, late).status, state(*sent, late).custodian) == ("in_transit", "SSS")
    assert codes(*sent, late) == ["receiver_was_addressed"]
    for kind, org in [("refused", "TFL"), ("withdrawn", "SSS")]:
        old = answer(kind, 7, FIRST, org)
        assert state(*sent, old).status == "in_transit"
        assert codes(*sent, old) == ["handoff_answered_once"]


@pytest.mark.parametrize(
    ("kind", "org", "code"),
    [
        ("refused", "SSS", "receiver_was_addressed"),
        ("refused", "NLB", "receiver_was_addressed"),
        ("withdrawn", "TFL", "giver_was_custodian"),
        ("withdrawn", "NLB", "giver_was_custodian"),
    ],
)
def test_the_receiver_refuses_and_the_giver_withdraws_and_nobody_else(kind, org, code):
    acts = [*HELD, FIRST, answer(kind, 5, FIRST, org)]
    assert codes(*acts) == [code]
    assert (state(*acts).status, state(*acts).pending_to) == ("in_transit", "TFL")


@pytest.mark.parametrize(("kind", "org"), [("refused", "TFL"), ("withdrawn", "SSS")])
def test_a_tube_that_comes_back_is_stored_in_its_cooler_or_in_hand(kind, org):
    cooler = said("put_away", 3, line={"unit": "C1"}, org="SSS", n=1)
    back = answer(kind, 5, FIRST, org)
    assert (state(*HELD, cooler, FIRST, back).status, state(*HELD, cooler, FIRST, back).unit) == (
        "stored",
        "C1",
    )
    assert state(*HELD, FIRST, back).status == "held"


@pytest.mark.parametrize(
    ("result", "custodian", "disputes"),
    [
        ("ok", "TFL", 0), ("damaged", "TFL", 1), ("warm", "TFL", 1), ("missing", "SSS", 1),
        ("unreadable", "SSS", 1), ("extra", "SSS", 1),
    ],
)  # fmt: skip
def test_what_each_answer_does_to_custody_and_to_discrepancies(result, custodian, disputes):
    after = state(*HELD, FIRST, answer("received", 5, FIRST, "TFL", result))
    assert (after.custodian, after.disputes) == (custodian, disputes)


@pytest.mark.parametrize("result", ["ok", "missing"])
def test_nobody_receives_what_was_sent_to_another(result):
    acts = [*HELD, FIRST, answer("received", 5, FIRST, "NLB", result)]
    assert codes(*acts) == ["receiver_was_addressed"]
    assert (state(*acts).status, state(*acts).custodian, state(*acts).disputes) == ("in_transit", "SSS", 0)


def test_an_extra_tube_is_a_discrepancy_and_passes_to_nobody():
    after = state(*HELD, answer("received", 5, FIRST, "TFL", "extra"))
    assert (after.status, after.custodian, after.disputes) == ("held", "SSS", 1)


def test_a_tube_on_its_way_is_put_nowhere():
    for kind in ["put_away", "moved"]:
        acts = [*HELD, FIRST, said(kind, 5, line={"unit": "B1", "row": 1, "col": 1}, org="SSS")]
        assert codes(*acts) == ["not_the_custodian"]
        assert state(*acts).unit is None


def test_a_tube_on_its_way_is_not_handed_off_again():
    assert codes(*HELD, FIRST, SECOND) == ["handed_off_twice"]
    assert state(*HELD, FIRST, SECOND).pending_ref == FIRST.id


def test_an_answer_of_the_same_moment_comes_after_what_it_answers_whatever_its_id():
    for n in range(12):  # ids are hashes, so some of these would sort before
        sent = said("handed_off", 4, org="SSS", to="TFL", how="hand", n=n)
        got = said("received", 4, line={"result": "ok"}, ref=sent.id, ref_at=sent.at_ms, n=n)
        assert codes(*HELD, got, sent) == []


def test_what_makes_a_tube_comes_first_among_acts_of_one_moment_whatever_its_id():
    for n in range(12):
        one = [
            said("thawed", 1, org="SSS", n=n),
            said("spun", 1, org="SSS", n=n, g=1, minutes=1),
            said("drawn", 1, line={"ul": 1}, org="SSS", n=n),
            said("bound", 1, org="SSS", n=n, workup="W1"),
            said("label_printed", 1, line={"role": "new"}, org="SSS", n=n),
        ]
        assert codes(*one) == []


def test_an_answer_follows_a_handoff_whose_time_was_corrected():
    got = answer("received", 5, FIRST, "TFL", "ok")
    later = Amendment(100, "c", FIRST.id, "corrected", {"at": 9 * MINUTE})
    told = fold.effective([*HELD, FIRST, got], [later])
    assert fold.fold("T", told).problems == ()
    assert fold.fold("T", told).state.custodian == "TFL"


# --- places ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "good"),
    [
        ({"row": 1, "col": 1}, True), ({}, True), ({"row": 0, "col": 1}, False),
        ({"row": 1, "col": 0}, False), ({"row": 1}, False), ({"col": 1}, False),
    ],
)  # fmt: skip
def test_a_slot_is_a_row_and_a_column_from_one_or_neither(place, good):
    acts = [*HELD, said("put_away", 5, line={"unit": "B1", **place}, org="SSS")]
    assert codes(*acts) == ([] if good else ["slot_unknown"])
    assert (state(*acts).unit == "B1") == good


def test_what_is_in_no_unit_cannot_be_pulled():
    assert codes(*HELD, said("pulled", 5, org="SSS", why="x")) == ["not_stored"]


def test_a_pulled_tube_has_no_unit_row_or_column_left():
    after = state(*life(), said("pulled", 20, why="x"))
    assert (after.status, after.unit, after.row, after.col) == ("held", None, None, None)


def test_a_stay_ends_when_its_answer_counts_not_when_a_slow_clock_said():
    cooler = said("put_away", 3, line={"unit": "C1"}, org="SSS", n=1)
    slow = answer("received", 5, FIRST, "TFL", "ok")._replace(at_ms=MINUTE)
    (stay,) = fold.stays("T", [*HELD, cooler, FIRST, slow])
    assert (stay.unit, stay.start_ms, stay.end_ms) == ("C1", 3 * MINUTE, 4 * MINUTE)


@pytest.mark.parametrize(
    ("result", "seen"), [("seen", 30 * MINUTE), ("not_seen", 8 * MINUTE), ("foreign", 8 * MINUTE)]
)
def test_a_count_says_when_it_was_seen_only_when_it_was(result, seen):
    assert state(*life(), said("counted", 30, line={"result": result}, unit="B1")).seen_ms == seen


def test_three_in_one_slot_contest_it_and_two_do_and_one_does_not():
    from custody.core.state import TubeState

    tubes = {name: TubeState(name, unit="B1", row=1, col=1) for name in "ABC"}
    for many in (1, 2, 3):
        some = dict(list(tubes.items())[:many])
        assert fold.contested(some) == (set(some) if many > 1 else set())


def test_a_unit_is_inside_itself_over_any_number_of_steps():
    parents = {"A": "B", "B": "C", "C": "A", "D": "A", "E": None}
    assert [name for name in parents if fold.inside_itself(parents.get, name)] == ["A", "B", "C", "D"]
    assert not fold.inside_itself({"A": "B"}.get, "A")


# --- content, marks, counts --------------------------------------------------------------------------------


def test_the_last_microlitre_can_be_taken_and_not_one_more():
    for ul, left, wrong in [(10_000, 0, []), (10_001, 0, ["volume_not_negative"]), (9_999, 1, [])]:
        acts = [*HELD, said("aliquoted", 5, line={"role": "from", "ul": ul}, org="SSS")]
        assert (state(*acts).volume_ul, codes(*acts)) == (left, wrong)


def test_a_tube_noted_as_not_collected_is_neither_drawn_nor_handled():
    none = [*life()[:2], said("not_collected", 3, org="SSS", reason="hurry")]
    assert codes(*none, said("drawn", 4, line={"ul": 1}, org="SSS")) == ["not_collected"]
    assert codes(*none, said("thawed", 4, org="SSS")) == ["not_collected"]
    assert codes(*none, said("not_collected", 4, org="SSS", reason="hurry")) == []
    assert state(*none, said("thawed", 4, org="SSS")).thaws == 0


def test_copies_thaws_and_discrepancies_are_counted_one_by_one():
    label = life()[0]
    copies = [said("label_printed", at, line={"role": "copy"}, org="SSS") for at in (2, 3, 4)]
    assert state(label, *copies).copies == 3
    assert state(*life(), said("thawed", 20), said("thawed", 21)).thaws == 3
    noted = [said("discrepancy_noted", at, code="x") for at in (20, 21, 22)]
    assert state(*life(), *noted).disputes == 3
    assert state(*life(), *noted, said("discrepancy_resolved", 30, code="x")).disputes == 2


def test_a_reserve_is_kept_until_it_is_released():
    kept = said("reserved", 20)
    assert state(*life(), kept).reserved
    assert not state(*life(), kept, said("released", 21)).reserved


def test_a_state_knows_when_the_last_act_happened_and_the_newest_number_in_it():
    late = said("thawed", 7, n=3)._replace(seq=500)
    assert state(*life(), late).last_ms == 9 * MINUTE  # what was told last is not what happened last
    assert state(*life(), late).seq == 500
    assert state(*life()).seq == max(one.seq for one in life())


def test_void_labels_carry_nothing_and_can_be_printed_again():
    label = life()[0]
    void = [Amendment(90, "v", label.id, "voided")]
    draw = said("drawn", 5, line={"ul": 1}, org="SSS")
    assert [one.code for one in fold.fold("T", fold.effective([label, draw], void)).problems] == ["tube_void"]
    child = said("aliquoted", 5, line={"role": "to", "ul": 1, "of": "P"})
    assert [one.code for one in fold.fold("T", fold.effective([label, child], void)).problems] == [
        "tube_void"
    ]
    again = said("label_printed", 4, line={"role": "new"}, org="SSS")
    told = fold.fold("T", fold.effective([label, again, draw], void))
    assert (told.state.status, told.problems) == ("held", ())


def test_a_correction_of_another_line_leaves_this_one():
    other = Amendment(100, "c", HELD[2].id, "corrected", {"lines": [{"n": 1, "ul": 7}]})
    assert fold.fold("T", fold.effective(HELD, [other])).state.volume_ul == 10_000


@pytest.mark.parametrize(("ahead", "wrong"), [(fold.FUTURE_MS, []), (fold.FUTURE_MS + 1, ["time_in_future"])])
def test_five_minutes_ahead_are_let_pass_and_not_a_millisecond_more(ahead, wrong):
    assert fold.FUTURE_MS == 5 * MINUTE
    thaw = said("thawed", 20)
    assert codes(*life(), thaw._replace(recorded_ms=thaw.at_ms - ahead)) == wrong


# --- what an act must say ----------------------------------------------------------------------------------


def act(kind, lines, **data):
    return Act(kind=kind, at_ms=1, by="p", org="SSS", data=data, lines=lines)


T = {"t": "T", "role": "subj"}
MALFORMED = {
    "an unknown field": (act("thawed", [T], colour="red"), "data_malformed"),
    "an unknown field of a line": (act("thawed", [T | {"colour": "red"}]), "line_malformed"),
    "a field too few": (act("spun", [T], g=1), "data_malformed"),
    "a truth for a number": (act("spun", [T], g=True, minutes=1), "data_malformed"),
    "a truth for any number": (act("received", [T | {"result": "ok"}], centi_c=True), "data_malformed"),
    "below nothing": (act("spun", [T], g=-1, minutes=1), "data_malformed"),
    "an empty text": (act("pulled", [T], why=""), "data_malformed"),
    "no tube": (act("thawed", []), "line_malformed"),
    "a role of another kind": (act("thawed", [T | {"role": "new"}]), "line_malformed"),
    "the same tube twice": (act("thawed", [T, T]), "line_twice"),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_an_act_that_lacks_or_invents_something_is_refused(name):
    wrong, code = MALFORMED[name]
    with pytest.raises(Refused) as no:
        kinds.check(wrong)
    assert no.value.code == code


def test_what_lies_just_inside_is_an_act():
    kinds.check(act("spun", [T], g=0, minutes=0))
    kinds.check(act("received", [T | {"result": "ok"}], centi_c=-7_850))
    kinds.check(act("thawed", [T, {"t": "T2", "role": "subj"}]))


def test_the_same_tube_is_both_parent_and_child_in_no_act():
    """By its role it is named twice, and the fold says what is wrong: it holds something already."""
    both = act(
        "aliquoted", [{"t": "T", "role": "from", "ul": 1}, {"t": "T", "role": "to", "of": "T", "ul": 1}]
    )
    kinds.check(both)
    made = said("aliquoted", 5, line={"role": "to", "ul": 1, "of": "T"}, n=1)
    assert codes(*HELD, made) == ["child_already_made"]


def aliquot(taken, given, **data):
    return act(
        "aliquoted",
        [{"t": "P", "role": "from", "ul": taken}, {"t": "C", "role": "to", "of": "P", "ul": given}],
        **data,
    )


GRADE = {"t": "T", "role": "subj"}
WHOLE = {
    "as much out as in": (aliquot(500, 500), []),
    "a microlitre more": (aliquot(500, 501), ["aliquot_balances"]),
    "with what was lost": (aliquot(500, 499, loss_ul=1), []),
    "too much lost": (aliquot(500, 499, loss_ul=2), ["aliquot_balances"]),
    "sealed": (act("handed_off", [T], to="TFL", how="sealed"), []),
    "a way that is none": (act("handed_off", [T], to="TFL", how="post"), ["data_malformed"]),
    "a result": (act("received", [T | {"result": "warm"}]), []),
    "a result that is none": (act("received", [T | {"result": "lost"}]), ["line_malformed"]),
    "a result of a count for a receipt": (act("received", [T | {"result": "seen"}]), ["line_malformed"]),
    "the highest grade": (act("graded", [GRADE | {"icterus": 4}]), []),
    "a grade too high": (act("graded", [GRADE | {"haemolysis": 5}]), ["grade_out_of_range"]),
    "a reason": (act("voided", [], of="x", reason="did_not_occur"), []),
    "a reason that is none": (act("voided", [], of="x", reason="because"), ["data_malformed"]),
}


@pytest.mark.parametrize("name", WHOLE)
def test_what_must_hold_across_the_lines_of_one_act(name):
    said_, wrong = WHOLE[name]
    assert [code for code, _ in kinds.whole(said_)] == wrong


# --- what is hashed ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["", "A", "1a", "_a", "a b", "a-b", "aB", "a\n", "a.b", "é"])
def test_a_name_of_a_field_is_lower_case_letters_digits_and_underscores_to_its_end(name):
    with pytest.raises(Refused) as no:
        canon.text({name: 1})
    assert no.value.code == "canon_key"


def test_values_are_nested_six_deep_and_not_seven():
    value = 1
    for _ in range(6):
        value = [value]
    assert canon.text(value) == "[[[[[[1]]]]]]"
    with pytest.raises(Refused) as no:
        canon.text([value])
    assert no.value.code == "canon_depth"


@pytest.mark.parametrize("text", ["1 1", "{} ", " {}", "", "{", "[1,]"])
def test_a_text_that_is_not_one_value_is_not_read(text):
    with pytest.raises(ValueError):
        canon.read(text)


def test_an_entry_is_these_four_lines_and_each_of_them_counts():
    """The format of DEVELOPERS.md, written out; the digest of nothing is the published one (FIPS 180-4)."""
    empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert tree.entry(7, "labtech", "", "live") == f"7\nlabtech\n{empty}\nlive".encode()


@pytest.mark.parametrize(("login", "via"), [("a\nb", "live"), ("a", "li\nve")])
def test_a_line_end_cannot_come_into_an_entry(login, via):
    with pytest.raises(ValueError, match="single lines"):
        tree.entry(7, login, "", via)


def test_two_equal_lines_of_one_event_look_different_to_whoever_has_no_salt():
    assert tree.line_hash(bytes(16), 0, "x") != tree.line_hash(bytes(16), 1, "x")
    assert tree.line_salt(bytes(16), 0) != tree.line_salt(b"\x01" + bytes(15), 0)
