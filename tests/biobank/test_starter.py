"""The starting rule set says what the papers say: every limit, one step on each side of it.

The expected figures are typed from the cited text, in the unit of that text, and never read from the rule
set. "abstract": only the abstract was read. Rules of common practice are in UNSOURCED, without an oracle.
"""

import pytest

from biobank.checks.starter import starter
from custody.core.phase import PhaseSummary
from custody.core.rules import Facts, Moment, evaluate

MIN = 60_000
HOUR = 60 * MIN
DAY = 24 * HOUR
DRAW = 1_780_000_000_000

RULES = {rule.code: rule for rule in starter().rules}

# Clin Chem 1998;44:1325-1333, PubMed 9625060 (abstract; blood kept at 32 °C).
CLIN_CHEM = {"K, P, glucose": 3 * HOUR, "albumin, Cl, HDL, LDL, Fe, protein": 6 * HOUR}
LAB_PAGES = 2 * HOUR  # serum off cells: northernlighthealth.org and healthlabtesting.com
CLOT = (30 * MIN, 60 * MIN)  # CEBP article Table 2, highwire 48478; northernlighthealth.org
DOG_UNSPUN_COLD = 40 * HOUR  # dog cortisol 1981, 42(9):1618-1620 (abstract): no loss
DOG_CLOTTED_WARM = 72 * HOUR  # dog T4/cortisol/insulin (abstract): has fallen
DOLPHIN_ACTH = 24 * HOUR  # Aquatic Mammals 2013;39:324-329 (abstract), plasma at 4 °C
PTT_GUIDELINE = 4 * HOUR  # CLSI H21-A5 as quoted on a laboratory blog
RABBIT_RNA = {"gene shifts": 24 * HOUR, "integrity falls": 3 * DAY}  # PeerJ 8:e8940 (abstract)
WHO_2005 = {"swab": 2 * DAY, "serum": 7 * DAY}  # WHO, 12 January 2005: 2 days; about a week

INTERVALS = [
    ("kpg-gel-spun-by-3h", "drawn", "spun", CLIN_CHEM["K, P, glucose"]),
    ("kpg-serum-off-clot-by-3h", "drawn", "aliquoted", CLIN_CHEM["K, P, glucose"]),
    ("chem-gel-spun-by-6h", "drawn", "spun", CLIN_CHEM["albumin, Cl, HDL, LDL, Fe, protein"]),
    ("chem-serum-off-clot-by-6h", "drawn", "aliquoted", CLIN_CHEM["albumin, Cl, HDL, LDL, Fe, protein"]),
    *((f"{assay}-gel-spun-by-2h", "drawn", "spun", LAB_PAGES) for assay in ("kpg", "chem")),
    *((f"{assay}-serum-off-clot-by-2h", "drawn", "aliquoted", LAB_PAGES) for assay in ("kpg", "chem")),
    *((f"{assay}-clot-time", "drawn", "spun", CLOT[1]) for assay in ("kpg", "chem")),
    ("cort-cortisol-unspun-40h", "drawn", "spun", DOG_UNSPUN_COLD),
    ("cort-cortisol-unspun-72h", "drawn", "spun", DOG_CLOTTED_WARM),
    ("acth-acth-frozen-by-24h", "spun", "frozen", DOLPHIN_ACTH),
    ("coag-citrate-frozen-by-4h", "drawn", "frozen", PTT_GUIDELINE),
    ("rna-rna-frozen-by-24h", "drawn", "frozen", RABBIT_RNA["gene shifts"]),
    ("rna-rna-frozen-by-3d", "drawn", "frozen", RABBIT_RNA["integrity falls"]),
    ("vir-swab-frozen-by-2d", "drawn", "frozen", WHO_2005["swab"]),
    ("sero-serology-frozen-by-1w", "drawn", "frozen", WHO_2005["serum"]),
]  # fmt: skip


def tube(code, asof_ms=DRAW + 400 * DAY, **said):
    """A tube of the kind that the rule is about."""
    rule = RULES[code]
    return Facts("K7R2M103T", asof_ms, rule.matrix or "SER", rule.additive or "SST", **said)


def answer(code, **said):
    return evaluate(RULES[code], tube(code, **said)).answer


