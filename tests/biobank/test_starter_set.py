"""The starting rule set as a whole: no rule without its tube, no silent choice, units, and installing it."""

from datetime import date

import pytest

from biobank.checks import starter_units as units
from biobank.checks.actions import install_starter
from biobank.checks.starter import rows_of, starter
from biobank.models import ADDITIVES, MATRICES, Assay, AssayTakes, Rule, RuleSet
from custody.core.rules import Facts, Moment, evaluate, verdict
from tests.biobank.starting import ASSAYS, DAY, DRAW, HOUR, RULES, pairs_of

ROWS = starter().rows
SOURCES = {
    "paper": {"cite": "A paper (abstract)", "evidence": "human", "read": "abstract", "studied": "people"}
}
SAID = {"code": "late", "kind": "interval", "severity": "stop", "from": "paper", "from_act": "drawn",
        "to_act": "spun", "limit": "3 h"}  # fmt: skip

# --- no rule without its tube --------------------------------------------------------------------------


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.rule.code)
def test_every_rule_is_about_a_tube_that_its_assay_takes(row):
    """But for the one that needs another anticoagulant first, and says so."""
    reached = pairs_of(row.rule)
    assert reached or row.rule.code.endswith("heparin-7d")


def test_matrices_and_additives_are_those_of_the_biobank():
    pairs = {pair for assay in starter().assays for pair in assay.takes}
    assert {matrix for matrix, _ in pairs} <= {code for code, _ in MATRICES}
    assert {additive for _, additive in pairs} <= {code for code, _ in ADDITIVES} | {""}


def test_each_assay_that_takes_a_tube_has_a_rule_that_carries_weight():
    for assay in starter().assays:
        about = [rule for rule in RULES.values() if rule.assay in {assay.code, assay.family} - {""}]
        assert not assay.takes or any(rule.severity != "note" for rule in about), assay.code


@pytest.mark.parametrize("additive", ["SST", "NONE", "CLOT"])
def test_every_serum_tube_off_the_clot_after_a_week_is_at_least_doubted(additive):
    """Whatever it is in: a limit for gel must not leave plain tubes unchecked."""
    acts = {"drawn": Moment(DRAW), "spun": Moment(DRAW + 8 * DAY), "aliquoted": Moment(DRAW + 8 * DAY)}
    facts = Facts("K7R2M103T", DRAW + 8 * DAY, "SER", additive, acts=acts, volume_ul=5000)
    for assay in starter().assays:
        if ("SER", additive) in assay.takes:
            late = [
                one.rule.code for one in map(lambda rule: evaluate(rule, facts), RULES.values())
                if one and one.rule.assay in assay.named and one.answer == "fail"
            ]  # fmt: skip
            assert late or assay.code == "INSULIN", (
                assay.code
            )  # insulin by its temperatures, which are not known


def test_families_take_no_tube_and_stand_in_no_family():
    families = {assay.family for assay in starter().assays} - {""}
    assert families == {
        "SERUM3H",
        "SERUM6H",
        "SERUM24H",
        "HORMONES",
        "VITAMINS",
        "CITRATE",
        "COUNTS",
        "PLASMA",
    }
    assert all(not ASSAYS[code].takes and not ASSAYS[code].family for code in families)
    assert [bool(one.family) for one in starter().assays] == sorted(
        bool(one.family) for one in starter().assays
    )


# --- a fresh tube, handled as it should be, is fit ------------------------------------------------------

FRESH = {
    ("SER", "SST"): {"drawn": 0, "spun": 45, "aliquoted": 60},
    ("SER", "NONE"): {"drawn": 0, "spun": 45, "aliquoted": 60},
    ("PL1", "HEPL"): {"drawn": 0, "spun": 30, "aliquoted": 45},
    ("PL1", "EDTK"): {"drawn": 0, "spun": 30, "aliquoted": 45},
    ("PL1", "C32"): {"drawn": 0, "spun": 30, "aliquoted": 45},
    ("BLD", "EDTK"): {"drawn": 0},
    ("BLD", "HEPN"): {"drawn": 0},
    ("SWB", "VIRTM"): {"drawn": 0},
}
SLOW = {"POC", "ISOTOPES"}  # run at once; not spun yet


