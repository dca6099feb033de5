"""Rules about the tube itself: grades by eye and as measured, custody, permits, containers, volume, thaws."""

import pytest

from custody.core.kleene import at_least, at_most
from custody.core.rule import bands_of, bands_text, has_word
from custody.core.rules import Moment, evaluate
from tests.core.rule_makers import DRAW, HOUR, answer, facts, phase, rule

EYE = rule("grade", grade_name="haemolysis", max_grade=1)
MEASURED = rule("grade", grade_name="haemolysis", max_cmgdl=14_025)
BOTH = rule("grade", grade_name="haemolysis", max_grade=1, max_cmgdl=14_025)


@pytest.mark.parametrize(
    ("asked", "grade", "index", "expected", "sentence"),
    [
        (EYE, 1, None, "pass", "Haemolysis grade 1; at most grade 1."),
        (EYE, 0, 99_999, "pass", "Haemolysis grade 0; at most grade 1."),
        (EYE, None, 0, "cannot_tell", "Haemolysis was not graded; at most grade 1."),
        (MEASURED, 4, 14_025, "pass", "Haemolysis measured as 140.25 mg/dL; at most 140.25 mg/dL."),
        (MEASURED, 0, 14_026, "fail", "Haemolysis measured as 140.26 mg/dL; at most 140.25 mg/dL."),
        (MEASURED, 0, None, "cannot_tell", "Haemolysis was not measured; at most 140.25 mg/dL."),
        (BOTH, 4, 0, "pass", "Haemolysis measured as 0 mg/dL; at most grade 1 or 140.25 mg/dL."),
        (BOTH, 0, 14_100, "fail", "Haemolysis measured as 141 mg/dL; at most grade 1 or 140.25 mg/dL."),
        (BOTH, 1, None, "pass", "Haemolysis grade 1; at most grade 1 or 140.25 mg/dL."),
        (BOTH, 2, None, "fail", "Haemolysis grade 2; at most grade 1 or 140.25 mg/dL."),
        (BOTH, None, None, "cannot_tell", "Haemolysis was not graded; at most grade 1 or 140.25 mg/dL."),
    ],
)
def test_what_was_measured_goes_before_what_an_eye_saw(asked, grade, index, expected, sentence):
    known = facts(
        grades={} if grade is None else {"haemolysis": grade},
        indices={} if index is None else {"haemolysis": index},
        grade_events={"haemolysis": "e-graded"},
    )
    found = evaluate(asked, known)
    assert (found.answer, found.sentence, found.events) == (expected, sentence, ("e-graded",))
    assert found.missing == (("grade:haemolysis",) if expected == "cannot_tell" else ())


def test_a_grade_without_its_event():
    assert evaluate(EYE, facts(grades={"haemolysis": 0})).events == ()


def test_a_grade_of_nothing_is_a_limit_too():
    none = rule("grade", grade_name="icterus", max_grade=0)
    assert answer(none, facts(grades={"icterus": 0})) == "pass"
    assert answer(none, facts(grades={"icterus": 1})) == "fail"
    zero = rule("grade", grade_name="icterus", max_cmgdl=0)
    assert answer(zero, facts(indices={"icterus": 1})) == "fail"


@pytest.mark.parametrize(
    ("known", "expected", "sentence"),
    [
        ({}, "pass", "Open discrepancies: none."),
        ({"disputes": 2}, "fail", "Open discrepancies: 2."),
        ({"gaps": ("Nobody had it from 10:00.",), "gap_events": ("e-gap",)}, "fail",
         "Open discrepancies: none; gaps: 1. Nobody had it from 10:00."),
        ({"gaps": ("One.", "Two."), "disputes": 1}, "fail", "Open discrepancies: 1; gaps: 2. One. Two."),
    ],
)  # fmt: skip
def test_custody(known, expected, sentence):
    found = evaluate(rule("custody"), facts(**known))
    assert (found.answer, found.sentence, found.limit) == (expected, sentence, "none")
    assert found.events == known.get("gap_events", ()) and found.missing == ()


@pytest.mark.parametrize("named", ["take", "hold"])
def test_permits(named):
    asked = rule("permit", permit_for=named)
    unknown = evaluate(asked, facts())
    assert (unknown.answer, unknown.missing) == ("cannot_tell", (f"permit:{named}",))
    assert unknown.sentence == f"Whether a permit to {named} it covers it is not known."
    for said in ("pass", "fail", "cannot_tell"):
        found = evaluate(asked, facts(permits={named: (said, "Permit P-1 says so.")}))
        assert (found.answer, found.sentence, found.fact) == (
            said,
            "Permit P-1 says so.",
            "Permit P-1 says so",
        )
        assert found.missing == ((f"permit:{named}",) if said == "cannot_tell" else ())
        assert found.limit == f"a permit to {named} it"


@pytest.mark.parametrize(
    ("text", "word", "expected"),
    [
        ("Amber Glass vial", "glass", True), ("Amber Glass vial", "amber glass", True),
        ("glass", "GLASS", True),
        ("Amber Glass vial", "glass amber", False), ("PET tube", "PE", False), ("PE-tube", "PE", True),
        ("fibreglass", "glass", False), ("vial, glass", "glass", True), ("", "glass", False),
    ],
)  # fmt: skip
def test_whole_words_of_a_container(text, word, expected):
    assert has_word(text, word) is expected
    found = evaluate(rule("container", container_has=word), facts(container=text))
    assert found.answer == ("cannot_tell" if not text else "pass" if expected else "fail")
    assert found.missing == (() if text else ("container",))
    assert found.limit == f"kept in {word}"
    assert found.sentence == (
        f"Kept in: {text}; asked for: {word}."
        if text
        else f"What it is kept in was not noted; asked for: {word}."
    )


