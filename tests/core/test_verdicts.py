"""Which rules are about which tube and assay, and what their answers make of a verdict: conditions, families,
an assay's own least volume, overrides."""

from dataclasses import replace

import pytest

from custody.core.rule import applies, unknown
from custody.core.rules import LEAST_VOLUME, Assay, Moment, evaluate, verdict
from tests.core.rule_makers import DRAW, HOUR, SST, facts, rule

CHEM = Assay("CHEM", "Serum chemistry")
IRON = Assay("FE", "Serum iron", family="CHEM")
GOOD = facts(thaws=1, volume_ul=500, taxon="mammal", container="Glass vial")


def thaws(most, **said):
    return rule("thaws", max_thaws=most, **said)


# --- conditions ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "known", "expected"),
    [
        ({"matrix": "SER"}, {"matrix": "SER"}, "pass"),
        ({"matrix": "SER"}, {"matrix": "PL1"}, "fail"),
        ({"matrix": "SER"}, {"matrix": ""}, "cannot_tell"),
        ({"additive": "SST"}, {"additive": "SST"}, "pass"),
        ({"additive": "SST"}, {"additive": "NONE"}, "fail"),
        ({"additive": "SST"}, {"additive": ""}, "cannot_tell"),
        ({"taxon": "bird"}, {"taxon": "bird"}, "pass"),
        ({"taxon": "bird"}, {"taxon": "mammal"}, "fail"),
        ({"taxon": "bird"}, {"taxon": ""}, "cannot_tell"),
        ({"material": "glass"}, {"container": "Glass vial"}, "pass"),
        ({"material": "glass"}, {"container": "PP cryovial"}, "fail"),
        ({"material": "glass"}, {"container": ""}, "cannot_tell"),
        ({"taxon": "bird", "material": "glass"}, {"taxon": "", "container": "PP vial"}, "fail"),
        ({"taxon": "bird", "material": "glass"}, {"taxon": "", "container": "Glass"}, "cannot_tell"),
        ({}, {"matrix": "", "additive": "", "taxon": "", "container": ""}, "pass"),
    ],
)
def test_each_condition(asked, known, expected):
    assert applies(thaws(0, **asked), facts(**known)) == expected


@pytest.mark.parametrize(
    ("asked", "known", "said", "missing"),
    [
        ({"additive": "SST"}, {"additive": ""}, "The additive is not known", ("additive",)),
        ({"taxon": "bird"}, {}, "The species group is not known", ("taxon",)),
        ({"material": "glass"}, {}, "What the tube is of is not known", ("material",)),
        ({"matrix": "SER"}, {"matrix": ""}, "What is in it is not known", ("matrix",)),
        ({"matrix": "SER", "taxon": "bird", "additive": "SST"}, {"matrix": "", "additive": ""},
         "What is in it, additive and species group are not known",
         ("matrix", "additive", "taxon")),
        ({"additive": "SST", "taxon": "bird"}, {"additive": ""},
         "The additive and species group are not known", ("additive", "taxon")),
    ],
)  # fmt: skip
def test_a_fail_that_may_not_count_says_what_is_not_known(asked, known, said, missing):
    found = evaluate(thaws(0, **asked), facts(thaws=1, **known))
    assert (found.answer, found.missing) == ("cannot_tell", missing)
    assert found.sentence == f"1 thaw recorded; at most 0. {said}, so this may not count."
    fine = evaluate(thaws(1, **asked), facts(thaws=1, **known))
    assert (fine.answer, fine.missing, fine.sentence) == ("pass", (), "1 thaw recorded; at most 1.")
    assert unknown(thaws(0, **asked), facts(**known)) == missing


def test_what_cannot_be_told_misses_its_own_and_what_it_may_be_about():
    found = evaluate(rule("volume", min_ul=1, taxon="bird", hint="Weigh it."), facts())
    assert (found.answer, found.missing) == ("cannot_tell", ("volume", "taxon"))
    assert found.sentence == (
        "The volume was not measured; at least 1 µL. Weigh it."
        " The species group is not known, so this may not count."
    )


# --- families -----------------------------------------------------------------------------------------


def test_rules_of_the_family_are_about_its_members():
    family, other = thaws(0, assay="CHEM"), thaws(0, assay="OTHER")
    assert verdict(GOOD, IRON, [family]).word == "not_fit"
    assert verdict(GOOD, CHEM, [family]).word == "not_fit"
    assert verdict(GOOD, IRON, [other, thaws(1, assay="CHEM")]).word == "fit"
    assert verdict(GOOD, Assay("ALONE"), [family]).findings == ()


def test_rules_of_a_member_are_not_about_its_family():
    assert verdict(GOOD, CHEM, [thaws(0, assay="FE"), thaws(1, assay="CHEM")]).word == "fit"


def test_one_grade_has_an_answer_for_each_analyte():
    """The same red serum: iron reads wrong, ALP does not (limits made up)."""
    iron = rule("grade", grade_name="haemolysis", max_cmgdl=14_999, assay="FE", code="fe")
    alp = rule(
        "grade", grade_name="haemolysis", max_cmgdl=50_000, assay="ALP", code="alp", severity="caution"
    )
    both = rule("thaws", max_thaws=3, assay="CHEM", code="thaws")
    red = replace(GOOD, indices={"haemolysis": 15_000})
    words = {
        one.code: verdict(red, one, [iron, alp, both]).word
        for one in (IRON, Assay("ALP", family="CHEM"), CHEM)
    }
    assert words == {"FE": "not_fit", "ALP": "fit", "CHEM": "fit"}


# --- no rule at all, and its own least volume -----------------------------------------------------------


