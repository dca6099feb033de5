"""The rules against a second evaluator that tries every world (slow_rules.py), and against true worlds."""

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from custody.core.rules import NEEDS, WORDS, Assay, Facts, Moment, Rule, due, evaluate, verdict
from tests.core import slow_rules
from tests.core.rule_worlds import ASOF, CENTI, EDGES, KNOWN, START, S, assays, bands, few, rules, stay, tubes

ANSWERS = ("fail", "cannot_tell", "pass")


def said(rule, facts):
    found = evaluate(rule, facts)
    return found and found.answer


def test_the_second_evaluator_knows_every_kind():
    assert set(slow_rules.KINDS) == set(NEEDS)


@pytest.mark.parametrize("kind", list(NEEDS))
@given(data=st.data())
def test_each_kind_answers_as_all_worlds_together_do(kind, data):
    rule, facts = data.draw(rules([kind], bare=True)), data.draw(tubes())
    expected = slow_rules.answered(rule, facts)
    event(f"{kind} {expected}")
    assert said(rule, facts) == expected


@given(rules(), tubes())
def test_with_conditions_too(rule, facts):
    assert said(rule, facts) == slow_rules.answered(rule, facts)


@given(assays, st.lists(rules(), max_size=5), tubes())
def test_the_verdict_is_that_of_the_second_evaluator(assay, some, facts):
    assert verdict(facts, assay, some).word == slow_rules.worded(facts, assay, some)


@given(assays, st.lists(rules(), max_size=5), tubes(), st.data())
def test_without_some_rules_it_is_the_verdict_of_the_others_and_of_that_they_were_asked(
    assay, some, facts, data
):
    """An overridden rule passes: as one that asks for nothing of the tube."""
    some = [replace(one, code=f"r{k}") for k, one in enumerate(some)]
    codes = data.draw(st.sets(st.sampled_from([one.code for one in some]))) if some else set()
    before = verdict(facts, assay, some)
    after = before.without(codes)
    kept = {one.rule.code for one in before.findings}
    nothing = {"kind": "thaws", "max_thaws": 99, "from_act": "", "to_act": "", "phase": ""}
    asked = [replace(one, **nothing) if one.code in codes and one.code in kept else one for one in some]
    assert after.word == slow_rules.worded(facts, assay, asked)
    assert after.findings == before.findings and after.waived == codes
    assert WORDS.index(after.word) >= WORDS.index(before.word)


@given(assays, st.lists(rules(), max_size=4), rules(), tubes())
def test_one_more_stop_rule_never_makes_a_tube_fitter_unless_it_is_the_first_that_names_the_assay(
    assay, some, more, facts
):
    more = replace(more, severity="stop", assay="")
    before, after = verdict(facts, assay, some), verdict(facts, assay, [*some, more])
    assert WORDS.index(after.word) <= WORDS.index(before.word)
    named = verdict(facts, assay, [*some, replace(more, assay=assay.code)])
    if said(more, facts) == "fail":
        assert named.word == "not_fit"


@given(rules(), tubes(), st.integers(1, 3), st.data())
def test_less_exact_times_never_turn_cannot_tell_into_an_answer(rule, facts, more, data):
    act = data.draw(st.sampled_from(sorted(facts.acts)))
    less = facts.acts | {act: replace(facts.acts[act], unc_s=facts.acts[act].unc_s + more)}
    before, after = said(rule, facts), said(rule, replace(facts, acts=less))
    assert after in (before, "cannot_tell")


# --- one true world: second by second ----------------------------------------------------------------------

seconds = st.lists(st.tuples(CENTI, KNOWN), min_size=1, max_size=8)
LONGEST = 3
cuts = st.none() | st.integers(0, 8)


@st.composite
def histories(draw):
    """A tube second by second as it truly was, three more on either side, and how far its ends are off."""
    inside = draw(seconds)
    outside = [[(centi, "nothing") for centi in draw(st.lists(CENTI, min_size=3, max_size=3))] for _ in "ab"]
    unc = draw(st.integers(0, 2)), draw(st.integers(0, 2))
    slips = tuple(draw(st.integers(-one, one)) for one in unc)
    return inside, outside, unc, slips


def of(inside, unc, stands=None):
    """The facts, between draw and spin, in one stay or with some seconds in no place."""
    spelled = [(1, centi, known) for centi, known in inside]
    acts = {"drawn": Moment(START, unc[0], "d"), "spun": Moment(START + len(inside) * S, unc[1], "s")}
    made = tubes_of(acts, (stay("cold", 0, spelled),))
    if stands is not None:
        made = replace(made, between={("drawn", "spun"): (stay("cold", 0, spelled[:stands]),)})
    return made


def tubes_of(acts, some):
    return Facts("T", ASOF, "SER", "SST", "", acts, between={("drawn", "spun"): some})


def truly(inside, outside, slips):
    """The temperatures of every second between the true draw and the true spin."""
    whole = [*outside[0], *inside, *outside[1]]
    return [centi for centi, _ in whole[LONGEST + slips[0] : LONGEST + len(inside) + slips[1]]]


def rule_of(kind, **said):
    return Rule("r", kind, "stop", "human", "a test", "A", from_act="drawn", to_act="spun", **said)