@pytest.mark.parametrize(("pair", "minutes"), FRESH.items(), ids=lambda one: "-".join(one))
def test_a_fresh_tube_is_not_unfit_for_anything_that_takes_it(pair, minutes):
    """An hour and a half after the draw, nothing frozen, nothing measured by a logger: no stop rule fires."""
    acts = {act: Moment(DRAW + after * 60_000) for act, after in minutes.items()}
    facts = Facts(
        "K7R2M103T", DRAW + 90 * 60_000, *pair, "glass vial", acts, 2000, 10, 5000, 5000, 5000, spins=1,
        grades={"haemolysis": 0},
    )  # fmt: skip
    for assay in starter().assays:
        if assay.takes_tube(facts) and assay.code not in SLOW:
            found = verdict(facts, assay, starter().rules)
            assert found.word in ("fit", "caution"), (assay.code, found.sentence)


# --- sources that disagree -----------------------------------------------------------------------------


def test_what_does_not_count_says_why_and_answers_what_another_does():
    """But for permits, which wait for permits to be recorded."""
    chosen = {row.rule.question for row in ROWS if row.active}
    for row in ROWS:
        if not row.active and row.rule.kind != "permit" and not row.rule.code.endswith("heparin-7d"):
            assert row.choice and row.rule.question in chosen, row.rule.code


def test_what_was_chosen_among_several_says_why():
    rejected = {row.rule.question for row in ROWS if not row.active} - {""}
    for row in ROWS:
        if row.active and row.rule.question in rejected:
            assert row.choice, row.rule.code


@pytest.mark.parametrize(
    ("question", "hours"),
    [
        ("Potassium, phosphate, glucose: how soon off the clot?", {1, 2, 3}),  # trade 3.4: 1, 2 or 3 h
        ("Partial thromboplastin time: how soon?", {4, 8}),  # guideline 4 h; one study 8 h
    ],
)
def test_disagreeing_sources_stand_side_by_side(question, hours):
    some = [row.rule for row in ROWS if row.rule.question == question]
    said = {(rule.limit_s or rule.bands[0][1]) / 3600 for rule in some}
    assert hours <= said


# --- quantities as people write them -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("parse", "said", "expected"),
    [
        (units.duration, "3 h", 10_800), (units.duration, "60 min", 3600), (units.duration, "0 s", 0),
        (units.duration, "2.5 d", 216_000), (units.duration, "1 wk", 604_800),
        (units.duration, "6 mo", 15_552_000),
        (units.temperature, "−70 °C", -7000), (units.temperature, "-70 °C", -7000),
        (units.temperature, "4.01 °C", 401),
        (units.percent, "91 %", 91), (units.volume, "150 µL", 150), (units.volume, "1.5 mL", 1500),
        (units.force, "1300 × g", 1300), (units.minutes, "10 min", 10),
        (units.per_decilitre, "149.99 mg/dL", 14_999),
        (units.bands, ["8 °C for 5 d", "warmer for 8 h"], ((800, 432_000), (None, 28_800))),
        (units.bands, ["10 °C for ever", "warmer for 1 h"], ((1000, None), (None, 3600))),
    ],
)  # fmt: skip
def test_quantities(parse, said, expected):
    assert parse(said) == expected