def test_an_assay_without_rules_says_so():
    found = verdict(GOOD, CHEM, [])
    assert (found.word, found.sentence) == (
        "cannot_tell",
        "No rule is about this assay and this kind of tube.",
    )
    general = verdict(GOOD, CHEM, [thaws(1, assay="")])
    assert (general.word, general.sentence) == ("cannot_tell", "No rule names this assay.")
    bird = verdict(GOOD, CHEM, [thaws(1, assay="CHEM", taxon="bird")])
    assert bird.sentence == "No rule is about this assay and this kind of tube."


@pytest.mark.parametrize(("left", "expected"), [(500, "fit"), (499, "not_fit"), (None, "cannot_tell")])
def test_its_own_least_volume_is_one_more_stop_rule(left, expected):
    small = replace(SST, min_ul=500)
    found = verdict(replace(GOOD, volume_ul=left), small, [thaws(1)])
    assert found.word == expected
    last = found.findings[-1]
    assert (last.rule.code, last.rule.kind, last.rule.severity) == (LEAST_VOLUME, "volume", "stop")
    assert (last.rule.assay, last.rule.min_ul, last.sources) == (
        "SER",
        500,
        ("the assay's own least volume",),
    )
    assert LEAST_VOLUME == "least-volume"


def test_a_least_volume_of_nothing_and_none_at_all():
    assert len(verdict(GOOD, replace(SST, min_ul=0), [thaws(1)]).findings) == 2
    assert len(verdict(GOOD, SST, [thaws(1)]).findings) == 1


def test_its_own_least_volume_alone_makes_no_tube_fit():
    found = verdict(GOOD, replace(SST, min_ul=1), [])
    assert (found.word, found.sentence) == ("cannot_tell", "No rule names this assay.")


# --- overrides ----------------------------------------------------------------------------------------

SOME = [
    thaws(0, code="stops"),
    thaws(0, code="warns", severity="caution"),
    rule("volume", min_ul=1, code="asks"),
]


@pytest.mark.parametrize(
    ("codes", "left_ul", "word"),
    [
        ((), 5, "not_fit"),
        (("stops",), 5, "caution"),
        (("stops",), None, "cannot_tell"),
        (("stops", "asks"), None, "caution"),
        (("stops", "asks", "warns"), None, "fit"),
        (("warns",), 5, "not_fit"),
        (("stranger",), 5, "not_fit"),
    ],
)
def test_what_was_overridden_does_not_decide_and_stays(codes, left_ul, word):
    before = verdict(replace(GOOD, volume_ul=left_ul), SST, SOME, "RULES 3")
    after = before.without(codes)
    assert (after.word, after.findings, after.rule_set) == (word, before.findings, "RULES 3")
    assert (before.waived, after.waived) == (frozenset(), frozenset(codes))
    assert not {one.rule.code for one in after.deciding} & set(codes)
    assert set(after.ranked) == set(before.findings)


def test_overrides_add_up():
    twice = verdict(GOOD, SST, SOME).without(["stops"]).without(["warns"])
    assert (twice.word, twice.waived) == ("fit", {"stops", "warns"})


def test_a_verdict_says_that_something_was_overridden():
    found = verdict(GOOD, SST, SOME)
    assert found.without(["stops", "warns"]).sentence == (
        "3 rules checked; nothing but what was overridden speaks against it."
    )
    fine = verdict(GOOD, SST, [thaws(1, code="fine"), thaws(0, code="n", severity="note")])
    assert fine.without(["fine"]).sentence == fine.sentence == "2 rules checked; nothing speaks against it."
    assert fine.without(["n"]).sentence == fine.sentence  # a note weighs nothing
    assert found.without(["stops"]).sentence == "1 thaw recorded; at most 0."


def test_that_no_rule_names_the_assay_cannot_be_overridden():
    general = verdict(GOOD, SST, [thaws(0, assay="")])
    assert general.without(["r"]).word == "cannot_tell"


def test_ranked_puts_what_decided_first_worst_first():
    found = verdict(replace(GOOD, volume_ul=None), SST, [thaws(1, code="fine"), *SOME[::-1]])
    assert [one.rule.code for one in found.ranked] == ["stops", "asks", "warns", "fine"]
    assert [one.rule.code for one in found.deciding] == ["stops", "asks", "warns"]


def test_a_verdict_knows_when_and_by_which_rules():
    found = verdict(facts(DRAW + HOUR, acts={"drawn": Moment(DRAW)}), SST, SOME, "RULES 3")
    assert (found.asof_ms, found.rule_set, found.assay) == (DRAW + HOUR, "RULES 3", SST)


def test_an_assay_takes_any_of_what_it_names_and_nothing_when_it_names_nothing():
    two = Assay("A", takes=frozenset({("SER", "SST"), ("PL1", "HEPL")}))
    assert two.takes_tube(GOOD) and not two.takes_tube(replace(GOOD, additive="NONE"))
    assert two.takes_tube(replace(GOOD, additive=""))
    assert not Assay("FAMILY").takes_tube(GOOD)


def test_an_assay_is_named_by_its_name_else_its_code():
    assert (str(Assay("FE", "Serum iron")), str(Assay("FE"))) == ("Serum iron", "FE")
    assert IRON.named == {"", "FE", "CHEM"}


def test_bands_as_the_budget_that_the_temperatures_are_asked_for():
    bands = rule("budget", from_act="drawn", bands=((400, 60), (None, None)), forbidden_centi=900).budget()
    assert (bands.edges_centi, bands.limits_ms, bands.forbidden_centi) == (
        (400,),
        (60_000, float("inf")),
        900,
    )
