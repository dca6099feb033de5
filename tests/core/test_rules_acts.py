"""Rules about acts beyond their plain borders: what need not happen, what is open, how often it was spun."""

from dataclasses import replace

import pytest

from custody.core import rule_words as words
from custody.core.rules import ACTS, NOW, Moment, Rule, due, evaluate
from tests.core.rule_makers import DRAW, HOUR, MIN, answer, facts, rule, spun

THAWED = {"from_act": "thawed", "to_act": "spun"}
SENT = {"from_act": "shipped", "to_act": "received", "limit_s": 48 * 3600}


def acts(**hours):
    """When each act happened, in hours after the draw, exactly."""
    return {name: Moment(DRAW + round(h * HOUR), 0, f"e-{name}") for name, h in hours.items()}


# --- what need not happen ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("act", "said"),
    [("pulled", "Not pulled so far."), ("thawed", "Not thawed so far."), ("shipped", "Not sent so far."),
     ("received", "Not received so far."), ("frozen", "Not put in a freezer so far.")],
)  # fmt: skip
def test_an_interval_from_what_need_not_happen_and_did_not(act, said):
    found = evaluate(rule(from_act=act, limit_s=60), facts(acts=acts(spun=1)))
    assert (found.answer, found.sentence, found.missing, found.by_ms) == ("pass", said, (), None)
    assert found.limit == "limit 1 min"


@pytest.mark.parametrize("act", ["net_closed", "drawn", "spun", "aliquoted", "put_away"])
def test_an_interval_from_what_must_have_happened(act):
    found = evaluate(rule(from_act=act, to_act="now", limit_s=60), facts())
    assert (found.answer, found.missing) == ("cannot_tell", (f"act:{act}",))
    assert found.sentence == f"The time of {words.NOUN[act]} is not known; limit 1 min."


@pytest.mark.parametrize(("act", "expected"), [("thawed", "pass"), ("shipped", "pass"), ("spun", "fail")])
def test_an_interval_to_what_need_not_happen_waits_for_nothing(act, expected):
    asked, known = rule(to_act=act, limit_s=60), facts(acts=acts(drawn=0))
    found = evaluate(asked, known)
    assert found.answer == expected
    assert (found.by_ms is None) == (due(known, [asked], known.asof_ms) == []) == (expected == "pass")
    assert found.events == ("e-drawn",)


def test_what_need_not_happen_is_judged_when_it_did():
    asked = rule(to_act="thawed", at_least_s=3600)
    assert answer(asked, facts(acts=acts(drawn=0, thawed=0.5))) == "fail"
    assert answer(asked, facts(acts=acts(drawn=0, thawed=1))) == "pass"


@pytest.mark.parametrize(("sent_h", "expected"), [(48, "cannot_tell"), (48.5, "fail")])
def test_what_was_sent_is_waited_for(sent_h, expected):
    known = facts(DRAW + 60 * HOUR, acts=acts(drawn=0, shipped=60 - sent_h))
    found = evaluate(rule(**SENT), known)
    assert (found.answer, found.missing) == (expected, ("act:received",) if expected == "cannot_tell" else ())
    [one] = due(known, [rule(**SENT)], known.asof_ms)
    assert found.by_ms == one.by_ms == DRAW + round((108 - sent_h) * HOUR)
    assert one.sentence.startswith("Receive")


def test_a_receipt_before_the_latest_sending_is_that_of_an_earlier_one():
    known = facts(DRAW + 60 * HOUR, acts=acts(drawn=0, received=5, shipped=20))
    found = evaluate(rule(**SENT), known)
    assert (found.answer, found.missing) == ("cannot_tell", ("act:received",))
    assert found.sentence == "Not received yet, 40 h after sending; limit 2 d."
    assert len(due(known, [rule(**SENT)], known.asof_ms)) == 1


@pytest.mark.parametrize(
    ("unc_s", "expected"), [(0, ("act:received",)), (1800, ("time:shipped", "time:received"))]
)
def test_which_came_first_must_be_sure(unc_s, expected):
    both = {"received": Moment(DRAW, unc_s), "shipped": Moment(DRAW + HOUR, unc_s)}
    assert evaluate(rule(**SENT), facts(DRAW + 9 * HOUR, acts=both)).missing == expected


def test_a_first_act_before_one_that_comes_again_is_no_new_one():
    found = evaluate(
        rule(from_act="received", to_act="frozen", limit_s=3600), facts(acts=acts(received=9, frozen=1))
    )
    assert (found.answer, found.missing) == ("cannot_tell", ("time:received", "time:frozen"))
    assert (
        found.sentence
        == "The times contradict each other: put in a freezer before receipt. One of the two is wrong."
    )