@pytest.mark.parametrize(
    ("parse", "said", "sentence"),
    [
        (units.duration, 3, "3 has no unit"), (units.duration, 1.5, "1.5 has no unit"),
        (units.duration, "3", "not a number with its unit"), (units.duration, "three h", "not a number"),
        (units.duration, "", "not a number"), (units.duration, "3 m", "m is no unit"),
        (units.duration, "3 °C", "°C is no unit"), (units.duration, "-3 h", "less than it can be"),
        (units.duration, "0.0001 s", "finer than can be kept"), (units.temperature, "-70 C", "C is no unit"),
        (units.temperature, "-300 °C", "less than it can be"), (units.percent, "90.5 %", "finer"),
        (units.volume, "0 µL", "less than it can be"), (units.duration, True, "has no unit"),
        (units.force, "3000 rpm", "rpm is no unit"), (units.duration, None, "not a number"),
        (units.count, "1 thaw", "not a whole number"), (units.count, True, "not a whole number"),
        (units.count, -1, "not a whole number"), (units.bands, "8 °C for 5 d", "Bands are a list"),
        (units.bands, [], "Bands are a list"), (units.bands, ["8 °C"], "no band"),
        (units.bands, ["8 for 5 d"], "not a number with its unit"),
    ],
)  # fmt: skip
def test_a_quantity_without_its_unit_is_refused_with_a_sentence(parse, said, sentence):
    with pytest.raises(ValueError, match=sentence):
        parse(said)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"limit": 3}, "late, limit: 3 has no unit"),
        ({"limits": "3 h"}, "no rule says limits"),
        ({"from": "hearsay"}, "hearsay is not in sources.toml"),
        ({"from": ""}, "nothing is not in sources.toml"),
        ({"at_least": "4 h"}, "least is more than the most"),
        ({"above": "4 °C", "below": "2 °C"}, "either above or below"),
        ({"kind": "budget", "bands": ["8 °C for 5 d", "4 °C for 8 h"]}, "late"),
        ({"kind": "grade", "grade_name": "haemolysis"}, "needs max_grade or max_cmgdl"),
    ],
)
def test_what_no_rule_can_say_is_refused_with_its_code(change, sentence):
    with pytest.raises(ValueError, match=sentence):
        list(rows_of(SAID | change, SOURCES))


def test_an_entry_becomes_one_rule_for_each_assay_and_additive():
    some = list(rows_of(SAID | {"assays": ["K", "NA"], "additives": ["NONE", "CLOT"]}, SOURCES))
    assert [(one.rule.code, one.rule.assay, one.rule.additive) for one in some] == [
        ("k-late-none", "K", "NONE"), ("k-late-clot", "K", "CLOT"),
        ("na-late-none", "NA", "NONE"), ("na-late-clot", "NA", "CLOT"),
    ]  # fmt: skip
    assert {(one.rule.read, one.rule.evidence, one.rule.studied) for one in some} == {
        ("abstract", "human", "people")
    }


# --- installed -----------------------------------------------------------------------------------------


def written():
    """How many rows of reference data there are, with their histories."""
    tables = [RuleSet, Rule, Assay, AssayTakes]
    return [table.objects.count() for table in tables] + [table.history.count() for table in tables]


def test_a_new_biobank_has_it_in_force_and_again_nothing_is_written(db):
    found = install_starter()
    assert (str(found), found.status) == ("START version 2", "in_force")
    assert found.rules.count() == len(ROWS)
    assert found.rules.filter(active=True).count() == len(RULES)
    before = written()
    assert install_starter() == found
    assert written() == before


def test_what_is_stored_is_what_was_shipped(db):
    found = install_starter()
    stored = {one.code: one for one in found.rules.select_related("assay")}
    for row in ROWS:
        one = stored[row.rule.code]
        assert (one.core(), one.active, one.choice) == (row.rule, row.active, row.choice)
    rows = {one.code: one.core() for one in Assay.objects.select_related("family").prefetch_related("takes")}
    assert rows == ASSAYS


def older():
    """A biobank that has an older starting set in force, from before there were families."""
    old = RuleSet.objects.create(code="START", version=1, status="in_force", valid_from=date(2026, 1, 1))
    assay = Assay.objects.create(code="KPG", name="Potassium and others", min_ul=77)
    AssayTakes.objects.create(assay=assay, matrix="SER", additive="")
    return old


def test_beside_an_older_one_in_force_it_is_a_draft(db):
    old = older()
    found = install_starter()
    old.refresh_from_db()
    assert (found.version, found.status, old.status) == (2, "draft", "in_force")
    before = written()
    assert install_starter() == found
    assert written() == before


def test_an_assay_from_before_there_were_families_is_reached_by_the_rules(db):
    """It stays as the biobank has it, and stands in no family. Else a late tube would be fit."""
    older()
    install_starter()
    kept = Assay.objects.get(code="KPG")
    assert (kept.name, kept.min_ul) == ("Potassium and others", 77)
    assert kept.family is None
    assert {("SER", ""), ("BLD", "SST")} <= set(kept.takes.values_list("matrix", "additive"))
    late = {"drawn": Moment(DRAW), "spun": Moment(DRAW + 4 * HOUR)}
    facts = Facts("K7R2M103T", DRAW + DAY, "SER", "SST", acts=late, volume_ul=1000)
    assert verdict(facts, kept.core(), starter().rules).word == "not_fit"