def agrees(rule, facts, truth):
    assert said(rule, facts) in ("pass" if truth else "fail", "cannot_tell")


@given(histories(), st.sampled_from(["above", "below"]), st.sampled_from(EDGES), few, cuts)
def test_time_at_a_temperature_agrees_with_every_history(history, side, edge, allowed, cut):
    inside, outside, unc, slips = history
    bad = sum(one > edge if side == "above" else one < edge for one in truly(inside, outside, slips))
    asked = rule_of("temperature", phase="between", side=side, limit_centi=edge, allowed_s=allowed)
    agrees(asked, of(inside, unc, cut), bad <= allowed)


@given(histories(), bands(), st.none() | st.sampled_from(EDGES), cuts)
def test_a_budget_agrees_with_every_history(history, some, forbidden, cut):
    if forbidden is None and all(s is None for _, s in some):
        return
    inside, outside, unc, slips = history
    lived = truly(inside, outside, slips)
    edges = [edge for edge, _ in some[:-1]]
    bears = [some[sum(one > edge for edge in edges)][1] for one in lived]
    used = sum(Fraction(1, s) for s in bears if s)
    warm = forbidden is not None and any(one > forbidden for one in lived)
    agrees(
        rule_of("budget", bands=some, forbidden_centi=forbidden), of(inside, unc, cut), used <= 1 and not warm
    )


@given(histories(), bands(), st.sampled_from(EDGES), few, st.data())
def test_readings_taken_away_leave_the_answer_or_make_it_cannot_tell(history, some, edge, allowed, data):
    inside, _, unc, _ = history
    gone = data.draw(
        st.sets(st.sampled_from([k for k, (_, known) in enumerate(inside) if known == "measured"]))
        if any(known == "measured" for _, known in inside)
        else st.just(set())
    )
    fewer = [(c, "nothing" if k in gone else known) for k, (c, known) in enumerate(inside)]
    asked = [
        rule_of("temperature", phase="between", side="above", limit_centi=edge, allowed_s=allowed),
        rule_of("budget", bands=some, forbidden_centi=edge),
    ]
    for rule in asked:
        before, after = said(rule, of(inside, unc)), said(rule, of(fewer, unc))
        assert after in (before, "cannot_tell")


@given(histories(), bands(), st.integers(0, 7), st.sampled_from(EDGES))
def test_a_warmer_second_never_helps_where_warmth_uses_more(history, some, at, edge):
    inside, _, unc, _ = history
    bears = sorted((s for _, s in some if s), reverse=True)
    rising = tuple((e, s) for (e, _), s in zip(some, [None] * (len(some) - len(bears)) + bears, strict=True))
    rule = rule_of("budget", bands=rising, forbidden_centi=edge)
    at = min(at, len(inside) - 1)
    warmer = [(2501, known) if k == at else (c, known) for k, (c, known) in enumerate(inside)]
    before, after = said(rule, of(inside, unc)), said(rule, of(warmer, unc))
    assert ANSWERS.index(after) <= ANSWERS.index(before)


# --- what a finding says besides --------------------------------------------------------------------------


@given(rules(), tubes())
def test_what_cannot_be_told_says_what_is_missing_and_answers_miss_nothing(rule, facts):
    found = evaluate(rule, facts)
    if found is None:
        return
    assert bool(found.missing) == (found.answer == "cannot_tell")
    assert len(set(found.missing)) == len(found.missing)
    assert found.sentence.strip() == found.sentence and found.sentence.endswith(".")
    assert found.sources == ("a test",)


@given(rules(["interval"]), tubes())
def test_a_finding_is_open_until_the_moment_that_the_countdown_names(rule, facts):
    found = evaluate(rule, facts)
    waits = due(facts, [rule], facts.asof_ms)
    named = [found.by_ms] if found is not None and found.by_ms is not None else []
    assert named == [one.by_ms for one in waits]


@given(rules(["budget"], bare=True), tubes(), st.data())
def test_what_is_left_of_a_budget_lasts_for_sure_to_its_moment_and_not_for_sure_beyond(rule, facts, data):
    """Whatever happens from now on to a tube in no known place."""
    if all(s is None for _, s in rule.bands):
        return
    rule = replace(rule, to_act="now", forbidden_centi=None)
    found = evaluate(rule, replace(facts, acts=facts.acts | {rule.from_act: Moment(START)}))
    if found.by_ms is None:
        return
    assert found.answer == "pass"
    later = replace(facts, acts=facts.acts | {rule.from_act: Moment(START)}, asof_ms=found.by_ms)
    if all(one.end_ms is not None for one in facts.between.get((rule.from_act, "now"), ())):
        assert said(rule, later) == "pass"
        assert said(rule, replace(later, asof_ms=found.by_ms + 1)) == "cannot_tell"


def test_a_family_asked_itself_has_its_own_rules_alone():
    family = Assay("FAMILY")
    some = [
        Rule("one", "volume", "stop", "human", "a test", "FAMILY", min_ul=1),
        Rule("two", "volume", "stop", "human", "a test", "A", min_ul=1),
    ]
    facts = tubes_of({}, ())
    assert [one.rule.code for one in verdict(facts, family, some).findings] == ["one"]
    assert [one.rule.code for one in verdict(facts, Assay("A", family="FAMILY"), some).findings] == [
        "one",
        "two",
    ]
