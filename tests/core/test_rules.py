"""Rules answer pass, fail or cannot tell, and say why. One test for each border and each promise."""

import itertools
import sqlite3
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from custody.core import kleene
from custody.core import rule_words as words
from custody.core.rules import NEEDS, WORDS, Assay, Facts, Moment, applies, due, evaluate, verdict
from tests.core.rule_makers import DRAW, HOUR, MIN, SST, answer, facts, phase, rule, spun

# --- three answers -------------------------------------------------------------------------------

AS_SQL = {"pass": 1, "fail": 0, "cannot_tell": None}
FROM_SQL = {number: name for name, number in AS_SQL.items()}


def sql(text, *answers):
    """SQL's three-valued AND, OR, NOT are Kleene's, with NULL for unknown; SQLite is the oracle."""
    return FROM_SQL[sqlite3.connect(":memory:").execute(text, [AS_SQL[one] for one in answers]).fetchone()[0]]


@pytest.mark.parametrize("pair", list(itertools.product(AS_SQL, AS_SQL)))
def test_and_and_or_are_those_of_sql(pair):
    assert kleene.both(*pair) == sql("SELECT ? AND ?", *pair)
    assert kleene.either(*pair) == sql("SELECT ? OR ?", *pair)


@pytest.mark.parametrize("one", AS_SQL)
def test_not_is_that_of_sql(one):
    assert kleene.negate(one) == sql("SELECT NOT ?", one)


@pytest.mark.parametrize("three", list(itertools.product(AS_SQL, AS_SQL, AS_SQL)))
def test_and_of_three(three):
    assert kleene.both(*three) == sql("SELECT ? AND ? AND ?", *three)


def test_nothing_to_check():
    assert (kleene.both(), kleene.either()) == ("pass", "fail")


# --- intervals -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("after_ms", "unc_s", "expected"),
    [
        (2 * HOUR - 1, 0, "pass"),
        (2 * HOUR, 0, "pass"),
        (2 * HOUR + 1, 0, "fail"),
        (2 * HOUR - 10 * MIN, 300, "pass"),  # both ends 5 min: at most 2 h
        (2 * HOUR - 10 * MIN + 1, 300, "cannot_tell"),
        (2 * HOUR + 10 * MIN, 300, "cannot_tell"),
        (2 * HOUR + 10 * MIN + 1, 300, "fail"),
    ],
)
def test_an_upper_limit_at_its_border(after_ms, unc_s, expected):
    assert answer(rule(limit_s=7200), spun(after_ms, unc_s)) == expected


@pytest.mark.parametrize(
    ("after_ms", "unc_s", "expected"),
    [
        (30 * MIN - 1, 0, "fail"),
        (30 * MIN, 0, "pass"),
        (60 * MIN, 0, "pass"),
        (60 * MIN + 1, 0, "fail"),
        (30 * MIN, 30, "cannot_tell"),
        (31 * MIN, 30, "pass"),
    ],
)
def test_a_clot_time_has_two_borders(after_ms, unc_s, expected):
    assert answer(rule(at_least_s=1800, limit_s=3600), spun(after_ms, unc_s)) == expected


def test_the_sentence_says_fact_and_limit():
    found = evaluate(rule(limit_s=7200, source="somewhere"), spun(2 * HOUR + 41 * MIN))
    assert found.sentence == "Spun 2 h 41 min after draw; limit 2 h."
    assert (found.fact, found.limit, found.sources) == ("2 h 41 min", "limit 2 h", ("somewhere",))
    assert found.events == ("e-drawn", "e-spun")


def test_the_sentence_never_rounds_a_fail_into_a_pass():
    assert (
        evaluate(rule(limit_s=7200), spun(2 * HOUR + 1000)).sentence == "Spun 2 h 1 s after draw; limit 2 h."
    )


def test_an_uncertain_time_is_said_as_a_range():
    found = evaluate(rule(limit_s=7200), spun(2 * HOUR, 300))
    assert found.sentence == "Spun 1 h 50 min to 2 h 10 min after draw; limit 2 h."


