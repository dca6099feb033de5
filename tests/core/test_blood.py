"""Blood limits as arithmetic, against worked values that others published.

Sources are named beside each value. (C): computed here by hand from figures of a named source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core import blood
from biobank.core.blood import DAY_MS, Asked, Draw, Rule, Total
from custody.core.refusal import Refused


def code_of(call) -> str:
    with pytest.raises(Refused) as no:
        call()
    return no.value.code


# mass g, parts per thousand of body mass, µL
OF_MASS = [
    pytest.param(25, 10, 250, id="25 g mouse, 1 %: 0.25 mL, Penn State University, research.psu.edu"),
    pytest.param(30, 10, 300, id="30 g mouse, 1 % in 14 days: 0.3 mL, UC Davis, safetyservices.ucdavis.edu"),
    pytest.param(30, 5, 150, id="30 g mouse, 0.5 % weekly: 0.15 mL, UC Davis"),
    pytest.param(150_000, 10, 1_500_000, id="(C) 150 kg seal, 1 %: 1.5 L"),
]
# mass g, mL/kg, parts per thousand, all blood µL, share µL
OF_VOLUME = [
    pytest.param(30, 70, 100, 2100, 210, id="30 g mouse, 7 % x 10 %: 0.21 mL, info.5y1.org"),
    pytest.param(40, 70, 150, 2800, 420, id="40 g mouse: 2.8 mL, 15 % 0.42 mL, csulb.edu"),
    pytest.param(4540, 70, 150, 317_800, 47_670, id="4.54 kg rabbit: 318 mL, 15 % 48 mL, csulb.edu"),
    pytest.param(100, 100, 100, 10_000, 1000, id="100 g cockatiel: 10 mL, 1 mL, cal.vet.upenn.edu"),
    pytest.param(
        150_000, 139, 100, 20_850_000, 2_085_000, id="(C) 150 kg hooded seal, 139 mL/kg: Cabanac 2000"
    ),
]


@pytest.mark.parametrize(("mass_g", "per_mille", "ul"), OF_MASS)
def test_a_share_of_mass_gives_what_the_source_says(mass_g, per_mille, ul):
    found = blood.limit(Rule(mass_per_mille=per_mille), mass_g)
    assert (found.ul, found.kind, found.other_ul) == (ul, "mass", None)


@pytest.mark.parametrize(("mass_g", "ml_per_kg", "per_mille", "all_ul", "ul"), OF_VOLUME)
def test_a_share_of_blood_volume_gives_what_the_source_says(mass_g, ml_per_kg, per_mille, all_ul, ul):
    found = blood.limit(Rule(volume_per_mille=per_mille, ml_per_kg=ml_per_kg), mass_g)
    assert blood.blood_volume_ul(mass_g, ml_per_kg) == all_ul
    assert (found.ul, found.kind) == (ul, "volume")


def test_of_two_shares_the_stricter_counts_and_says_which():
    """(C) from Cabanac 2000: a diver has much blood, so of 1.5 L by mass and 2.1 by volume 1.5 counts."""
    both = Rule(mass_per_mille=10, volume_per_mille=100, ml_per_kg=139, window_days=14)
    seal = blood.limit(both, 150_000)
    assert (seal.kind, seal.ul, seal.other_ul) == ("mass", 1_500_000, 2_085_000)
    assert seal.words == "1 % of body mass in 14 days"
    lean = blood.limit(Rule(mass_per_mille=10, volume_per_mille=100, ml_per_kg=56), 150_000)
    assert (lean.kind, lean.ul, lean.other_ul) == ("volume", 840_000, 1_500_000)
    assert lean.words == "10 % of the blood volume (56 mL/kg) in 1 day"


@given(st.integers(1, blood.LARGEST_G), st.integers(1, 100), st.integers(1, 1000), st.integers(20, 250))
def test_both_are_never_more_than_either_and_a_limit_is_cut_down(mass_g, of_mass, of_volume, ml_per_kg):
    both = blood.limit(Rule(of_mass, of_volume, ml_per_kg), mass_g)
    mass = blood.limit(Rule(mass_per_mille=of_mass), mass_g)
    volume = blood.limit(Rule(None, of_volume, ml_per_kg), mass_g)
    assert both.ul == min(mass.ul, volume.ul)
    assert 0 <= mass_g * ml_per_kg * of_volume - volume.ul * 1000 < 1000


@pytest.mark.parametrize("mass_g", [0, -1, 5_000_001, 10_000_000], ids=["none", "below", "above", "10 t"])
def test_a_mass_that_cannot_be_is_refused(mass_g):
    assert code_of(lambda: blood.limit(Rule(mass_per_mille=10), mass_g)) == "mass_not_plausible"


@pytest.mark.parametrize("mass_g", [1, 5_000_000])
def test_the_borders_of_a_mass_are_masses(mass_g):
    assert blood.limit(Rule(mass_per_mille=10), mass_g).ul == mass_g * 10


@pytest.mark.parametrize(
    ("rule", "code"),
    [
        (Rule(), "limit_says_nothing"),
        (Rule(mass_per_mille=0), "share_not_positive"),
        (Rule(mass_per_mille=-10), "share_not_positive"),
        (Rule(volume_per_mille=-1, ml_per_kg=70), "share_not_positive"),
        (Rule(mass_per_mille=101), "share_too_large"),
        (Rule(volume_per_mille=1001, ml_per_kg=70), "share_too_large"),
        (Rule(volume_per_mille=100), "blood_volume_missing"),
        (Rule(mass_per_mille=10, ml_per_kg=70), "blood_volume_missing"),
        (Rule(volume_per_mille=100, ml_per_kg=19), "blood_volume_not_plausible"),
        (Rule(volume_per_mille=100, ml_per_kg=251), "blood_volume_not_plausible"),
        (Rule(mass_per_mille=10, window_days=0), "window_out_of_range"),
        (Rule(mass_per_mille=10, window_days=366), "window_out_of_range"),
    ],
)
def test_what_is_no_rule_is_refused(rule, code):
    assert code_of(lambda: blood.checked(rule)) == code


@pytest.mark.parametrize(
    "rule",
    [
        Rule(mass_per_mille=1),
        Rule(mass_per_mille=100, window_days=365),
        Rule(None, 1, 20),
        Rule(None, 1000, 250),
    ],
)
def test_the_borders_of_a_rule_are_rules(rule):
    assert blood.checked(rule) == rule


def test_more_than_15_percent_of_the_blood_is_doubted_with_its_source():
    """altasciences.com: a single draw of at most 15 % of the blood volume."""
    assert blood.doubts(Rule(None, 150, 70)) == []
    (doubt,) = blood.doubts(Rule(None, 151, 70))
    assert "15.1 %" in doubt.sentence and "altasciences.com" in doubt.source


@pytest.mark.parametrize(
    ("per_mille", "days", "doubted"),
    [
        (10, 14, False),
        (11, 14, True),
        (5, 7, False),
        (6, 7, True),
        (10, 28, False),
        (20, 28, True),
        (10, 1, True),
    ],
)
def test_more_than_one_percent_of_mass_in_14_days_or_half_when_weekly_is_doubted(per_mille, days, doubted):
    """UC Davis: 1 % of body mass in 14 days, 0.5 % when weekly. (28 days: 2 % could be taken at once.)"""
    assert bool(blood.doubts(Rule(mass_per_mille=per_mille, window_days=days))) is doubted


NOW = 1_800_000_000_000


@pytest.mark.parametrize(
    ("before_ms", "counts"),
    [(0, True), (14 * DAY_MS - 1, True), (14 * DAY_MS, False), (14 * DAY_MS + 1, False), (-1, False)],
    ids=["now", "a ms inside", "exactly 14 days", "older", "after the end"],
)
def test_the_window_leaves_out_its_far_end_and_holds_its_near_one(before_ms, counts):
    """Moments, not dates: after exactly 14 days 1 % may be taken again. Common practice, no source."""
    draws = [Draw(NOW - before_ms, 1000)]
    assert bool(blood.inside(draws, NOW, NOW, 14)) is counts


def test_draws_during_the_workup_count_until_its_end():
    draws = [Draw(NOW - DAY_MS, 1), Draw(NOW + 60_000, 2), Draw(NOW + 120_001, 4)]
    assert blood.total(blood.inside(draws, NOW, NOW + 120_000, 1)).ul == 2


def test_what_was_not_measured_counts_at_the_nominal_volume_and_is_told_apart():
    draws = [Draw(1, 4000, 5000), Draw(2, None, 5000), Draw(3, None, None), Draw(4, 0, 5000)]
    assert blood.total(draws) == Total(9000, unmeasured=1, unknown=1)
    assert blood.total([]) == Total(0, 0, 0)


def test_what_fits_goes_by_priority_and_passes_over_what_is_too_large():
    tubes = [Asked("big", 10_000, 2), Asked("first", 4000, 1), Asked("odd", None, 1), Asked("small", 2000, 3)]
    assert blood.fitting(6000, tubes) == ["first", "small"]
    assert blood.fitting(16_000, tubes) == ["first", "big", "small"]
    assert blood.fitting(1999, tubes) == []


def test_words_of_a_rule():
    assert blood.words(Rule(5, None, None, 7)) == "0.5 % of body mass in 7 days"
    assert blood.words(Rule(10, 175, 70, 1)) == (
        "1 % of body mass in 1 day, or 17.5 % of the blood volume (70 mL/kg) in 1 day"
    )
