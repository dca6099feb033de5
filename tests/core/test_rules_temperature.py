"""Rules about temperatures at their borders: above, below, in a phase, since draw, between two acts."""

from dataclasses import replace

import pytest

from custody.core.rules import Moment, evaluate
from tests.core.rule_makers import DRAW, HOUR, MIN, answer, facts, phase, rule

WARM = {"phase": "frozen", "side": "above", "limit_centi": -6000, "allowed_s": 600}


@pytest.mark.parametrize(
    ("stay", "expected"),
    [
        (phase(above={-6000: 0}), "pass"),
        (phase(above={-6000: 10 * MIN}), "pass"),
        (phase(above={-6000: 10 * MIN + 1}), "fail"),
        (phase(above={-6000: 0}, no_data=10 * MIN), "pass"),
        (phase(above={-6000: 0}, no_data=10 * MIN + 1), "cannot_tell"),
        (phase(above={-6000: 0}, assumed=HOUR), "cannot_tell"),  # a set point is not a measurement
        (phase(above={-6000: 10 * MIN + 1}, no_data=HOUR), "fail"),  # failed already, whatever the rest
        (phase(above={-6000: HOUR}, assumed=HOUR), "cannot_tell"),  # warm by its set point only
        (phase(), "cannot_tell"),  # this limit was never worked out
    ],
)
def test_time_above_a_temperature(stay, expected):
    assert answer(rule("temperature", **WARM), facts(phases=(stay,))) == expected


def test_a_phase_that_lasts_is_counted_to_now():
    lasting = replace(phase(), end_ms=None)
    found = evaluate(rule("temperature", **WARM), facts(DRAW + 5 * HOUR, phases=(lasting,)))
    assert found.sentence.endswith("5 h not measured.")


def test_times_of_several_phases_add_up_and_others_do_not_count():
    stays = (
        phase(above={-6000: 6 * MIN}),
        phase("cold", above={-6000: 9 * HOUR}),
        phase(above={-6000: 5 * MIN}),
    )
    found = evaluate(rule("temperature", **WARM), facts(phases=stays))
    assert (found.answer, found.fact) == ("fail", "11 min")


def test_below_is_the_other_side():
    cold = rule("temperature", phase="cold", side="below", limit_centi=0, allowed_s=0)
    assert answer(cold, facts(phases=(phase("cold", above={0: HOUR}, below={0: 0}),))) == "pass"
    assert answer(cold, facts(phases=(phase("cold", above={0: 0}, below={0: 1}),))) == "fail"


def test_never_frozen_is_no_warm_freezer():
    assert answer(rule("temperature", **WARM), facts()) == "pass"


@pytest.mark.parametrize(("asof_h", "expected"), [(12, "pass"), (13, "cannot_tell")])
def test_time_in_no_place_since_draw_is_time_without_data(asof_h, expected):
    asked = rule("temperature", phase="any", side="above", limit_centi=1000, allowed_s=2 * 3600)
    known = facts(
        DRAW + asof_h * HOUR, acts={"drawn": Moment(DRAW)}, phases=(phase("cold", above={1000: 0}),)
    )
    assert answer(asked, known) == expected


def test_in_any_place_without_a_draw_nobody_can_tell():
    asked = rule("temperature", phase="any", side="above", limit_centi=1000, allowed_s=60)
    assert answer(asked, facts(phases=(phase("cold", above={1000: 0}),))) == "cannot_tell"
    assert answer(asked, facts(phases=(phase("cold", above={1000: HOUR}),))) == "fail"


def test_what_a_stay_does_not_say_is_not_known():
    bare = phase(above={-6000: 0})
    for odd in (replace(bare, above=None), replace(bare, assumed_ms=None), replace(bare, no_data_ms=None)):
        assert answer(rule("temperature", **WARM), facts(phases=(odd,))) == "cannot_tell"
    unsaid = replace(phase(above={-6000: 10 * HOUR}), assumed_ms=None)
    assert answer(rule("temperature", **WARM), facts(phases=(unsaid,))) == "cannot_tell"


def test_a_table_that_says_more_than_the_stay_lasted_counts_for_the_stay():
    asked = rule("temperature", **WARM | {"allowed_s": 36_000})
    assert answer(asked, facts(phases=(phase(above={-6000: 11 * HOUR}),))) == "pass"
    assert answer(asked, facts(phases=(phase(hours=11, above={-6000: 11 * HOUR}),))) == "fail"


def test_a_stay_that_ends_before_it_begins_proves_nothing():
    back = replace(phase(above={-6000: 0}), end_ms=DRAW - 1)
    for some in ((back,), (phase(above={-6000: HOUR}), back)):
        found = evaluate(rule("temperature", **WARM), facts(phases=some))
        assert (found.answer, found.missing) == ("cannot_tell", ("readings",))
        assert found.sentence.startswith("It is noted as leaving a place before it came there")
    no_time = replace(phase(hours=0, above={-6000: 0}))
    assert answer(rule("temperature", **WARM), facts(phases=(no_time,))) == "pass"