@pytest.mark.parametrize(
    ("known", "expected", "sentence"),
    [
        ({}, "cannot_tell", "How full it was is not known"),
        ({"short": True}, "cannot_tell", "Marked as a short draw, and how full it was is not known"),
        ({"drawn_ul": 900, "nominal_ul": 1000}, "pass", "Drawn 90 % full (900 µL of 1 mL)"),
        ({"drawn_ul": 899, "nominal_ul": 1000}, "fail", "Drawn 89 % full (899 µL of 1 mL)"),
        ({"drawn_ul": 1, "nominal_ul": 0}, "cannot_tell", "How full it was is not known"),
        ({"drawn_ul": 1, "nominal_ul": -1}, "cannot_tell", "How full it was is not known"),
        ({"drawn_ul": 9, "nominal_ul": 1}, "pass", "Drawn 900 % full (9 µL of 1 µL)"),
    ],
)  # fmt: skip
def test_how_full(known, expected, sentence):
    found = evaluate(rule("fill", min_percent=90), facts(**known))
    assert (found.answer, found.sentence) == (expected, f"{sentence}; at least 90 % full.")
    assert found.missing == (("fill",) if expected == "cannot_tell" else ())


def test_volume():
    found = evaluate(rule("volume", min_ul=500), facts(volume_ul=1500))
    assert (found.sentence, found.fact, found.limit) == (
        "1.5 mL left; at least 500 µL.",
        "1.5 mL",
        "at least 500 µL",
    )
    assert evaluate(rule("volume", min_ul=500), facts()).missing == ("volume",)
    assert answer(rule("volume", min_ul=0), facts(volume_ul=0)) == "pass"


def test_thaws_name_what_could_have_seen_them():
    stays = (phase("cold"), phase("frozen", start=DRAW + 10 * HOUR), phase("cold", start=DRAW + 20 * HOUR))
    known = facts(thaws=1, thaw_events=("e-thaw",), unseen_ms=2 * HOUR, phases=stays)
    found = evaluate(rule("thaws", max_thaws=1), known)
    assert (found.answer, found.missing, found.events) == ("cannot_tell", ("readings",), ("e-thaw",))
    assert found.spans == ((DRAW + 10 * HOUR, DRAW + 20 * HOUR), (DRAW + 20 * HOUR, DRAW + 30 * HOUR))
    assert found.sentence == (
        "1 thaw recorded; at most 1; 2 h not measured since it was frozen, so it may have thawed unseen."
    )
    seen = evaluate(rule("thaws", max_thaws=1), facts(seen_thaws=2))
    assert seen.sentence == "0 thaws recorded; at most 1; by its loggers it may have thawed 2 times."
    sure = evaluate(rule("thaws", max_thaws=0), facts(thaws=1, seen_thaws=5, unseen_ms=9 * HOUR))
    assert (sure.sentence, sure.missing, sure.spans) == ("1 thaw recorded; at most 0.", (), ())
    assert answer(rule("thaws", max_thaws=1), facts(thaws=2, unseen_ms=-HOUR)) == "fail"


@pytest.mark.parametrize("limit", range(4))
@pytest.mark.parametrize(("low", "high"), [(a, b) for a in range(4) for b in range(a, 4)])
def test_an_interval_beside_a_limit_is_all_its_values_beside_it(low, high, limit):
    values = [low + n / 2 for n in range(2 * (high - low) + 1)]
    for asked, keeps in ((at_most, [v <= limit for v in values]), (at_least, [v >= limit for v in values])):
        said = "pass" if all(keeps) else "cannot_tell" if any(keeps) else "fail"
        assert asked(low, high, limit) == said


def test_reversed_bounds_prove_nothing():
    for limit in (0, 1, 2, 3):
        assert at_most(2, 1, limit) == at_least(2, 1, limit) == "cannot_tell"
    assert (at_most(1, 1, 1), at_least(1, 1, 1)) == ("pass", "pass")


def test_bands_as_text_and_back():
    for bands in (((400, 60), (None, None)), ((None, 5),), ((-1800, None), (0, 1), (None, 2)), ()):
        assert bands_of(bands_text(bands)) == bands
    assert bands_text(((400, 259_200), (2500, 28_800), (None, None))) == "400:259200 2500:28800 :"
    with pytest.raises(ValueError):
        bands_of("4 °C:3 h")


def test_spans_that_a_rule_asks_for():
    budget = {"kind": "budget", "bands": ((400, 1), (None, 2)), "forbidden_centi": 3000}
    assert rule(from_act="drawn", **budget).span == ("drawn", "now")
    assert rule(from_act="drawn", to_act="spun", **budget).span == ("drawn", "spun")
    assert rule(from_act="drawn", **budget).limits_centi == {400, 3000}
    warm = {"kind": "temperature", "side": "above", "limit_centi": 0, "allowed_s": 0}
    assert rule(from_act="drawn", to_act="spun", phase="between", **warm).span == ("drawn", "spun")
    assert rule(from_act="drawn", to_act="spun", phase="cold", **warm).span is None
    assert rule(phase="any", **warm).limits_centi == {0}
    assert rule(limit_s=5).span is None and rule(limit_s=5).limits_centi == frozenset()


def test_facts_without_acts_are_enough_for_every_answer():
    assert evaluate(rule(limit_s=1), facts(acts={"drawn": Moment(DRAW)})).answer == "fail"
