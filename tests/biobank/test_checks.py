"""From ledger events to verdicts: facts of many tubes, rule sets in the database, the page."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.db.models import ForeignKey
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils.html import escape

from biobank.acting import ms, perform
from biobank.checks.actions import install_starter, put_in_force
from biobank.checks.facts import facts_of
from biobank.checks.starter import starter
from biobank.checks.verdicts import dues_of, in_force, sentence, verdicts_of
from biobank.core import codes
from biobank.models import Assay, AssayTakes, Rule, RuleSet, Unit
from custody.core.event import new_id
from custody.core.refusal import Refused
from custody.core.rules import NEEDS
from custody.core.rules import Rule as Pure
from tests.people import moment

BLOOD, SERUM, SERUM_2, DEEPER = (codes.make("K7R2M", n) for n in (3, 101, 102, 103))
DRAWN = moment(9, 0)
HOUR = timedelta(hours=1)


def at(hours):
    return DRAWN + hours * HOUR


@pytest.fixture
def lab(store):
    """lab("spun", 1.5, [code], g=2000): what the curator does, that many hours after the draw."""
    actor = store.actor("curator")

    def say(kind, hours, tubes=(), *, lines=None, unc_s=0, key=None, role="subj", line=None, **data):
        lines = lines or [{"t": code, "role": role} | (line or {}) for code in tubes]
        key = key or new_id()
        perform(actor, kind, key=key, at=at(hours), data=data, lines=lines, unc_s=unc_s)
        return key

    return say


@pytest.fixture
def drawn(lab):
    """A gel tube of 5 mL, printed and drawn full, and labels for three aliquots."""
    gel = {"label": "Gel 5", "matrix": "BLD", "additive": "SST", "container": "PET tube", "ul": 5000}
    vial = {"label": "Serum", "matrix": "SER", "additive": "NONE", "container": "cryovial", "ul": 1000}
    lab("label_printed", -48, [BLOOD], role="new", line=gel)
    lab("label_printed", -48, [SERUM, SERUM_2, DEEPER], role="new", line=vial)
    return lab("drawn", 0, [BLOOD], line={"ul": 5000})


def spin(lab, hours, **more):
    return lab("spun", hours, [BLOOD], **({"g": 2000, "minutes": 10} | more))


def aliquot(lab, hours, parent=BLOOD, child=SERUM, ul=1000):
    lines = [
        {"t": parent, "role": "from", "ul": ul},
        {"t": child, "role": "to", "of": parent, "ul": ul, "matrix": "SER"},
    ]
    return lab("aliquoted", hours, lines=lines)


def facts(code=SERUM, hours=24, limits=()):
    return facts_of([code], limits, ms(at(hours)))[code]


def word(assay, code=SERUM, hours=24):
    return next(one for one in verdicts_of([code], ms(at(hours)))[code] if one.assay.code == assay)


# --- facts -----------------------------------------------------------------------------------------


def test_an_aliquot_has_the_draw_and_the_spin_of_its_blood(lab, drawn):
    spun, made = spin(lab, 1), aliquot(lab, 1.5)
    known = facts()
    assert {name: (one.at_ms, one.event) for name, one in known.acts.items()} == {
        "drawn": (ms(at(0)), drawn), "spun": (ms(at(1)), spun), "aliquoted": (ms(at(1.5)), made),
    }  # fmt: skip
    assert (known.matrix, known.additive, known.container) == ("SER", "SST", "cryovial")
    assert (known.volume_ul, known.spin_g, known.spin_minutes) == (1000, 2000, 10)
    assert (known.drawn_ul, known.nominal_ul, known.short) == (5000, 5000, False)


def test_what_happens_to_the_blood_afterwards_is_not_the_aliquots(lab, drawn):
    aliquot(lab, 1)
    spin(lab, 2)
    lab("graded", 2, [BLOOD], line={"haemolysis": 3})
    lab("thawed", 3, [BLOOD])
    known = facts()
    assert "spun" not in known.acts
    assert (known.grades, known.thaws) == ({}, 0)


def test_the_first_spin_counts_and_a_voided_one_does_not(lab, drawn):
    wrong = spin(lab, 0.5, g=9000)
    first = spin(lab, 1)
    spin(lab, 2)
    lab("voided", 3, of=wrong, reason="did_not_occur")
    assert facts(BLOOD).acts["spun"].event == first
    assert facts(BLOOD).spin_g == 2000


def test_a_corrected_time_counts_as_corrected(lab, drawn):
    spun = spin(lab, 3)
    lab("corrected", 4, of=spun, reason="incorrect_data", set={"at": ms(at(1)), "unc_s": 60})
    known = facts(BLOOD).acts["spun"]
    assert (known.at_ms, known.unc_s, known.corrected) == (ms(at(1)), 60, True)


def test_a_voided_draw_leaves_no_draw(lab, drawn):
    lab("voided", 1, of=drawn, reason="did_not_occur")
    assert facts(BLOOD).acts == {}


def test_own_grade_goes_before_that_of_the_blood_and_the_latest_counts(lab, drawn):
    spin(lab, 1)
    lab("graded", 1, [BLOOD], line={"haemolysis": 1, "icterus": 2})
    aliquot(lab, 1.5)
    lab("graded", 2, [SERUM], line={"haemolysis": 3})
    again = lab("graded", 3, [SERUM], line={"haemolysis": 2})
    known = facts()
    assert known.grades == {"haemolysis": 2, "icterus": 2}
    assert known.grade_events["haemolysis"] == again


def test_thaws_add_up_over_generations(lab, drawn):
    aliquot(lab, 1)
    lab("thawed", 20, [SERUM])
    aliquot(lab, 21, parent=SERUM, child=DEEPER, ul=200)
    lab("thawed", 22, [SERUM])
    lab("thawed", 23, [DEEPER])
    assert facts(DEEPER).thaws == 2
    assert facts(SERUM).thaws == 2
    assert facts(DEEPER).acts["drawn"].at_ms == ms(at(0))


def test_frozen_is_when_it_first_stood_in_a_freezer(lab, drawn):
    aliquot(lab, 1)
    stored = lab("put_away", 5, [SERUM], line={"unit": "NLB-B001", "row": 1, "col": 1})
    known = facts()
    assert (known.acts["frozen"].at_ms, known.acts["frozen"].event) == (ms(at(5)), stored)
    assert [phase.name for phase in known.phases] == ["ambient", "ambient", "frozen"]


def test_putting_away_in_a_warm_place_is_no_freezing(store, lab, drawn):
    Unit.objects.create(code="TFL-BENCH", kind="bench", name="Bench", agency=store.tfl)
    lab("put_away", 1, [BLOOD], line={"unit": "TFL-BENCH"})
    assert "put_away" in facts(BLOOD).acts
    assert "frozen" not in facts(BLOOD).acts


def test_the_bloods_temperatures_count_only_until_the_aliquot_was_made(lab, drawn):
    lab("put_away", 1, [BLOOD], line={"unit": "NLB-B001", "row": 1, "col": 1})
    lab("pulled", 2, [BLOOD], why="aliquot")
    aliquot(lab, 3)
    spans = [(phase.name, phase.start_ms, phase.end_ms) for phase in facts(hours=10).phases]
    assert spans == [
        (name, ms(at(start)), ms(at(end)))
        for name, start, end in [("ambient", 0, 1), ("frozen", 1, 2), ("ambient", 2, 3), ("ambient", 3, 10)]
    ]


def test_a_discarded_tube_is_judged_as_it_was_when_it_went(lab, drawn):
    lab("discarded", 5, [BLOOD], why="used up")
    assert facts(BLOOD, hours=99).asof_ms == ms(at(5))


def test_open_discrepancies_are_facts(lab, drawn):
    lab("discrepancy_noted", 1, [BLOOD], code="label_torn")
    assert facts(BLOOD).disputes == 1


def test_a_tube_that_nobody_knows_has_no_facts(store):
    assert facts_of(["K7R2M001X"], [], 0) == {}


# --- verdicts ----------------------------------------------------------------------------------------


@pytest.fixture
def law(db):
    return install_starter()


@pytest.mark.parametrize(
    ("hours", "potassium", "proteins"),
    [
        (0.75, "fit", "fit"),
        (1.5, "caution", "caution"),
        (2.75, "caution", "caution"),
        (3.25, "not_fit", "caution"),
        (6.25, "not_fit", "not_fit"),
    ],
)
def test_one_late_spin_means_different_things_to_different_assays(
    law, lab, drawn, hours, potassium, proteins
):
    spin(lab, hours)
    lab("graded", hours, [BLOOD], line={"haemolysis": 0})
    aliquot(lab, hours + 0.1)
    soon = hours + 0.2  # later its time in hand, which nobody measured, speaks against it too
    assert (word("KPG", hours=soon).word, word("CHEM", hours=soon).word) == (potassium, proteins)


def test_the_sentence_for_a_table(law, lab, drawn):
    spin(lab, 3.25)
    aliquot(lab, 3.5)
    late = word("KPG")
    assert sentence(late) == "Spun 3 h 15 min after draw; limit 3 h."
    assert late.rule_set == "START version 2"


def test_an_aliquot_of_a_gel_tube_is_judged_by_the_spin_and_not_by_its_vials_additive(law, lab, drawn):
    spin(lab, 0.75)
    lab("graded", 1, [BLOOD], line={"haemolysis": 0})
    aliquot(lab, 8)
    assert word("KPG", hours=8.1).word == "fit"


def test_without_a_grade_nobody_can_tell(law, lab, drawn):
    spin(lab, 0.75)
    assert word("POTASSIUM", BLOOD).word == "cannot_tell"
    assert word("POTASSIUM", BLOOD).sentence.startswith("Haemolysis was not graded; at most grade 1")


def test_an_uncertain_draw_makes_it_cannot_tell(law, lab, drawn):
    lab("corrected", 1, of=drawn, reason="incorrect_data", set={"unc_s": 900})
    spin(lab, 2.9)
    lab("graded", 3, [BLOOD], line={"haemolysis": 0})
    assert word("KPG", BLOOD).word == "cannot_tell"


def test_a_tube_that_holds_nothing_has_no_verdict(law, lab, drawn):
    assert verdicts_of([SERUM, "K7R2M001X"], ms(at(1))) == {SERUM: [], "K7R2M001X": []}


def test_a_tube_is_judged_for_the_assays_that_take_it(law, lab, drawn):
    spin(lab, 1)
    aliquot(lab, 1.5)
    found = verdicts_of([BLOOD, SERUM], ms(at(2)))
    judged = {code: {one.assay.code for one in some} for code, some in found.items()}
    assert judged[BLOOD] >= {"KPG", "CHEM", "CORT", "POTASSIUM"}
    assert judged[SERUM] >= {"KPG", "CHEM", "CORT", "SERO", "PCB"}
    assert not judged[SERUM] & {"ACTH", "COAG", "CBC", "SERUM3H"}, "other matrices, and families"


def test_what_other_assays_wait_for_is_not_due(law, lab, drawn):
    spin(lab, 1)
    aliquot(lab, 1.5)
    some = dues_of([BLOOD, SERUM], ms(at(2)))
    assert {code: [one.rule.code for one in dues] for code, dues in some.items()} == {
        BLOOD: [],
        SERUM: ["sero-serology-frozen-by-1w"],
    }


def test_without_rules_in_force_there_is_no_verdict(lab, drawn):
    assert verdicts_of([BLOOD], ms(at(1))) == {BLOOD: []}


def test_what_must_happen_next(law, lab, drawn):
    some = dues_of([BLOOD], ms(at(0.5)), "Europe/Oslo")[BLOOD]
    assert some[0].sentence == "Spin by 10:00, 30 min left."
    assert [(one.act, one.by_ms) for one in some] == sorted(
        ((one.act, one.by_ms) for one in some), key=lambda o: o[1]
    )
    assert len({(one.act, one.by_ms, one.rule.severity) for one in some}) == len(some)
    spin(lab, 0.75)
    assert dues_of([BLOOD], ms(at(1)))[BLOOD] == []


def test_queries_do_not_grow_with_tubes(law, lab, drawn):
    spin(lab, 1)
    aliquot(lab, 1.5)
    with CaptureQueriesContext(connection) as one:
        verdicts_of([SERUM], ms(at(9)))
    aliquot(lab, 1.6, child=SERUM_2)
    others = [codes.make("K8R3N", n) for n in range(1, 21)]
    gel = {"label": "Gel 5", "matrix": "BLD", "additive": "SST", "ul": 5000}
    lab("label_printed", -48, others, role="new", line=gel)
    lab("drawn", 0, others, line={"ul": 5000})
    with CaptureQueriesContext(connection) as many:
        assert len(verdicts_of([SERUM, SERUM_2, *others], ms(at(9)))) == 22
    assert len(many) <= len(one) <= 24


# --- the rule set in the database -----------------------------------------------------------------------


def test_the_starter_comes_out_of_the_database_as_it_stands_in_the_file(law):
    said, kept = starter(), in_force()
    assert set(kept.rules) == set(said.rules)
    assert set(kept.assays) == set(said.assays)
    assert kept.label == "START version 2"


def test_installing_twice_is_installing_once(law):
    counts = [model.objects.count() for model in (RuleSet, Rule, Assay, AssayTakes)]
    assert install_starter() == law
    assert [model.objects.count() for model in (RuleSet, Rule, Assay, AssayTakes)] == counts
    assert Rule.history.count() == Rule.objects.count()


def test_the_history_says_who_and_why(people):
    install_starter(people.user("curator"), "first set-up")
    for model in (RuleSet, Rule, Assay):
        first = model.history.first()
        assert (first.history_user, first.history_change_reason) == (people.user("curator"), "first set-up")


def test_a_new_version_takes_the_place_of_the_old(law, people):
    newer = RuleSet.objects.create(code="START", version=3)
    with pytest.raises(Refused, match="without rules"):
        put_in_force(newer, date(2026, 6, 1), people.user("curator"), "limits of our own laboratory")
    Rule.objects.create(
        rule_set=newer, code="x", kind="custody", severity="note", evidence="memory", source="test"
    )
    with pytest.raises(Refused, match="why"):
        put_in_force(newer, date(2026, 6, 1), people.user("curator"), " ")
    put_in_force(newer, date(2026, 6, 1), people.user("curator"), "limits of our own laboratory")
    law.refresh_from_db()
    assert (law.status, newer.status, in_force().label) == ("retired", "in_force", "START version 3")


def refused_by(constraint, make):
    with transaction.atomic(), pytest.raises(IntegrityError, match=constraint):
        make()


def test_two_rule_sets_are_never_in_force_together(law):
    more = {"code": "OTHER", "status": "in_force", "valid_from": date(2026, 1, 1)}
    # SQLite names the column of a unique index, PostgreSQL the constraint.
    refused_by("one_rule_set_in_force|ruleset.status", lambda: RuleSet.objects.create(**more))


@pytest.mark.parametrize("kind", NEEDS)
def test_a_rule_without_what_its_kind_needs_is_refused_by_the_database(law, kind):
    """A complete rule of each kind is kept; without any one of its needs it is not."""
    complete = {
        "interval": {"from_act": "drawn", "to_act": "spun", "limit_s": 1},
        "never": {"to_act": "frozen"},
        "temperature": {"phase": "any", "side": "above", "limit_centi": 1, "allowed_s": 0},
        "thaws": {"max_thaws": 0},
        "volume": {"min_ul": 1},
        "fill": {"min_percent": 1},
        "grade": {"grade_name": "icterus", "max_grade": 0},
        "spin": {"min_g": 1, "min_minutes": 1},
        "spins": {"max_spins": 1},
        "budget": {"from_act": "drawn", "bands": ":3600"},
        "permit": {"permit_for": "hold"},
        "container": {"container_has": "glass"},
        "custody": {},
    }[kind]
    plain = {"rule_set": law, "kind": kind, "severity": "stop", "evidence": "human", "source": "a test"}
    Rule.objects.create(code="complete", **plain, **complete)
    for n, lacking in enumerate(complete):
        rest = {name: value for name, value in complete.items() if name != lacking}
        refused_by(
            "rule_kind_has_what_it_needs",
            lambda n=n, rest=rest: Rule.objects.create(code=f"r{n}", **plain, **rest),
        )


@pytest.mark.parametrize(
    ("constraint", "said"),
    [
        ("rule_has_a_source", {"source": "   "}),
        ("rule_kind_has_what_it_needs", {"kind": "guess"}),
        ("rule_severity_is_known_word", {"severity": "deadly"}),
        ("rule_evidence_is_known_word", {"evidence": "hearsay"}),
        ("rule_grade_is_0_to_4", {"kind": "grade", "grade_name": "icterus", "max_grade": 5}),
        ("rule_interval_is_not_reversed",
         {"kind": "interval", "from_act": "drawn", "to_act": "spun", "at_least_s": 2, "limit_s": 1}),
    ],
)  # fmt: skip
def test_the_database_knows_the_words(law, constraint, said):
    plain = {
        "rule_set": law,
        "code": "r",
        "kind": "custody",
        "severity": "stop",
        "evidence": "human",
        "source": "test",
    }
    refused_by(constraint, lambda: Rule.objects.create(**(plain | said)))


def test_a_form_hears_it_in_python_first(law):
    wrong = Rule(rule_set=law, code="r", kind="thaws", severity="stop", evidence="human", source="test")
    with pytest.raises(ValidationError, match="rule_kind_has_what_it_needs"):
        wrong.full_clean()


def test_columns_and_fields_of_a_rule_are_the_same():
    """But for what only the database keeps: whether the programme chose it, and why."""
    own = {"id", "active", "choice"}
    columns = {one.name for one in Rule._meta.fields if not isinstance(one, ForeignKey)} - own
    assert columns | {"assay"} == set(Pure.__dataclass_fields__)


# --- the page ------------------------------------------------------------------------------------------


def test_the_page_shows_every_rule_with_its_source(law, sign_in):
    page = sign_in("auditor").get(reverse("rules")).content.decode()
    for rule in starter().rules:
        assert escape(rule.source) in page
        assert f'id="{rule.code}"' in page
    assert "Spun at most 3 h after draw." in page
    assert "Spun between 30 min and 1 h after draw." in page
    assert "In a freezer never above −70 °C." in page


def test_the_page_without_rules_says_so(people, sign_in):
    assert "No rule set is in force" in sign_in("labtech").get(reverse("rules")).content.decode()


def test_older_versions_can_be_read(law, sign_in):
    client = sign_in("curator")
    assert client.get(reverse("rule_set", args=["START", 2])).status_code == 200
    assert client.get(reverse("rule_set", args=["START", 9])).status_code == 404


def test_a_collaborator_may_not_see_rules(law, sign_in):
    assert sign_in("collaborator").get(reverse("rules")).status_code == 403


def test_the_page_needs_as_many_queries_for_many_rules(law, sign_in, django_assert_max_num_queries):
    client = sign_in("auditor")
    with django_assert_max_num_queries(9):
        client.get(reverse("rules"))