@pytest.mark.parametrize(("code", "first", "second", "limit_ms"), INTERVALS, ids=lambda one: str(one)[:30])
def test_intervals_pass_up_to_their_published_limit(code, first, second, limit_ms):
    for after, expected in [(limit_ms - 1, "pass"), (limit_ms, "pass"), (limit_ms + 1, "fail")]:
        assert answer(code, acts={first: Moment(DRAW), second: Moment(DRAW + after)}) == expected


@pytest.mark.parametrize("code", ["kpg-clot-time", "chem-clot-time"])
def test_serum_clots_half_an_hour_at_least(code):
    for after, expected in [(CLOT[0] - 1, "fail"), (CLOT[0], "pass"), (CLOT[0] + 1, "pass")]:
        assert answer(code, acts={"drawn": Moment(DRAW), "spun": Moment(DRAW + after)}) == expected


# Harp seal haemograms, Physiol Zool 1974;47:22-28 (abstract), EDTA at 4 °C: haematocrit only within 24 h,
# other counts up to 14 d. PT and aPTT storage study of 65 patients (abstract): 1 month (30 d here) at -70 °C.
AGES = [
    ("cbc-haematocrit-by-24h", "drawn", 24 * HOUR),
    ("cbc-counts-by-14d", "drawn", 14 * DAY),
    ("coag-citrate-frozen-1-month", "frozen", 30 * DAY),
]


@pytest.mark.parametrize(("code", "first", "limit_ms"), AGES, ids=lambda one: str(one)[:30])
def test_ages(code, first, limit_ms):
    for age, expected in [(limit_ms - 1, "pass"), (limit_ms, "pass"), (limit_ms + 1, "fail")]:
        assert answer(code, asof_ms=DRAW + age, acts={first: Moment(DRAW)}) == expected


def grade_of(mg_dl):
    """One analyser's published scale (protocol Jen1sIsBwGXEOgeskwRI) of free haemoglobin, grades 0 to 4."""
    return sum(mg_dl >= start for start in (45, 140, 235, 445))


# Free haemoglobin that was seen to matter, mg/dL. The worst grade that passes is the one below.
HAEMOLYSIS = [
    ("kpg-haemolysis-moderate", 150),  # Morgan 1999, J Zoo Wildl Med 30:70-75 (abstract, dolphin): K up
    ("chem-haemolysis-iron", 150),  # the same: iron up
    ("chem-haemolysis-severe", 500),  # the same: albumin, total protein, globulin up
    ("kpg-haemolysis-begins", 50),  # doi 10.1515/cclm-2017-0867: K, LDH, AST
    ("pchem-haemolysis-begins", 50),
    ("coag-citrate-haemolysis", 45),  # doi 10.1515/labmed-2018-0122: above 15; the first grade that surely is
]


@pytest.mark.parametrize(("code", "mg_dl"), HAEMOLYSIS)
def test_haemolysis_fails_from_the_grade_at_which_it_was_seen_to_matter(code, mg_dl):
    assert answer(code, grades={"haemolysis": grade_of(mg_dl)}) == "fail"
    assert answer(code, grades={"haemolysis": grade_of(mg_dl) - 1}) == "pass"


# Gislefoss 2017, doi 10.1515/cclm-2016-0892 (abstract): studied up to 10 thaws; the advice is one.
THAWS = [("serum-thawed-once", 1), ("kpg-serum-thaws-studied", 10), ("chem-serum-thaws-studied", 10)]


@pytest.mark.parametrize(("code", "most"), THAWS)
def test_thaws(code, most):
    assert [answer(code, thaws=n) for n in (most - 1, most, most + 1)] == ["pass", "pass", "fail"]


# Serum: Legacy Health 1300-1800 × g, 10-15 min; CEBP Table 2: 2000 × g, 10 min.
# Heparin plasma, BMC Clin Pathol 2011;11:6 (abstract): 1870 × g 7 min = 2180 × g 10 or 15 min.
SPINS = [
    ("kpg-serum-spin", [(1300, 10), (2000, 10)], [(1299, 10), (1300, 9)]),
    ("chem-serum-spin", [(1300, 10), (2000, 10)], [(1299, 10), (1300, 9)]),
    ("pchem-heparin-spin", [(1870, 7), (2180, 10), (2180, 15)], [(1869, 7), (1870, 6)]),
]


