"""life: every clause of its docstring by hand, and what a missing reading may never do.

The last tests take readings away and hold what was said before against what is said after: an unmeasured
hour never counts as good, in the sums and in the answer of a rule. No outside source: it is our own promise.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from custody.core.budget import Bands
from custody.core.facts import Facts, Moment
from custody.core.kleene import ANSWERS
from custody.core.life import Phase, life, lives
from custody.core.rule import Rule
from custody.core.rules import evaluate
from custody.core.spec import Spec
from custody.core.thermal import Series, Stretch, join, summary

GAP = 3000
SPEC = Spec((800,), thaw=(-500, 0), bands=Bands((800,), (math.inf, 10_000)))
WARM = Series([0, 2000, 4000, 6000], [0, 900, 900, 0], GAP)


def test_an_excursion_over_a_border_counts_whole_in_the_life_and_cut_in_each_phase():
    """Above 800 from 1777.8 to 4222.2; the border is at 3000."""
    found = life(
        [Phase("cold", [Stretch(0, 3000, WARM)]), Phase("ambient", [Stretch(3000, 6000, WARM)])], SPEC
    )
    first, second = found.phases
    assert (first.name, first.start_ms, first.end_ms) == ("cold", 0, 3000)
    assert (found.whole.name, found.whole.start_ms, found.whole.end_ms) == ("life", 0, 6000)
    assert (first.longest_above[800], second.longest_above[800]) == (1222, 1222)
    assert (first.longest_above_open[800], second.longest_above_open[800]) == (
        True,
        True,
    )  # cut by the border
    assert found.whole.longest_above == {800: 2444} and found.whole.longest_above_open == {800: False}
    assert [one.excursions_above[800] for one in (first, second, found.whole)] == [1, 1, 1]
    assert found.whole.stability_used == pytest.approx(first.stability_used + second.stability_used)


def test_the_state_goes_from_phase_to_phase_and_a_thaw_counts_where_it_happened():
    frozen, warm = Series([0, 1000], [-8000, -8000], GAP), Series([1000, 3000], [400, 400], GAP)
    plan = [
        Phase("ambient", [Stretch(-1000, 0, None, 2000)]),
        Phase("frozen", [Stretch(0, 1000, frozen)]),
        Phase("cold", [Stretch(1000, 2000, warm)]),
        Phase("cold", [Stretch(2000, 3000, warm)]),
    ]
    found = life(plan, SPEC)
    assert [one.thaws for one in found.phases] == [0, 0, 1, 0] and found.whole.thaws == 1
    assert [one.frozen_after for one in found.phases] == [False, True, False, False]
    assert not found.whole.thaws_unsure and not found.whole.frozen_after


def test_a_phase_after_unknown_time_is_unsure_until_the_state_was_seen_again():
    cold = Series([0, 1000, 9000, 10_000, 11_000], [-8000] * 5, GAP)
    plan = [
        Phase(str(k), [Stretch(a, b, cold)])
        for k, (a, b) in enumerate([(0, 9000), (9000, 10_000), (10_000, 11_000)])
    ]
    found = life(plan, SPEC)
    assert [one.thaws_unsure for one in found.phases] == [True, True, False]
    seen = life([Phase("0", [Stretch(0, 9500, cold)]), Phase("1", [Stretch(9500, 11_000, cold)])], SPEC)
    assert [one.thaws_unsure for one in seen.phases] == [True, False] and seen.whole.thaws_unsure
    ends = life([Phase("0", [Stretch(0, 1000, cold)]), Phase("1", [Stretch(1000, 2000, None, -8000)])], SPEC)
    assert not ends.whole.thaws_unsure


def test_time_between_two_phases_is_no_data_of_the_life_alone():
    plan = [Phase("a", [Stretch(0, 3000, WARM)]), Phase("b", [Stretch(3500, 6000, WARM)])]
    found = life(plan, SPEC)
    assert [one.no_data_ms for one in found.phases] == [0, 0] and found.whole.no_data_ms == 500
    assert found.whole.excursions_above == {800: 2} and found.whole.longest_above_open == {800: True}
    assert found.whole.thaws_unsure
    worst = life(plan, Spec((800,), gaps="worst"))
    assert worst.whole.excursions_above == {800: 1} and worst.whole.longest_above == {800: 2444}


def test_a_life_has_phases_and_they_are_in_order():
    with pytest.raises(ValueError, match="at least one phase"):
        life([], SPEC)
    with pytest.raises(ValueError, match="at least one stretch"):
        life([Phase("a", [])], SPEC)
    with pytest.raises(ValueError, match="order"):
        life([Phase("a", [Stretch(5, 9)]), Phase("b", [Stretch(8, 12)])], SPEC)


@pytest.mark.parametrize("how", ["exclude", "worst", "nominal"])
def test_many_lives_load_each_logger_once_and_say_what_each_life_says_alone(how):
    rng = np.random.default_rng(3)
    times = np.cumsum(rng.integers(500, 4000, (3, 80)), axis=1)
    known = {k: Series(times[k], rng.integers(-1500, 1500, 80), GAP) for k in range(3)}
    spec = Spec((0, 800), inclusive=True, thaw=(-500, 0), bands=Bands((800,), (1e6, 1e4)), gaps=how)
    plans, alone, loads = {}, {}, []
    for tube in range(20):
        cuts = np.sort(rng.integers(-2000, 200_000, 7)).tolist()
        who = rng.integers(-1, 3, 6).tolist()  # -1: no logger
        named, held = [], []
        for (a, b), k in zip(pairwise(cuts), who, strict=True):
            named.append(Stretch(a, b, None, 400, k if k >= 0 else None))
            held.append(Stretch(a, b, known.get(k), 400))
        plans[tube] = [Phase("x", named[:3]), Phase("y", named[3:])]
        alone[tube] = life([Phase("x", held[:3]), Phase("y", held[3:])], spec)

    def load(spans):
        for logger in spans:
            loads.append(logger)
            yield logger, known[logger]

    assert lives(plans, spec, load) == alone
    assert sorted(loads) == [0, 1, 2]


def test_a_logger_of_which_nothing_was_loaded_leaves_no_data():
    plan = {"t": [Phase("x", [Stretch(0, 1000, None, -8000, 7)])]}
    found = lives(plan, SPEC, lambda spans: [])["t"].whole
    assert (found.no_data_ms, found.assumed_ms, found.above, found.thaws) == (1000, 0, {}, None)
    assert lives(plan, Spec(gaps="nominal"), lambda spans: [])["t"].whole.assumed_ms == 1000


# --- an unmeasured hour never counts as good ------------------------------------------------------


@st.composite
def with_a_hole(draw):
    """A series, and the same without some readings, so that a gap stands there."""
    n = draw(st.integers(2, 16))
    steps = draw(st.lists(st.integers(1, 4000), min_size=n - 1, max_size=n - 1))
    times = np.cumsum([1_700_000_000_000, *steps])
    value = st.one_of(st.sampled_from([-500, 0, 800]), st.integers(-2000, 1500))
    centi = np.array(draw(st.lists(value, min_size=n, max_size=n)))
    i, j = sorted([draw(st.integers(0, n)), draw(st.integers(0, n))])
    keep = np.r_[0:i, j:n]
    assume(i < j and (i == 0 or j == n or times[j] - times[i - 1] > GAP))
    step = draw(st.booleans())
    return times, Series(times, centi, GAP, step=step), Series(times[keep], centi[keep], GAP, step=step)


BUDGET = Spec((-500, 0, 800), inclusive=True, thaw=(-500, 0), bands=Bands((0, 800), (9e6, 1e6, 1e5)))


@given(with_a_hole(), st.integers(-4000, 30_000), st.integers(1, 40_000), st.booleans())
@settings(deadline=None, max_examples=150)
def test_taking_readings_away_never_raises_anything_that_was_measured(data, first, length, frozen):
    times, full, holed = data
    a = int(times[0]) + first
    spec = Spec(BUDGET.limits, True, BUDGET.thaw, BUDGET.bands, starts_frozen=frozen)
    before, after = (summary(one, a, a + length, spec) for one in (full, holed))
    assert after.measured_ms <= before.measured_ms and after.no_data_ms >= before.no_data_ms
    assert after.coverage <= before.coverage
    for name in ("above", "below", "longest_above", "longest_below", "at_or_above", "at_or_below"):
        was, now = getattr(before, name), getattr(after, name)
        assert all(now.get(limit, 0) <= was.get(limit, 0) for limit in spec.limits)
    assert (after.stability_used or 0) <= (before.stability_used or 0) + 1e-12
    assert (after.thaws or 0) <= (before.thaws or 0)
    assert after.thaws_unsure or after.no_data_ms == 0
    assert before.max_centi is None or after.max_centi is None or after.max_centi <= before.max_centi
    rates = [float(one.rate(a, a + length)[0]) for one in (full, holed)]
    assert rates[1] <= rates[0] * (1 + 1e-9)


@given(with_a_hole(), st.integers(-4000, 30_000), st.integers(1, 40_000))
@settings(deadline=None, max_examples=150)
def test_counted_as_the_worst_it_never_looks_better_than_it_was(data, first, length):
    times, full, holed = data
    a = int(times[0]) + first
    spec = Spec(BUDGET.limits, True, bands=BUDGET.bands, gaps="worst")
    before, after = (summary(one, a, a + length, spec) for one in (full, holed))
    for name in ("above", "below", "longest_above", "longest_below", "at_or_above", "at_or_below"):
        was, now = getattr(before, name), getattr(after, name)
        assert all(now[limit] >= was[limit] - 1 for limit in spec.limits)
    assert after.stability_used >= before.stability_used - 1e-9


@given(
    with_a_hole(), st.integers(-4000, 30_000), st.integers(1000, 40_000), st.sampled_from([-500, 0, 800]),
    st.sampled_from(["above", "below"]), st.integers(0, 20), st.sampled_from(["exclude", "nominal", "worst"]),
)  # fmt: skip
@settings(deadline=None, max_examples=200)
def test_taking_readings_away_never_turns_a_rule_into_a_pass(data, first, length, limit, side, allowed, how):
    times, full, holed = data
    a = int(times[0]) + first
    rule = Rule("r", "temperature", "stop", "memory", "made up", phase="frozen", side=side,
                limit_centi=limit, allowed_s=allowed)  # fmt: skip
    said = []
    for one in (full, holed):
        stay = join("frozen", [Stretch(a, a + length, one, -1000)], Spec((limit,), gaps=how))
        facts = Facts("T", a + length, phases=(stay,), acts={"drawn": Moment(a)})
        said.append(evaluate(rule, facts).answer)
    assert said[1] != "pass" or said[0] == "pass"
    if how == "exclude":
        assert said[1] != "fail" or said[0] == "fail"  # nor does it condemn what was good
        assert said[1] in (said[0], "cannot_tell")
    assert set(said) <= set(ANSWERS)


@pytest.mark.parametrize("how", ["exclude", "nominal", "worst"])
@pytest.mark.parametrize("side", ["above", "below"])
def test_a_phase_without_data_never_passes_a_temperature_rule(side, how):
    """But where the whole phase is no longer than what the rule allows: then no data could break it."""
    rule = Rule("r", "temperature", "stop", "memory", "made up", phase="frozen", side=side,
                limit_centi=-6000, allowed_s=60)  # fmt: skip
    for nominal in (None, -8000, 2000):
        for stretch in (
            Stretch(0, 60_001, None, nominal, "L"),
            Stretch(0, 60_001, Series([], [], 1), nominal),
        ):
            stay = join("frozen", [stretch], Spec((-6000,), gaps=how))
            found = evaluate(rule, Facts("T", 60_001, phases=(stay,)))
            assert found.answer == ("fail" if how == "worst" else "cannot_tell")
    short = join("frozen", [Stretch(0, 60_000)], Spec((-6000,), gaps="exclude"))
    assert evaluate(rule, Facts("T", 60_000, phases=(short,))).answer == "pass"
