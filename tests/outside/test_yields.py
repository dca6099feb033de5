"""Yield of serum and plasma, and the grades of haemolysis, against published figures."""

import pytest

from biobank.core.indices import grades_of
from biobank.core.yields import RULE_PCT, expected_ul
from biobank.plans.totals import YIELD_PCT


@pytest.mark.parametrize(("blood_ul", "liquid_ul"), [(5_000, 2_000), (10_000, 4_000), (2_500, 1_000)])
def test_five_of_blood_for_two_of_serum_or_plasma(blood_ul, liquid_ul):
    """Draw 5 mL of blood for each 2 mL of serum or plasma: northernlighthealth.org, Specimen Handling,
    Centrifugation (read there). The other rows are the same rule for other volumes."""
    assert expected_ul(blood_ul) == liquid_ul


def test_a_plan_and_the_bench_go_by_the_same_rule():
    assert YIELD_PCT == RULE_PCT


# A chemistry analyser's scale, − + ++ +++ ++++ in mg/dL: protocol Jen1sIsBwGXEOgeskwRI at pubcompare.ai.
# One value inside each range, and the two grades that share a border.
SCALE = [
    ("haemolysis", [(44, 0), (100, 1), (200, 2), (300, 3), (446, 4)], [(45, 0, 1), (445, 3, 4)]),
    ("icterus", [(1.59, 0), (3, 1), (10, 2), (20, 3), (28.01, 4)], [(1.60, 0, 1), (28, 3, 4)]),
    ("lipaemia", [(119, 0), (200, 1), (300, 2), (700, 3), (996, 4)], [(120, 0, 1), (995, 3, 4)]),
]


@pytest.mark.parametrize(("name", "inside", "borders"), SCALE)
def test_the_scale_of_an_analyser(name, inside, borders):
    for mgdl, grade in inside:
        assert grades_of(name, round(mgdl * 100)) == (grade,)
    for mgdl, low, high in borders:
        assert grades_of(name, round(mgdl * 100)) == (low, high)


def test_what_is_held_to_be_clinically_relevant_haemolysis_is_no_grade_0():
    """0.5 g/L free haemoglobin, 50 mg/dL: doi 10.1515/cclm-2017-0867; normal serum 0.22 to 0.25 g/L, same."""
    assert grades_of("haemolysis", 5_000) == (1,)
    assert grades_of("haemolysis", 2_500) == (0,)