def test_an_act_at_the_same_moment_is_no_contradiction():
    assert answer(rule(limit_s=0), spun(0)) == "pass"
    assert answer(rule(**SENT | {"limit_s": 0}), facts(acts=acts(shipped=1, received=1))) == "pass"


def test_an_age_from_the_future_contradicts_itself():
    found = evaluate(rule(to_act="now", limit_s=60), facts(DRAW - 1, acts=acts(drawn=0)))
    assert (found.answer, found.missing) == ("cannot_tell", ("time:drawn",))
    assert found.sentence == "The time of draw is still to come, so it is wrong."
    assert found.by_ms is None


# --- what is missing, and what is open ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("unc", "missing"),
    [((600, 600), ("time:drawn", "time:spun")), ((600, 0), ("time:drawn",)), ((0, 600), ("time:spun",))],
)
def test_the_times_that_are_not_exact_are_named(unc, missing):
    known = {"drawn": Moment(DRAW, unc[0]), "spun": Moment(DRAW + 2 * HOUR, unc[1])}
    found = evaluate(rule(limit_s=7200), facts(acts=known))
    assert (found.answer, found.missing, found.by_ms) == ("cannot_tell", missing, None)
    assert evaluate(rule(limit_s=72_000), facts(acts=known)).missing == ()


@pytest.mark.parametrize(("unc_s", "by"), [(0, 2 * HOUR), (60, 2 * HOUR - MIN)])
def test_until_when_it_passes_for_sure(unc_s, by):
    waits = facts(DRAW + HOUR, acts={"drawn": Moment(DRAW, unc_s)})
    assert evaluate(rule(limit_s=7200), waits).by_ms == DRAW + by
    assert evaluate(rule(at_least_s=7200), waits).by_ms is None
    assert evaluate(rule(limit_s=7200, to_act="now"), waits).by_ms == DRAW + by
    late = replace(waits, asof_ms=DRAW + by)
    assert evaluate(rule(limit_s=7200, to_act="now"), late).by_ms == DRAW + by
    later = replace(waits, asof_ms=DRAW + by + 1)
    assert evaluate(rule(limit_s=7200, to_act="now"), later).by_ms is None
    assert evaluate(rule(at_least_s=1, to_act="now"), waits).by_ms is None


def test_a_corrected_end_is_marked_too():
    known = {"drawn": Moment(DRAW), "spun": Moment(DRAW + HOUR, corrected=True)}
    said = evaluate(rule(limit_s=7200), facts(acts=known)).sentence
    assert said == "Spun 1 h after draw (a corrected time); limit 2 h."
    assert evaluate(rule(limit_s=7200), spun(HOUR)).sentence == "Spun 1 h after draw; limit 2 h."


def test_an_age_in_words():
    found = evaluate(rule(to_act=NOW, at_least_s=60, limit_s=7200), facts(DRAW + HOUR, acts=acts(drawn=0)))
    assert found.sentence == "1 h since draw; between 1 min and 2 h."
    early = evaluate(rule(at_least_s=60), spun(HOUR))
    assert early.sentence == "Spun 1 h after draw; at least 1 min."


def test_an_uncertain_time_is_never_less_than_nothing():
    assert evaluate(rule(limit_s=7200), spun(0, 60)).fact == "0 min to 2 min"


def test_a_time_is_not_more_exact_than_exact():
    assert Moment(DRAW, 0).unc_s == 0
    with pytest.raises(ValueError):
        Moment(DRAW, -1)


def test_every_act_has_its_words():
    for act in ACTS:
        assert words.DONE[act] and words.NOUN[act] and words.VERB[act]
        found = evaluate(rule("never", to_act=act), facts())
        assert (found.fact, found.limit) == ("no", f"never {words.DONE[act].lower()}")


def test_never_names_the_act_that_happened():
    found = evaluate(rule("never", to_act="frozen"), facts(acts=acts(frozen=3)))
    assert (found.fact, found.events) == ("yes", ("e-frozen",))
    assert found.sentence == "Put in a freezer, which must never happen to a tube for this assay."


# --- spins --------------------------------------------------------------------------------------------


SPIN = rule("spin", min_g=1300, min_minutes=10)