def test_a_hint_is_said_only_when_it_is_needed():
    late = rule(limit_s=7200, hint="Potassium reads high.")
    assert evaluate(late, spun(3 * HOUR)).sentence.endswith("Potassium reads high.")
    assert "Potassium" not in evaluate(late, spun(HOUR)).sentence


def test_a_corrected_time_is_marked():
    acts = {"drawn": Moment(DRAW, corrected=True), "spun": Moment(DRAW + HOUR)}
    assert "(a corrected time)" in evaluate(rule(limit_s=7200), facts(acts=acts)).sentence


def test_without_a_draw_nobody_can_tell():
    found = evaluate(rule(limit_s=7200), facts(acts={"spun": Moment(DRAW)}))
    assert (found.answer, found.sentence) == ("cannot_tell", "The time of draw is not known; limit 2 h.")


@pytest.mark.parametrize("unc_s", [0, 86_400])
def test_times_that_contradict_each_other_prove_nothing(unc_s):
    found = evaluate(rule(limit_s=7200), spun(-MIN, unc_s))
    assert found.answer == "cannot_tell"
    assert "contradict" in found.sentence


@pytest.mark.parametrize(
    ("since_ms", "unc_s", "expected"),
    [
        (2 * HOUR, 0, "cannot_tell"),
        (2 * HOUR + 1, 0, "fail"),
        (2 * HOUR + MIN, 60, "cannot_tell"),
        (2 * HOUR + MIN + 1, 60, "fail"),
    ],
)
def test_what_has_not_happened_is_open_until_its_limit_has_surely_passed(since_ms, unc_s, expected):
    waiting = facts(DRAW + since_ms, acts={"drawn": Moment(DRAW, unc_s)})
    found = evaluate(rule(limit_s=7200), waiting)
    assert found.answer == expected
    assert found.sentence.startswith("Not spun yet")


def test_a_minimum_alone_stays_open():
    waiting = facts(DRAW + 99 * HOUR, acts={"drawn": Moment(DRAW)})
    assert answer(rule(at_least_s=1800), waiting) == "cannot_tell"


@pytest.mark.parametrize(("age_ms", "expected"), [(24 * HOUR, "pass"), (24 * HOUR + 1, "fail")])
def test_age_is_an_interval_to_now(age_ms, expected):
    old = facts(DRAW + age_ms, acts={"drawn": Moment(DRAW)})
    found = evaluate(rule(to_act="now", limit_s=86_400), old)
    assert found.answer == expected
    assert found.sentence.startswith("24 h")


gaps = st.integers(0, 6 * 3600)
uncertain = st.integers(0, 7200)


@given(gaps, uncertain, uncertain, st.integers(0, 7200), st.integers(0, 7200), st.booleans())
def test_less_exact_times_never_turn_cannot_tell_into_an_answer(gap_s, unc, more, lower, width, happened):
    asked = rule(at_least_s=lower, limit_s=lower + width)
    acts = {"drawn": Moment(DRAW, unc)}
    if happened:
        acts["spun"] = Moment(DRAW + gap_s * 1000)
    before = facts(DRAW + gap_s * 1000, acts=acts)
    after = replace(before, acts=acts | {"drawn": Moment(DRAW, unc + more)})
    if answer(asked, before) == "cannot_tell":
        assert answer(asked, after) == "cannot_tell"
    elif answer(asked, after) != "cannot_tell":
        assert answer(asked, after) == answer(asked, before)


@given(gaps, uncertain, st.integers(0, 7200), st.data())
def test_an_answer_holds_for_every_time_that_it_may_have_been(gap_s, unc, limit, data):
    """The interval answer agrees with the exact answer at any true time inside the uncertainty."""
    slip = data.draw(st.integers(-min(unc, gap_s), unc))
    said = answer(rule(limit_s=limit), facts(acts={
        "drawn": Moment(DRAW), "spun": Moment(DRAW + gap_s * 1000, unc)}))  # fmt: skip
    true = "pass" if gap_s + slip <= limit else "fail"
    assert said in (true, "cannot_tell")


