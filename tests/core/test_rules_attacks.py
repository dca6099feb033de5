"""Attacks on the verdict: a tube that is not known to be good must not come out as fit."""

import pytest

from custody.core.rules import Assay, Moment, evaluate, verdict
from tests.core.rule_makers import DRAW, HOUR, SST, answer, facts, phase, rule, spun

EDTA = Assay("SER", "Counts", frozenset({("BLD", "EDTK")}))
IN_TIME = rule(limit_s=7200)


# --- is the tube one that the assay takes ---------------------------------------------------------------


def test_a_tube_that_may_have_been_drawn_into_something_else_is_not_fit():
    """Drawn into heparin the assay would not take it; that nobody noted into what makes it no better."""
    known = spun(HOUR, matrix="BLD", additive="EDTK")
    assert verdict(known, EDTA, [IN_TIME]).word == "fit"
    found = verdict(spun(HOUR, matrix="BLD", additive=""), EDTA, [IN_TIME])
    assert found.word == "cannot_tell"
    assert found.deciding[0].missing == ("additive",)
    assert "additive" in found.sentence and "EDTK" not in found.sentence


def test_an_assay_that_takes_any_additive_does_not_ask_for_it():
    assert verdict(spun(HOUR, additive=""), SST, [IN_TIME]).word == "fit"


# --- was it thought about -------------------------------------------------------------------------------


@pytest.mark.parametrize("known", [{}, {"taxon": "bird"}])
def test_a_rule_that_only_may_be_about_the_tube_is_no_proof_that_somebody_thought_of_it(known):
    """Of mammals alone it speaks; of a bird, and of what may be one, nobody said anything."""
    mammals = rule(limit_s=7200, taxon="mammal")
    assert verdict(spun(HOUR, taxon="mammal"), SST, [mammals]).word == "fit"
    assert verdict(spun(HOUR, **known), SST, [mammals]).word == "cannot_tell"


def test_nor_when_what_it_says_is_overridden():
    late = verdict(spun(3 * HOUR), SST, [rule(limit_s=7200, taxon="mammal")])
    assert late.without({"r"}).word == "cannot_tell"


# --- times ----------------------------------------------------------------------------------------------


def test_an_act_that_is_said_to_happen_later_proves_nothing_now():
    """A clock that runs ahead: what is not over yet cannot have been in time."""
    now = DRAW + HOUR
    assert answer(IN_TIME, spun(HOUR + 600_000, asof_ms=now)) == "cannot_tell"
    assert answer(IN_TIME, spun(HOUR + 600_000, unc_s=600, asof_ms=now)) == "pass"
    assert answer(IN_TIME, spun(HOUR, asof_ms=now)) == "pass"


# --- thaws ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("known", [{"seen_thaws": 1}, {"unseen_ms": HOUR}])
def test_never_thawed_is_not_known_while_it_may_have_thawed(known):
    never = rule("never", to_act="thawed")
    assert answer(never, facts()) == "pass"
    found = evaluate(never, facts(**known))
    assert (found.answer, found.missing) == ("cannot_tell", ("readings",))
    thawed = {"thawed": Moment(DRAW, 0, "e")}
    assert answer(never, facts(acts=thawed, **known)) == "fail"


# --- facts that read alike and are not ------------------------------------------------------------------


def facts_of(one, *known):
    return {evaluate(one, each).fact for each in known}


def test_what_is_not_known_for_different_reasons_does_not_read_alike():
    """An override holds while the fact reads as it did, so two different doubts must not read alike."""
    nothing, reversed_ = facts(), spun(-HOUR)
    assert len(facts_of(IN_TIME, nothing, reversed_)) == 2
    spin = rule("spin", min_g=1000, min_minutes=10)
    assert len(facts_of(spin, facts(), spun(HOUR))) == 2
    warm = rule("temperature", phase="any", side="above", limit_centi=800, allowed_s=0)
    hot = facts(phases=(phase(above={800: 2 * HOUR}),))
    assert len(facts_of(warm, facts(), hot)) == 2


def test_more_time_that_nobody_measured_does_not_read_as_less():
    drawn = {"drawn": Moment(DRAW)}
    cold = rule("temperature", phase="frozen", side="above", limit_centi=800, allowed_s=3600)
    less = facts(acts=drawn, phases=(phase(hours=200, above={800: 0}, no_data=3 * HOUR),))
    more = facts(acts=drawn, phases=(phase(hours=200, above={800: 0}, no_data=190 * HOUR),))
    assert len(facts_of(cold, less, more)) == 2
    most = rule("thaws", max_thaws=1)
    assert len(facts_of(most, facts(unseen_ms=3 * HOUR), facts(unseen_ms=190 * HOUR))) == 2


def test_a_discrepancy_that_took_the_place_of_another_does_not_rest_on_the_same_events():
    custody = rule("custody")
    one = evaluate(custody, facts(disputes=1, dispute_events=("e-1",)))
    other = evaluate(custody, facts(disputes=1, dispute_events=("e-2",)))
    assert (one.events, other.events) == (("e-1",), ("e-2",))


def test_a_measured_grade_names_the_event_that_measured_it():
    asked = rule("grade", grade_name="haemolysis", max_grade=1, max_cmgdl=100)
    known = facts(
        grades={"haemolysis": 0}, grade_events={"haemolysis": "e-eye"},
        indices={"haemolysis": 99}, index_events={"haemolysis": "e-measured"},
    )  # fmt: skip
    assert evaluate(asked, known).events == ("e-measured",)
