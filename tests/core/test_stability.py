"""Budgets of time at temperature: shares of what a sample bears, their borders and their words.

The sum of shares is the additive rule ("time at temperature budget"); the numbers are made up
for round sums, worked out by hand in the comments.
"""

from dataclasses import replace

import pytest

from custody.core.judge_said import Gap
from custody.core.rules import Moment, evaluate
from custody.core.stability import costs_of, used
from tests.core.rule_makers import DRAW, HOUR, facts, phase, rule

COLD, ROOM = 400, 2500
BANDS = ((COLD, 72 * 3600), (ROOM, 8 * 3600), (None, 4 * 3600))  # 72 h up to 4 °C, 8 h up to 25 °C, 4 h above
BUDGET = rule("budget", from_act="drawn", bands=BANDS)


def stay(cold=0, room=0, hot=0, *, assumed=0, no_data=0, start=DRAW):
    """Hours in each band, assumed ones in them; hours without data beside them."""
    made = phase(
        "cold", cold + room + hot + no_data, above={COLD: (room + hot) * HOUR, ROOM: hot * HOUR}, start=start
    )
    return replace(made, assumed_ms=assumed * HOUR, no_data_ms=no_data * HOUR)


def lived(*stays, hours=None, unc_s=0, asked=BUDGET):
    hours = sum((one.end_ms - one.start_ms) // HOUR for one in stays) if hours is None else hours
    acts = {"drawn": Moment(DRAW, unc_s, "d")}
    return evaluate(asked, facts(DRAW + hours * HOUR, acts=acts, between={("drawn", "now"): stays}))


@pytest.mark.parametrize(
    ("stays", "expected", "fact"),
    [
        ([stay(72)], "pass", "100 %"),
        ([stay(73)], "fail", "102 %"),  # 73/72 = 101.4 %
        ([stay(71)], "pass", "98 %"),  # 98.6 %
        ([stay(36, 4)], "pass", "100 %"),  # 1/2 + 1/2
        ([stay(36, 2, 1)], "pass", "100 %"),  # 1/2 + 1/4 + 1/4
        ([stay(36), stay(0, 2), stay(0, 0, 1)], "pass", "100 %"),
        ([stay(36, 2, 2)], "fail", "125 %"),
        ([stay(0, 0, 4)], "pass", "100 %"),
        ([stay(36, no_data=1)], "pass", "51 % to 75 %"),  # 37/72 to 36/72 + 1/4
        ([stay(36, no_data=2)], "pass", "52 % to 100 %"),
        ([stay(36, no_data=3)], "cannot_tell", "54 % to 125 %"),
        ([stay(72, no_data=1)], "fail", "102 % to 125 %"),  # even in the best band it is too much
        ([stay(36, 4, assumed=4)], "cannot_tell", "55 % to 195 %"),
        ([stay(36, assumed=36)], "cannot_tell", "50 % to 900 %"),  # a set point is no measurement
    ],
)
def test_shares_add_up(stays, expected, fact):
    found = lived(*stays)
    assert (found.answer, found.fact) == (expected, fact)
    assert found.missing == (("readings",) if expected == "cannot_tell" else ())


def test_assumed_time_is_taken_out_where_it_hurts_least_and_most():
    """36 h cold and 4 h at room temperature, of which 4 h stood at a set point, nobody knows which. At least:
    the 4 h at room temperature, and they were cold: 40/72. At most: 4 of the cold ones, and they were hot:
    32/72 + 4/8 + 4/4."""
    found = used(BUDGET, [stay(36, 4, assumed=4)], Gap(40 * HOUR, 40 * HOUR, 40 * HOUR), DRAW)
    whole = found.whole
    assert (found.sure * 72, found.possible * 72) == (40 * whole, (32 + 36 + 72) * whole)
    assert (found.by_band_ms, found.unmeasured_ms) == ((36 * HOUR, 0, 0), 4 * HOUR)


def test_time_in_no_place_is_not_measured():
    found = lived(stay(36), hours=37)
    assert found.fact == "51 % to 75 %"
    assert lived(stay(36), hours=35).fact == "50 %"
    assert lived(hours=4).answer == "pass" and lived(hours=5).answer == "cannot_tell"
    assert lived(hours=73).answer == "fail"


def test_what_a_stay_does_not_say_is_not_measured():
    for odd in (
        replace(stay(1), above=None), replace(stay(1), assumed_ms=None), replace(stay(1), no_data_ms=None),
        replace(stay(1), above={COLD: 0}), replace(stay(1), above={}),
    ):  # fmt: skip
        assert lived(odd).fact == "1 % to 25 %"


def test_a_warming_counts_as_warm_all_the_way():
    """No readings of its own, but a measured highest temperature: the tables say the whole stay."""
    warmed = replace(stay(no_data=5), above={COLD: 5 * HOUR, ROOM: 0})
    assert lived(warmed).fact == "62 %"
    assert (
        lived(replace(warmed, above={COLD: 9 * HOUR, ROOM: 8 * HOUR})).fact == "125 %"
    )  # no longer than it lasted


@pytest.mark.parametrize(
    ("unc_h", "fact"),
    [(0, "75 %"), (1, "62 % to 100 %"), (2, "50 % to 125 %"), (40, "0 % to more than 10 times")],
)
def test_an_uncertain_draw_cuts_the_worst_hours_or_adds_some(unc_h, fact):
    """36 h cold, 2 h at room temperature: 3/4. An hour less of it: 5/8; an hour more, hot: 1."""
    assert lived(stay(36, 2), unc_s=unc_h * 3600).fact == fact


def test_an_uncertain_span_can_cut_what_nobody_measured_too():
    """36 h cold and 2 h not measured; 37 h less: of the 2 h one is left, in the best band."""
    assert lived(stay(36, no_data=2), unc_s=37 * 3600).fact.startswith("1 % to ")


def test_a_band_that_is_borne_for_ever_uses_nothing():
    asked = rule("budget", from_act="drawn", bands=((-1800, None), (None, 3600)))
    frozen = phase(hours=999, above={-1800: 0})
    assert lived(frozen, asked=asked).fact == "0 %"
    found = lived(replace(frozen, above={-1800: HOUR}), asked=asked)
    assert (found.answer, found.fact) == ("pass", "100 %")
    assert found.sentence == "100 % of what it bears is used (1 h above −18 °C of 1 h)."
    assert found.by_ms == DRAW + 999 * HOUR


def test_a_cold_band_can_be_the_worst_one():
    """Time without data is then cold at worst."""
    asked = rule("budget", from_act="drawn", bands=((800, 3600), (None, 86_400)))
    mild = phase(hours=12, above={800: 12 * HOUR})
    assert lived(mild, asked=asked).fact == "50 %"
    assert lived(mild, hours=13, asked=asked).fact == "54 % to 150 %"


@pytest.mark.parametrize(
    ("stays", "expected"),
    [
        ([stay(1)], "pass"),
        ([replace(stay(1), above={COLD: 0, ROOM: 0, 3000: 0})], "pass"),
        ([replace(stay(0, 0, 1), above={COLD: HOUR, ROOM: HOUR, 3000: 1})], "fail"),
        ([replace(stay(0, 0, 1, assumed=1), above={COLD: HOUR, ROOM: HOUR, 3000: HOUR})], "cannot_tell"),
        ([replace(stay(1, no_data=1), above={COLD: 0, ROOM: 0, 3000: 0})], "cannot_tell"),
    ],
)
def test_where_it_must_never_be(stays, expected):
    asked = replace(BUDGET, forbidden_centi=3000)
    known = [replace(one, above={3000: 0} | one.above) for one in stays]
    found = lived(*known, asked=asked)
    assert found.answer == expected
    words = {"pass": "used (", "fail": "; it was above 30 °C, where it must never be.",
             "cannot_tell": "; it may have been above 30 °C, where it must never be."}  # fmt: skip
    assert words[expected] in found.sentence
    assert ("must never" in found.sentence) == (expected != "pass")


def test_an_uncertain_span_makes_a_moment_too_warm_unsure():
    asked = replace(BUDGET, forbidden_centi=3000)
    for warm_ms, expected in ((1000, "cannot_tell"), (1001, "fail"), (0, "cannot_tell")):
        one = replace(stay(0, 0, 1), above={COLD: HOUR, ROOM: HOUR, 3000: warm_ms})
        assert lived(one, unc_s=1, asked=asked).answer == expected
    away = replace(stay(1), above={COLD: 0, ROOM: 0, 3000: 0})
    assert lived(away, hours=2, asked=asked).answer == "cannot_tell"


def test_its_sentence():
    found = lived(stay(31, 2, no_data=0), hours=38)
    assert found.sentence == (
        "75 % to 194 % of what it bears is used"
        " (31 h at up to 4 °C of 3 d; 2 h at 4 °C to 25 °C of 8 h); 5 h not measured."
    )
    assert found.limit == "3 d at up to 4 °C or 8 h at 4 °C to 25 °C or 4 h above 25 °C"
    assert (found.events, found.spans) == (("d",), ((DRAW, DRAW + 33 * HOUR),))
    never = replace(BUDGET, forbidden_centi=3000)
    assert lived(stay(1), asked=never).limit.endswith("or 4 h above 25 °C; never above 30 °C")
    one = rule("budget", from_act="drawn", bands=((None, 3600),))
    assert lived(phase(hours=1), asked=one).sentence == (
        "100 % of what it bears is used (1 h at any temperature of 1 h)."
    )
    dark = lived(hours=5, asked=rule("budget", from_act="drawn", bands=((None, 14_400),)))
    assert dark.sentence == (
        "125 % of what it bears is used (5 h of 4 h, at any temperature); 5 h not measured."
    )
    free = rule("budget", from_act="drawn", bands=((None, None),), forbidden_centi=3000)
    assert lived(phase(hours=1, above={3000: 0}), asked=free).limit == "never above 30 °C"


def test_a_hair_under_and_a_hair_over_the_whole():
    for more, fact in ((-1, "99 %"), (0, "100 %"), (1, "101 %")):
        one = replace(stay(0, 0, 4), end_ms=DRAW + 4 * HOUR + more)
        one = replace(one, above={COLD: 4 * HOUR + more, ROOM: 4 * HOUR + more})
        found = evaluate(
            BUDGET,
            facts(DRAW + 4 * HOUR + more, acts={"drawn": Moment(DRAW)}, between={("drawn", "now"): (one,)}),
        )
        assert (found.fact, found.answer) == (fact, "fail" if more > 0 else "pass")


def test_thirds_add_up_to_a_whole():
    """3 × 1/3 h of 1 h, in a band whose limit no decimal fraction of a day ends at."""
    asked = rule("budget", from_act="drawn", bands=((COLD, 3 * 3600), (ROOM, 7 * 3600), (None, 11 * 3600)))
    third = stay(1, 0, 0)
    assert lived(third, third, third, asked=asked).answer == "pass"
    mixed = replace(stay(0, 0, 11), above={COLD: 11 * HOUR, ROOM: 11 * HOUR})
    assert lived(mixed, asked=asked).answer == "pass"


@pytest.mark.parametrize(
    ("stays", "hours", "left_h"),
    [([stay(36)], 36, 2), ([stay(36)], 37, 1), ([stay(72)], 72, 0), ([stay(0)], 0, 4)],
)
def test_what_is_left_counts_down_at_the_worst(stays, hours, left_h):
    """36 h cold leave half; above 25 °C that is 2 h."""
    assert lived(*stays, hours=hours).by_ms == DRAW + (hours + left_h) * HOUR


def test_nothing_left_and_nothing_open_count_down_to_nothing():
    assert lived(stay(73)).by_ms is None
    spun = {"drawn": Moment(DRAW), "spun": Moment(DRAW + HOUR)}
    to_spin = replace(BUDGET, to_act="spun")
    known = facts(acts=spun, between={("drawn", "spun"): (stay(1),)})
    found = evaluate(to_spin, known)
    assert (found.answer, found.by_ms) == ("pass", None)
    waiting = evaluate(
        to_spin, facts(DRAW + HOUR, acts={"drawn": Moment(DRAW)}, between={("drawn", "spun"): (stay(1),)})
    )
    assert (waiting.answer, waiting.missing) == ("pass", ())
    assert waiting.by_ms == DRAW + HOUR + 71 * 4 * HOUR // 72
    assert waiting.sentence.endswith("of 3 d). Not spun so far.")
    to_thaw = replace(BUDGET, to_act="thawed")
    free = evaluate(
        to_thaw, facts(DRAW + HOUR, acts={"drawn": Moment(DRAW)}, between={("drawn", "thawed"): (stay(1),)})
    )
    assert (free.answer, free.by_ms) == ("pass", waiting.by_ms)
    never = rule("budget", from_act="drawn", bands=((None, None),), forbidden_centi=3000)
    assert lived(phase(hours=1, above={3000: 0}), asked=never).by_ms is None


def test_from_an_act_that_is_not_known_or_need_not_happen():
    found = evaluate(BUDGET, facts())
    assert (found.answer, found.missing) == ("cannot_tell", ("act:drawn",))
    assert evaluate(replace(BUDGET, from_act="thawed"), facts()).sentence == "Not thawed so far."
    assert evaluate(replace(BUDGET, from_act="frozen"), facts()).sentence == "Not put in a freezer so far."


def test_a_stay_that_ends_before_it_begins():
    back = replace(stay(1), end_ms=DRAW - 1)
    found = lived(back, hours=1)
    assert (found.answer, found.missing) == ("cannot_tell", ("readings",))


def test_costs_are_whole_numbers():
    """72, 8 and 4 h: an hour costs 1, 9 and 18 of 72."""
    costs = costs_of(BANDS)
    assert [cost * HOUR * 72 // costs.whole for cost in costs.costs] == [1, 9, 18]
    assert (costs.edges, costs.limits_ms) == ((COLD, ROOM), (72 * HOUR, 8 * HOUR, 4 * HOUR))


@pytest.mark.parametrize(
    ("unc_h", "hours", "said"),
    [
        (0, 10, "1000 % of what it bears is used"), (0, 11, "More than 10 times what it bears is used"),
        (2, 9, "700 % to 10 times what it bears and more is used"),
    ],
)  # fmt: skip
def test_far_beyond_the_whole_no_figure_is_said(unc_h, hours, said):
    asked = rule("budget", from_act="drawn", bands=((None, 3600),))
    assert lived(hours=hours, asked=asked, unc_s=unc_h * 3600).sentence.startswith(said)


def test_limits_are_said_to_the_second():
    asked = rule("budget", from_act="drawn", bands=((None, 176_430),))
    found = lived(phase(hours=1), asked=asked)
    assert found.limit == "2 d 1 h 30 s at any temperature"
    assert found.sentence == "2 % of what it bears is used (1 h at any temperature of 2 d 1 h 30 s)."


def test_not_a_millisecond_more_is_measured_than_was():
    hour = Gap(HOUR, HOUR, HOUR)
    dark = replace(stay(1), assumed_ms=None)
    found = used(BUDGET, [dark], hour, DRAW)
    assert (found.by_band_ms, found.unmeasured_ms) == ((0, 0, 0), HOUR)
    one = rule("budget", from_act="drawn", bands=((None, 3600),))
    odd = replace(phase(hours=1), no_data_ms=2 * HOUR)
    found = used(one, [odd], hour, DRAW)
    assert (found.by_band_ms, found.unmeasured_ms) == ((0,), HOUR)


def test_a_millisecond_that_nobody_measured_may_have_been_too_warm():
    asked = replace(BUDGET, forbidden_centi=3000)
    known = replace(stay(1), above={COLD: 0, ROOM: 0, 3000: 0})
    assert lived(known, asked=asked).answer == "pass"
    assert lived(replace(known, no_data_ms=1), asked=asked).answer == "cannot_tell"
    acts, stays = {"drawn": Moment(DRAW)}, {("drawn", "now"): (known,)}
    away = evaluate(asked, facts(DRAW + HOUR + 1, acts=acts, between=stays))  # a millisecond in no place
    assert away.answer == "cannot_tell"