# --- the other kinds ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("recorded", "seen", "unseen_h", "expected"),
    [(0, 0, 0, "pass"), (0, 1, 0, "pass"), (0, 2, 0, "cannot_tell"), (1, 0, 1, "cannot_tell"),
     (1, 0, 0.99, "pass"), (0, 0, 1, "pass"), (0, 1, 1, "cannot_tell"), (0, 0, 2, "cannot_tell"),
     (2, 0, 0, "fail"), (2, 5, 9, "fail"), (1, 1, 0, "pass")],
)  # fmt: skip
def test_a_thaw_that_loggers_saw_or_nobody_could_see_is_never_good_and_never_sure(
    recorded, seen, unseen_h, expected
):
    known = facts(thaws=recorded, seen_thaws=seen, unseen_ms=round(unseen_h * HOUR))
    found = evaluate(rule("thaws", max_thaws=1), known)
    assert found.answer == expected
    assert ("thawed" in found.sentence) == (expected == "cannot_tell")


ONE_BORDER = [
    (rule("thaws", max_thaws=1), {"thaws": 1}, {"thaws": 2}),
    (rule("volume", min_ul=500), {"volume_ul": 500}, {"volume_ul": 499}),
    (
        rule("fill", min_percent=90),
        {"drawn_ul": 2430, "nominal_ul": 2700},
        {"drawn_ul": 2429, "nominal_ul": 2700},
    ),
    (
        rule("grade", grade_name="haemolysis", max_grade=1),
        {"grades": {"haemolysis": 1}},
        {"grades": {"haemolysis": 2}},
    ),
    (
        rule("spin", min_g=1300, min_minutes=10),
        {"acts": {"spun": Moment(DRAW)}, "spin_g": 1300, "spin_minutes": 10},
        {"acts": {"spun": Moment(DRAW)}, "spin_g": 1299, "spin_minutes": 10},
    ),
    (
        rule("spin", min_g=1300, min_minutes=10),
        {"acts": {"spun": Moment(DRAW)}, "spin_g": 1300, "spin_minutes": 10},
        {"acts": {"spun": Moment(DRAW)}, "spin_g": 5000, "spin_minutes": 9},
    ),
    (
        rule("container", container_has="glass"),
        {"container": "Amber Glass vial"},
        {"container": "PP cryovial"},
    ),
    (rule("custody"), {"disputes": 0}, {"disputes": 1}),
    (rule("custody"), {"gaps": ()}, {"gaps": ("Not shown from 10:00 to 11:00.",)}),
    (rule("spins", max_spins=1), {"spins": 1}, {"spins": 2}),
    (
        rule("grade", grade_name="haemolysis", max_cmgdl=4500),
        {"indices": {"haemolysis": 4500}},
        {"indices": {"haemolysis": 4501}},
    ),
    (
        rule("permit", permit_for="hold"),
        {"permits": {"hold": ("pass", "Permit P-1 covers it.")}},
        {"permits": {"hold": ("fail", "No permit covers it.")}},
    ),
    (
        rule("budget", from_act="drawn", bands=((400, 3600), (None, 1800))),
        {
            "acts": {"drawn": Moment(DRAW)},
            "asof_ms": DRAW + HOUR,
            "between": {("drawn", "now"): (phase(hours=1, above={400: 0}),)},
        },
        {
            "acts": {"drawn": Moment(DRAW)},
            "asof_ms": DRAW + HOUR,
            "between": {("drawn", "now"): (phase(hours=1, above={400: 1}),)},
        },
    ),
    (rule("never", to_act="frozen"), {"acts": {}}, {"acts": {"frozen": Moment(DRAW)}}),
]


@pytest.mark.parametrize(("asked", "good", "bad"), ONE_BORDER, ids=lambda one: getattr(one, "kind", ""))
def test_each_kind_on_both_sides_of_its_border(asked, good, bad):
    assert answer(asked, facts(**good)) == "pass"
    assert answer(asked, facts(**bad)) == "fail"