@pytest.mark.parametrize(
    ("g", "minutes", "expected", "sentence"),
    [
        (1299, None, "fail", "Spun at 1299 × g for a time not noted; at least 1300 × g for 10 min."),
        (None, 9, "fail", "Spun at a force not noted for 9 min; at least 1300 × g for 10 min."),
        (1300, None, "cannot_tell", "Spun at 1300 × g for a time not noted; at least 1300 × g for 10 min."),
        (None, 10, "cannot_tell", "Spun at a force not noted for 10 min; at least 1300 × g for 10 min."),
        (None, None, "cannot_tell", "How it was spun is not known; at least 1300 × g for 10 min."),
        (1300, 10, "pass", "Spun at 1300 × g for 10 min; at least 1300 × g for 10 min."),
    ],
)
def test_half_of_a_spin_can_fail_it(g, minutes, expected, sentence):
    found = evaluate(SPIN, facts(acts=acts(spun=1), spin_g=g, spin_minutes=minutes))
    assert (found.answer, found.sentence) == (expected, sentence)
    assert found.missing == (("spin",) if expected == "cannot_tell" else ())
    assert found.events == ("e-spun",)


def test_not_spun_yet():
    found = evaluate(SPIN, facts(spin_g=1, spin_minutes=1))
    assert (found.answer, found.missing) == ("cannot_tell", ("act:spun",))
    assert found.sentence.startswith("Not spun yet; at least")


@pytest.mark.parametrize(
    ("often", "happened", "said"),
    [(0, False, "Spun 0 times; at most 1 time."), (0, True, "Spun 1 time; at most 1 time."),
     (1, True, "Spun 1 time; at most 1 time."), (2, True, "Spun 2 times; at most 1 time.")],
)  # fmt: skip
def test_how_often_it_was_spun(often, happened, said):
    found = evaluate(rule("spins", max_spins=1), facts(spins=often, acts=acts(spun=1) if happened else {}))
    assert (found.sentence, found.answer) == (said, "fail" if often > 1 else "pass")
    assert found.events == (("e-spun",) if happened else ())


WARM = {"limit_centi": 0, "allowed_s": 0}

# --- rules that cannot be -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"from_act": "eaten", "limit_s": 1}, "from_act eaten"),
        ({"to_act": "eaten", "limit_s": 1}, "to_act eaten"),
        ({"from_act": "now", "limit_s": 1}, "from_act now"),
        ({"to_act": "drawn", "limit_s": 1}, "from drawn to itself"),
        ({"limit_s": -1}, "limit_s below nothing"),
        ({"at_least_s": -1}, "at_least_s below nothing"),
        ({"at_least_s": 1, "limit_s": 0}, "the least is more than the most"),
        ({"at_least_s": 2, "limit_s": 1}, "the least is more than the most"),
        ({"kind": "never", "to_act": "now"}, "never now"),
        ({"kind": "permit", "permit_for": "eat"}, "permit_for eat"),
        ({"kind": "thaws", "max_thaws": -1}, "max_thaws below nothing"),
        ({"kind": "temperature", "phase": "space", "side": "above"} | WARM, "phase space"),
        ({"kind": "temperature", "phase": "cold", "side": "beside"} | WARM, "side beside"),
        ({"kind": "temperature", "phase": "between", "side": "above"} | WARM, "needs"),
        ({"kind": "budget", "bands": ((None, 1),), "from_act": ""}, "needs from_act"),
        ({"kind": "budget", "bands": (), "from_act": "drawn"}, "needs bands"),
        ({"kind": "budget", "bands": ((None, None),), "from_act": "drawn"}, "limits nothing"),
        ({"kind": "budget", "bands": ((400, 1), (400, 2), (None, 3)), "from_act": "drawn"}, "rise"),
        ({"kind": "budget", "bands": ((400, 1),), "from_act": "drawn"}, "ends at a temperature"),
        ({"kind": "budget", "bands": ((None, 1), (None, 2)), "from_act": "drawn"}, "ends at a temperature"),
        ({"kind": "budget", "bands": ((400, 0), (None, 2)), "from_act": "drawn"}, "limit of nothing"),
        ({"kind": "custody", "read": "heard"}, "a source is read"),
    ],
)  # fmt: skip
def test_a_rule_that_says_what_no_rule_can_say_cannot_be(said, why):
    with pytest.raises(ValueError, match=why):
        rule(**said)


def test_limits_at_their_own_borders_can_be():
    assert rule(at_least_s=0, limit_s=0).limit_s == 0
    assert rule(at_least_s=5, limit_s=5).at_least_s == 5
    assert rule("never", to_act="thawed").to_act == "thawed"
    Rule("r", "thaws", "stop", "human", "s", max_thaws=0)
    assert rule("budget", from_act="drawn", bands=((0, None), (None, 5))).limits_centi == {0}