@pytest.mark.parametrize(("code", "good", "bad"), SPINS)
def test_spins(code, good, bad):
    acts = {"spun": Moment(DRAW)}
    assert {answer(code, acts=acts, spin_g=g, spin_minutes=m) for g, m in good} == {"pass"}
    assert {answer(code, acts=acts, spin_g=g, spin_minutes=m) for g, m in bad} == {"fail"}


# Thrombosis J 2016, s12959-016-0123-z, Table 1: more than 90 %.
# Michigan State haematology page: flag below half full.
FILLS = [("coag-citrate-full", 91, 90), ("cbc-edta-half-full", 50, 49)]


@pytest.mark.parametrize(("code", "enough", "too_little"), FILLS)
def test_fills(code, enough, too_little):
    assert answer(code, nominal_ul=1000, drawn_ul=enough * 10) == "pass"
    assert answer(code, nominal_ul=1000, drawn_ul=too_little * 10) == "fail"


# Limit in hundredths of °C and the time above it: WHO 2005, at or below -70 °C; PT and aPTT study (abstract),
# -70 °C; dog cortisol serum (abstract), -21 % in 2 d at room temperature, none at 4 °C; harp seal counts
# (abstract), 3 to 8 d at 25 °C. SPREC's cold band ends at 10 °C (PMC6463986 Table 1).
WARMTH = [
    ("vir-swab-below-minus-70", "frozen", -7000, 0),
    ("coag-citrate-below-minus-70", "frozen", -7000, 0),
    ("cort-cortisol-warm-2d", "ambient", 1000, 2 * DAY),
    ("cbc-counts-warm-3d", "ambient", 1000, 3 * DAY),
]


@pytest.mark.parametrize(("code", "name", "centi", "allowed"), WARMTH)
def test_time_above_a_temperature(code, name, centi, allowed):
    for above, expected in [(allowed, "pass"), (allowed + 1, "fail")]:
        stay = PhaseSummary(name, DRAW, DRAW + 4 * DAY, 4 * DAY, 0, 0, above={centi: above})
        end = {"asof_ms": DRAW + 4 * DAY, "acts": {"drawn": Moment(DRAW)}}
        assert answer(code, phases=(stay,), **end) == expected


def test_edta_blood_for_counts_is_never_frozen():
    """Michigan State University haematology page: 2-8 °C, never freeze."""
    assert answer("cbc-blood-never-frozen", acts={"frozen": Moment(DRAW)}) == "fail"
    assert answer("cbc-blood-never-frozen", acts={}) == "pass"


def test_contaminants_in_glass():
    """doi 10.1289/ehp.6768 (abstract): total PCB 0.75 in plastic, 0.45 µg/L in glass."""
    assert answer("pcb-pcb-in-glass", container="glass vial") == "pass"
    assert answer("pcb-pcb-in-glass", container="PP cryovial") == "fail"


UNSOURCED = {"serum-kept-below-minus-60", "custody-settled", "pchem-heparin-spun-by-2h"}


def test_every_rule_has_its_published_border_above_or_is_marked_as_practice():
    tables = [INTERVALS, AGES, HAEMOLYSIS, THAWS, SPINS, FILLS, WARMTH]
    tested = {row[0] for table in tables for row in table}
    alone = {"cbc-blood-never-frozen", "pcb-pcb-in-glass"}
    assert set(RULES) == tested | alone | UNSOURCED
    assert {code for code in RULES if RULES[code].evidence in ("common_practice", "memory")} == UNSOURCED
    assert all("no source" in RULES[code].source for code in UNSOURCED)


def test_each_assay_has_a_rule_of_its_own():
    for assay in starter().assays:
        assert any(rule.assay == assay.code and rule.severity != "note" for rule in RULES.values())


def test_every_serum_rule_about_the_clot_reaches_gel_and_plain_tubes():
    """A limit for one of the two must not leave the other unchecked."""
    by_additive = {
        additive: {
            (rule.assay, rule.limit_s, rule.severity) for rule in RULES.values() if rule.additive == additive
        }
        for additive in ("SST", "NONE")
    }
    assert by_additive["SST"] == by_additive["NONE"]