@pytest.mark.parametrize(
    ("asked", "known"),
    [
        (rule("volume", min_ul=500), {}),
        (rule("fill", min_percent=90), {"nominal_ul": 2700, "short": True}),
        (rule("fill", min_percent=90), {"drawn_ul": 2700}),
        (rule("grade", grade_name="icterus", max_grade=1), {"grades": {"haemolysis": 0}}),
        (rule("spin", min_g=1300, min_minutes=10), {}),
        (rule("spin", min_g=1300, min_minutes=10), {"acts": {"spun": Moment(DRAW)}, "spin_g": 2000}),
        (rule("container", container_has="glass"), {}),
        (rule("permit", permit_for="take"), {"permits": {"hold": ("pass", "")}}),
        (rule("grade", grade_name="haemolysis", max_cmgdl=4500), {"grades": {"haemolysis": 0}}),
        (rule("grade", grade_name="haemolysis", max_grade=1), {"indices": {"haemolysis": 0}}),
    ],
    ids=lambda one: getattr(one, "kind", ""),
)
def test_what_was_not_noted_cannot_be_told(asked, known):
    assert answer(asked, facts(**known)) == "cannot_tell"


def test_every_kind_has_a_border_test():
    assert set(NEEDS) == {asked.kind for asked, _, _ in ONE_BORDER} | {"interval", "temperature"}


# --- which rules are about which tube --------------------------------------------------------------


def test_a_rule_for_another_matrix_says_nothing():
    assert evaluate(rule(limit_s=1, matrix="PL1"), spun(HOUR)) is None


def test_a_rule_for_another_additive_says_nothing():
    assert evaluate(rule(limit_s=1, additive="NONE"), spun(HOUR)) is None


def test_an_unknown_additive_makes_a_fail_cannot_tell_but_leaves_a_pass():
    unknown = spun(HOUR, additive="")
    assert applies(rule(limit_s=1, additive="SST"), unknown) == "cannot_tell"
    assert answer(rule(limit_s=1, additive="SST"), unknown) == "cannot_tell"
    assert answer(rule(limit_s=7200, additive="SST"), unknown) == "pass"


@pytest.mark.parametrize(
    ("takes", "expected"),
    [({("SER", "")}, True), ({("SER", "SST")}, True), ({("SER", "NONE")}, False), ({("PL1", "")}, False)],
)
def test_what_an_assay_takes(takes, expected):
    assert Assay("A", "", frozenset(takes)).takes_tube(facts()) is expected


@pytest.mark.parametrize(
    "said",
    [
        {"kind": "interval"},
        {"kind": "grade", "grade_name": "haemolysis"},
        {"kind": "thaws"},
        {"kind": "guess"},
        {"kind": "custody", "source": "  "},
        {"kind": "custody", "severity": "deadly"},
        {"kind": "custody", "evidence": "hearsay"},
    ],
)
def test_a_rule_that_lacks_something_cannot_exist(said):
    with pytest.raises(ValueError):
        rule(**said)


# --- verdicts --------------------------------------------------------------------------------------


def rule_that_says(name, severity, n=0):
    """A rule, by its code, that `ALL` answers with this word."""
    asked = {
        "pass": {"kind": "thaws", "max_thaws": 9},
        "fail": {"kind": "thaws", "max_thaws": 0},
        "cannot_tell": {"kind": "volume", "min_ul": 1},
    }[name]
    return rule(severity=severity, code=f"{name}-{n}", **asked)


ALL = facts(thaws=1)


@pytest.mark.parametrize(
    ("some", "expected"),
    [
        ([("pass", "stop")], "fit"),
        ([("fail", "stop"), ("cannot_tell", "stop")], "not_fit"),
        ([("cannot_tell", "stop"), ("fail", "caution")], "cannot_tell"),
        ([("pass", "stop"), ("fail", "caution")], "caution"),
        ([("pass", "stop"), ("cannot_tell", "caution")], "caution"),
        ([("pass", "stop"), ("fail", "note"), ("cannot_tell", "note")], "fit"),
        ([("pass", "note")], "cannot_tell"),
        ([], "cannot_tell"),
    ],
)
def test_the_verdict_of_some_findings(some, expected):
    assert verdict(ALL, SST, [rule_that_says(*one) for one in some]).word == expected