def test_a_stay_elsewhere_that_is_reversed_does_not_matter():
    back = replace(phase("cold"), end_ms=DRAW - 1)
    assert answer(rule("temperature", **WARM), facts(phases=(phase(above={-6000: 0}), back))) == "pass"


def test_the_stays_that_count_are_named_and_a_lasting_one_lasts_to_now():
    some = (
        phase(above={-6000: 0}),
        phase("cold"),
        replace(phase(above={-6000: 0}, start=DRAW + 12 * HOUR), end_ms=None),
    )
    found = evaluate(rule("temperature", **WARM), facts(phases=some))
    assert found.spans == ((DRAW, DRAW + 10 * HOUR), (DRAW + 12 * HOUR, DRAW + 24 * HOUR))


@pytest.mark.parametrize(
    ("name", "words"), [("frozen", "a freezer"), ("cold", "a fridge or cooler"), ("ambient", "a warm place")]
)
def test_no_time_in_a_place(name, words):
    found = evaluate(rule("temperature", **WARM | {"phase": name}), facts())
    assert (found.answer, found.sentence) == ("pass", f"No time in {words} so far.")


def test_its_sentences():
    warm = evaluate(rule("temperature", **WARM), facts(phases=(phase(above={-6000: 11 * MIN}, no_data=MIN),)))
    assert warm.sentence == "11 min above −60 °C in a freezer; allowed 10 min; 1 min not measured."
    assert (warm.fact, warm.limit) == ("11 min", "10 min above −60 °C")
    known = evaluate(rule("temperature", **WARM), facts(phases=(phase(above={-6000: 0}),)))
    assert known.sentence == "No time above −60 °C in a freezer; allowed 10 min."
    asked = rule("temperature", phase="any", side="above", limit_centi=1000, allowed_s=60)
    drawn = facts(DRAW + 10 * HOUR, acts={"drawn": Moment(DRAW)}, phases=(phase("cold", above={1000: 0}),))
    assert evaluate(asked, drawn).sentence == "No time above 10 °C since draw; allowed 1 min."
    dark = evaluate(
        rule("temperature", **WARM | {"allowed_s": 0}), facts(phases=(phase(above={-6000: 0}, no_data=MIN),))
    )
    assert (
        dark.sentence
        == "No time above −60 °C was measured in a freezer; none is allowed; 1 min not measured."
    )
    unsure = facts(phases=(phase("cold", above={1000: 60_000}),))
    said = evaluate(asked, unsure)
    assert said.sentence == "The time of draw is not known, so neither is the time above 10 °C."
    assert (said.answer, said.missing, said.spans) == (
        "cannot_tell",
        ("act:drawn",),
        ((DRAW, DRAW + 10 * HOUR),),
    )
    over = evaluate(asked, facts(phases=(phase("cold", above={1000: 60_001}),)))
    assert (over.answer, over.missing) == ("fail", ())


@pytest.mark.parametrize(
    ("ms", "said"), [(600_000, "10 min"), (600_500, "10 min 500 ms"), (599_999, "9 min")]
)
def test_half_a_second_over_is_not_cut_away(ms, said):
    found = evaluate(rule("temperature", **WARM), facts(phases=(phase(above={-6000: ms}),)))
    assert found.fact == said


def test_an_uncertain_draw_may_have_been_earlier():
    asked = rule("temperature", phase="any", side="above", limit_centi=1000, allowed_s=600)
    stay = phase("cold", above={1000: 0})
    for unc_s, expected in ((600, "pass"), (601, "cannot_tell")):
        known = facts(DRAW + 10 * HOUR, acts={"drawn": Moment(DRAW, unc_s)}, phases=(stay,))
        assert answer(asked, known) == expected


# --- between two acts ------------------------------------------------------------------------------

ON_THE_WAY = {
    "phase": "between",
    "from_act": "drawn",
    "to_act": "spun",
    "side": "above",
    "limit_centi": 2500,
    "allowed_s": 600,
}


def between(stay, *, unc_s=0, hours=10, acts=None):
    acts = acts or {"drawn": Moment(DRAW, unc_s, "d"), "spun": Moment(DRAW + hours * HOUR, 0, "s")}
    return facts(acts=acts, between={("drawn", "spun"): (stay,)})


@pytest.mark.parametrize(
    ("known", "expected"),
    [
        (between(phase("ambient", above={2500: 10 * MIN})), "pass"),
        (between(phase("ambient", above={2500: 10 * MIN + 1})), "fail"),
        (between(phase("ambient", above={2500: 10 * MIN}), unc_s=1), "cannot_tell"),
        (between(phase("ambient", above={2500: 10 * MIN + 1000}), unc_s=1), "cannot_tell"),
        (between(phase("ambient", above={2500: 10 * MIN + 1001}), unc_s=1), "fail"),
        (between(phase("ambient", above={2500: 10 * MIN - 1000}), unc_s=1), "pass"),
        (between(phase("ambient", above={2500: 9 * MIN}, no_data=MIN)), "pass"),
        (between(phase("ambient", above={2500: 9 * MIN}, no_data=MIN + 1)), "cannot_tell"),
        (between(phase("ambient", 9, above={2500: 0})), "cannot_tell"),  # an hour in no place
        (between(phase("ambient", 11, above={2500: 0})), "pass"),
    ],
)
def test_between_two_acts(known, expected):
    assert answer(rule("temperature", **ON_THE_WAY), known) == expected