def test_no_rule_at_all_says_so():
    assert verdict(ALL, SST, []).sentence == "No rule is about this assay and this kind of tube."


def test_rules_for_all_assays_alone_do_not_make_a_tube_fit():
    general = replace(rule_that_says("pass", "stop"), assay="")
    assert verdict(ALL, SST, [general]).word == "cannot_tell"
    assert verdict(ALL, SST, [general, rule_that_says("pass", "caution")]).word == "fit"


def test_rules_of_other_assays_do_not_count():
    other = replace(rule_that_says("fail", "stop"), assay="OTHER")
    assert verdict(ALL, SST, [other, rule_that_says("pass", "stop")]).word == "fit"


def test_the_sentence_of_a_verdict_is_that_of_the_worst_finding():
    some = [rule_that_says("fail", "caution", 1), rule_that_says("cannot_tell", "stop", 2)]
    assert verdict(ALL, SST, some).sentence == "The volume was not measured; at least 1 µL."
    assert verdict(ALL, SST, [rule_that_says("pass", "stop")]).sentence.startswith("1 rule checked")


rules = st.lists(
    st.builds(rule_that_says, st.sampled_from(list(AS_SQL)), st.sampled_from(["stop", "caution", "note"])),
    max_size=6,
)


@given(rules, st.sampled_from(["fail", "cannot_tell"]), st.sampled_from(["stop", "caution"]))
def test_one_more_rule_that_does_not_pass_never_makes_a_tube_fitter(some, name, severity):
    before = verdict(ALL, SST, [*some, rule_that_says("pass", "note")]).word
    after = verdict(ALL, SST, [*some, rule_that_says(name, severity)]).word
    if severity == "stop" or any(one.severity != "note" for one in some):
        assert WORDS.index(after) <= WORDS.index(before)


@given(rules)
def test_a_failing_stop_rule_decides_alone(some):
    assert verdict(ALL, SST, [*some, rule_that_says("fail", "stop")]).word == "not_fit"


@given(rules, st.randoms())
def test_the_order_of_rules_does_not_matter(some, random):
    shuffled = random.sample(some, len(some))
    assert verdict(ALL, SST, some).word == verdict(ALL, SST, shuffled).word


# --- countdown -------------------------------------------------------------------------------------

DRAWN_0842 = 1_777_797_720_000  # 2026-05-03 08:42 UTC


def waiting(unc_s=0):
    return Facts("K7R2M103T", DRAWN_0842, "SER", "SST", acts={"drawn": Moment(DRAWN_0842, unc_s)})


def test_it_counts_down():
    [one] = due(waiting(), [rule(limit_s=7200)], DRAWN_0842 + 108 * MIN)
    assert one.sentence == "Spin by 10:42 UTC, 12 min left."
    assert (one.by_ms, one.left_ms) == (DRAWN_0842 + 2 * HOUR, 12 * MIN)


def test_a_minimum_gives_a_window():
    [early] = due(waiting(), [rule(at_least_s=1800, limit_s=7200)], DRAWN_0842 + 10 * MIN)
    assert early.sentence == "Spin from 09:12 UTC, by 10:42 UTC; 20 min to wait."
    [later] = due(waiting(), [rule(at_least_s=1800, limit_s=7200)], DRAWN_0842 + 30 * MIN)
    assert later.sentence == "Spin by 10:42 UTC, 1 h 30 min left."


def test_an_uncertain_start_makes_the_window_smaller_on_both_sides():
    [one] = due(waiting(60), [rule(at_least_s=1800, limit_s=7200)], DRAWN_0842 + 10 * MIN)
    assert (one.from_ms, one.by_ms) == (DRAWN_0842 + 31 * MIN, DRAWN_0842 + 119 * MIN)


def test_a_window_of_one_moment():
    [one] = due(waiting(), [rule(at_least_s=1800, limit_s=1800)], DRAWN_0842)
    assert one.sentence == "Spin from 09:12 UTC, by 09:12 UTC; 30 min to wait."


def test_what_never_counts_down():
    """Other kinds, a least time alone, rules about other tubes, a first act that did not happen."""
    some = [
        rule("never", to_act="spun", from_act="drawn", limit_s=60),
        rule(at_least_s=1800),
        rule(limit_s=60, additive="NONE"),
        rule(limit_s=60, from_act="aliquoted"),
    ]
    assert [due(waiting(), [one], DRAWN_0842) for one in some] == [[], [], [], []]


def test_what_is_late_says_how_late():
    [one] = due(waiting(), [rule(limit_s=7200)], DRAWN_0842 + 161 * MIN)
    assert one.sentence == "Spin: due by 10:42 UTC, 41 min late."


def test_the_most_urgent_comes_first_and_what_is_done_is_gone():
    some = [rule(limit_s=7200, code="b"), rule(limit_s=600, code="a"), rule(limit_s=9, from_act="frozen")]
    assert [one.rule.code for one in due(waiting(), some, DRAWN_0842)] == ["a", "b"]
    assert due(spun(MIN), some, DRAW) == []


def test_an_age_that_ran_out_is_nothing_to_wait_for():
    fresh = rule(to_act="now", limit_s=3600)
    assert due(waiting(), [fresh], DRAWN_0842 + HOUR)[0].sentence == "Use by 09:42 UTC, 0 min left."
    assert due(waiting(), [fresh], DRAWN_0842 + HOUR + 1) == []


@given(st.integers(0, 3600), st.integers(0, 4000), st.integers(0, 4000))
def test_an_act_at_the_last_moment_of_the_countdown_passes(unc_s, lower, width):
    """The countdown and the judgement are the same rule."""
    asked = rule(at_least_s=lower, limit_s=lower + width)
    [one] = due(waiting(unc_s), [asked], DRAWN_0842)
    if one.by_ms < DRAWN_0842 or one.by_ms < one.from_ms:
        return  # the draw is too uncertain for any moment to pass for sure
    for at_ms in (one.by_ms, one.from_ms):
        acts = waiting(unc_s).acts | {"spun": Moment(at_ms)}
        done = replace(waiting(unc_s), asof_ms=at_ms, acts=acts)
        assert answer(asked, done) == "pass"
    late = replace(waiting(unc_s), acts=waiting(unc_s).acts | {"spun": Moment(one.by_ms + 1)})
    assert answer(asked, late) != "pass"


# --- words -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ms", "said"),
    [
        (0, "0 min"), (40_000, "40 s"), (60_000, "1 min"), (119_000, "1 min"), (161 * MIN, "2 h 41 min"),
        (2 * HOUR, "2 h"), (24 * HOUR, "24 h"), (47 * HOUR + 59 * MIN, "47 h 59 min"), (48 * HOUR, "2 d"),
        (76 * HOUR, "3 d 4 h"),
    ],
)  # fmt: skip
def test_durations_in_words(ms, said):
    assert words.span(ms) == said


seconds = st.integers(0, 10**7).map(lambda s: s * 1000)  # limits are whole seconds, words go to the second


@given(seconds, seconds)
def test_a_duration_beside_a_limit_looks_like_it_only_when_it_is_it(ms, limit):
    assert (words.span_beside(ms, [limit]) == words.span(limit, exact=True)) == (ms == limit)


@pytest.mark.parametrize(
    ("centi", "said"), [(-7000, "−70 °C"), (250, "2.5 °C"), (0, "0 °C"), (-5, "−0.05 °C")]
)
def test_temperatures_in_words(centi, said):
    assert words.celsius(centi) == said


@pytest.mark.parametrize(
    ("ul", "said"), [(999, "999 µL"), (1000, "1 mL"), (1500, "1.5 mL"), (2050, "2.05 mL")]
)
def test_volumes_in_words(ul, said):
    assert words.volume(ul) == said