def test_the_sentence_of_a_time_between_two_acts():
    found = evaluate(rule("temperature", **ON_THE_WAY), between(phase("ambient", above={2500: 5 * MIN})))
    assert found.sentence == "5 min above 25 °C between draw and spin; allowed 10 min."
    assert (found.events, found.spans) == (("d", "s"), ((DRAW, DRAW + 10 * HOUR),))
    to_now = rule("temperature", **ON_THE_WAY | {"to_act": "now"})
    since = replace(
        facts(DRAW + HOUR, acts={"drawn": Moment(DRAW, 0, "d")}),
        between={("drawn", "now"): (phase("cold", 1, above={2500: 0}),)},
    )
    found = evaluate(to_now, since)
    assert (found.answer, found.events) == ("pass", ("d",))
    assert found.sentence == "No time above 25 °C since draw; allowed 10 min."


def test_a_first_act_that_is_not_known_and_one_that_need_not_happen():
    asked = rule("temperature", **ON_THE_WAY)
    found = evaluate(asked, facts())
    assert (found.answer, found.missing) == ("cannot_tell", ("act:drawn",))
    found = evaluate(rule("temperature", **ON_THE_WAY | {"from_act": "thawed", "to_act": "now"}), facts())
    assert (found.answer, found.sentence, found.missing) == ("pass", "Not thawed so far.", ())


@pytest.mark.parametrize(("warm", "expected"), [(10 * MIN, "pass"), (10 * MIN + 1, "fail")])
def test_until_the_second_act_what_was_so_far_counts(warm, expected):
    stays = (phase("ambient", above={2500: warm}),)
    acts = {"drawn": Moment(DRAW, 0, "d")}
    known = facts(DRAW + 10 * HOUR, acts=acts, between={("drawn", "spun"): stays})
    found = evaluate(rule("temperature", **ON_THE_WAY), known)
    assert (found.answer, found.missing, found.events) == (expected, (), ("d",))
    assert found.sentence.endswith("allowed 10 min. Not spun so far.")


def test_until_a_second_act_that_need_not_happen_it_counts_to_now():
    asked = rule("temperature", **ON_THE_WAY | {"to_act": "thawed"})
    known = facts(
        DRAW + 10 * HOUR,
        acts={"drawn": Moment(DRAW)},
        between={("drawn", "thawed"): (phase("ambient", above={2500: 0}),)},
    )
    assert answer(asked, known) == "pass"


def test_what_nobody_worked_out_is_not_known():
    assert (
        answer(
            rule("temperature", **ON_THE_WAY),
            facts(acts={"drawn": Moment(DRAW), "spun": Moment(DRAW + HOUR)}),
        )
        == "cannot_tell"
    )
    at_once = facts(acts={"drawn": Moment(DRAW), "spun": Moment(DRAW)})
    assert answer(rule("temperature", **ON_THE_WAY), at_once) == "pass"


def test_acts_the_wrong_way_round_and_stays_too():
    wrong = {"drawn": Moment(DRAW, 0, "d"), "spun": Moment(DRAW - 1, 0, "s")}
    found = evaluate(rule("temperature", **ON_THE_WAY), between(phase(above={2500: 0}), acts=wrong))
    assert (found.answer, found.missing, found.events) == (
        "cannot_tell",
        ("time:drawn", "time:spun"),
        ("d", "s"),
    )
    back = replace(phase(above={2500: 0}), end_ms=DRAW - 1)
    found = evaluate(rule("temperature", **ON_THE_WAY), between(back))
    assert (found.answer, found.missing) == ("cannot_tell", ("readings",))


def test_time_in_no_place_adds_to_what_nobody_measured():
    """8 of 9 h 56 min without data in a place and 4 min in none: 12 min, 10 are allowed."""
    dark = replace(phase("ambient", 10, above={2500: 0}, no_data=8 * MIN), end_ms=DRAW + 10 * HOUR - 4 * MIN)
    assert answer(rule("temperature", **ON_THE_WAY), between(dark)) == "cannot_tell"
    lit = replace(dark, no_data_ms=6 * MIN)
    assert answer(rule("temperature", **ON_THE_WAY), between(lit)) == "pass"


def test_a_limit_is_said_to_the_second():
    found = evaluate(
        rule("temperature", **WARM | {"allowed_s": 176_430}), facts(phases=(phase(above={-6000: 0}),))
    )
    assert found.limit == "2 d 1 h 30 s above −60 °C"
    assert found.sentence == "No time above −60 °C in a freezer; allowed 2 d 1 h 30 s."
