"""Attacks on the verdict through the ledger: histories in which a tube is not known to be good, and must not
pass for it, and kept verdicts that time or a second thought makes wrong."""

from datetime import date, timedelta

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from biobank import kept
from biobank.acting import act, ms, perform, perform_all
from biobank.checks import gate, judging, overrides
from biobank.checks.facts import facts_of
from biobank.checks.work_actions import answer_override, ask_override
from biobank.core import codes
from biobank.models import (
    Assay,
    AssayTakes,
    Judgement,
    Permit,
    Programme,
    Rule,
    RuleSet,
    Tube,
    TubeSet,
    Workup,
)
from custody import queries as ledger
from custody.core import rules as core
from custody.core.event import new_id
from tests.biobank import judged
from tests.biobank.judged import HAEM, grade, make_law, make_tubes
from tests.biobank.lab import refused
from tests.biobank.measured import every_5_min, logger_in
from tests.people import moment

pytestmark = pytest.mark.django_db

BLOOD, OTHER, SERUM, SECOND = (codes.make("K8R3N", n) for n in (3, 4, 101, 102))
DRAWN = moment(9, 0)
PLAIN = {"severity": "stop", "evidence": "memory", "source": "a test"}
THAWS = core.Rule("thaws", "thaws", **PLAIN, max_thaws=0)
CUSTODY = core.Rule("c", "custody", **PLAIN)


def now():
    return ms(timezone.now())


def at(hours):
    return ms(DRAWN + timedelta(hours=hours))


@pytest.fixture
def lab(store):
    def say(kind, hours, tubes=(), *, lines=None, line=None, role="subj", who="curator", **more):
        key = new_id()
        lines = lines or [{"t": code, "role": role} | (line or {}) for code in tubes]
        how = {name: more.pop(name) for name in ("via", "strict") if name in more}
        exact, when = more.pop("unc_s", 0), DRAWN + timedelta(hours=hours)
        one = act(store.actor(who), kind, key=key, at=when, data=more, lines=lines, unc_s=exact)
        perform_all(store.actor(who), [one], **how)
        return key

    return say


@pytest.fixture
def blood(store, lab):
    """Two gel tubes of one animal, printed; the first drawn full."""
    workup = Workup.objects.create(code="W1", day=store.day, animal=store.animal)
    tubes = TubeSet.objects.create(code="K8R3N", plan=store.plan, workup=workup, state="bound")
    said = {"label": "Gel 5", "matrix": "BLD", "additive": "SST"}
    for code in (BLOOD, OTHER):
        Tube.objects.create(code=code, tube_set=tubes, **said)
    lab("label_printed", -48, [BLOOD, OTHER], role="new", line=said)
    return lab("drawn", 0, [BLOOD], line={"ul": 5000})


def aliquot(lab, hours, child=SERUM, parent=BLOOD, ul=1000, **more):
    lines = [
        {"t": parent, "role": "from", "ul": ul},
        {"t": child, "role": "to", "of": parent, "ul": ul, "matrix": "SER"},
    ]
    return lab("aliquoted", hours, lines=lines, **more)


def answer(code, hours, rule):
    return core.evaluate(rule, facts_of([code], [rule], at(hours))[code]).answer


# --- the line of an aliquot ------------------------------------------------------------------------------


def test_an_aliquot_that_was_made_late_is_not_in_time_because_another_was(lab, blood):
    """The first was off the clot after an hour; the second lay on it for ten."""
    off = core.Rule("off", "interval", **PLAIN, from_act="drawn", to_act="aliquoted", limit_s=7200)
    aliquot(lab, 1, SERUM)
    aliquot(lab, 10, SECOND)
    assert [answer(code, 11, off) for code in (SERUM, SECOND, BLOOD)] == ["pass", "fail", "pass"]


def test_a_discrepancy_about_the_blood_is_one_about_what_was_made_of_it(lab, blood):
    lab("discrepancy_noted", 1, [BLOOD], code="label_unreadable")
    aliquot(lab, 2)
    assert answer(SERUM, 3, CUSTODY) == "fail"
    lab("discrepancy_resolved", 4, [BLOOD], code="label_unreadable")
    assert answer(SERUM, 5, CUSTODY) == "pass"


def test_one_about_the_blood_that_came_later_is_not(lab, blood):
    aliquot(lab, 2)
    lab("discrepancy_noted", 3, [BLOOD], code="label_unreadable")
    assert [answer(code, 4, CUSTODY) for code in (SERUM, BLOOD)] == ["pass", "fail"]


def test_nobody_knows_what_is_in_a_tube_that_was_filled_from_two(lab, blood):
    """A phone says that a second animal's serum went into the same vial; the ledger keeps both."""
    lab("drawn", 0.5, [OTHER], line={"ul": 5000})
    aliquot(lab, 1)
    aliquot(lab, 2, SECOND, SERUM, ul=10)
    again = aliquot(lab, 1.5, parent=OTHER, strict=False)
    takes = core.Assay("A", "A", frozenset({("SER", "")}))
    for code in (SERUM, SECOND):
        found = facts_of([code], [], at(3))[code]
        assert found.matrix == "" and not takes.takes_tube(found)
    lab("voided", 1.7, of=again, reason="did_not_occur")
    assert [facts_of([code], [], at(3))[code].matrix for code in (SERUM, SECOND)] == ["SER", "SER"]


def test_a_thaw_that_may_have_been_before_the_aliquot_may_be_one_of_it(lab, blood):
    aliquot(lab, 2)
    lab("thawed", 2.1, [BLOOD], unc_s=3600)
    assert answer(SERUM, 3, THAWS) == "cannot_tell"


# --- the cold --------------------------------------------------------------------------------------------


@pytest.fixture
def frozen(store, lab, blood):
    """In a freezer at -80 °C with a logger for the whole of it."""
    every_5_min(logger_in(store, "L1", "NLB-F1"), at(-1), at(60))
    lab("put_away", 1, [BLOOD], line={"unit": "NLB-B001", "row": 1, "col": 1})


@pytest.mark.parametrize(("minutes", "expected"), [(5, "pass"), (45, "cannot_tell")])
def test_out_of_the_freezer_in_a_hand_it_may_have_thawed(lab, frozen, minutes, expected):
    """A vial that is out for longer than anybody lets pass, and nobody says what became of it."""
    assert answer(BLOOD, 40, THAWS) == "pass"
    lab("pulled", 20, [BLOOD], why="look")
    lab("put_away", 20 + minutes / 60, [BLOOD], line={"unit": "NLB-B001", "row": 1, "col": 1})
    assert answer(BLOOD, 40, THAWS) == expected


def test_what_was_imported_may_have_thawed_before_it_came_here(store, lab):
    """Drawn years ago, kept nobody knows where, in our freezer since an hour."""
    every_5_min(logger_in(store, "L1", "NLB-F1"), at(-1), at(60))
    lab("label_printed", -9000, [BLOOD], role="new", line={"label": "Old", "matrix": "SER"}, via="import:x")
    lab("drawn", -9000, [BLOOD], line={"ul": 500}, via="import:x", unc_s=86_400)
    lab("put_away", 0, [BLOOD], line={"unit": "NLB-B001", "row": 1, "col": 1})
    assert answer(BLOOD, 1, THAWS) == "cannot_tell"


def test_another_act_at_the_same_moment_makes_the_freezing_no_more_exact(lab, blood):
    soon = core.Rule("soon", "interval", **PLAIN, from_act="drawn", to_act="frozen", limit_s=2 * 3600)
    lab("graded", 1.5, [BLOOD], line={"haemolysis": 0})
    lab("put_away", 1.5, [BLOOD], line={"unit": "NLB-B001", "row": 1, "col": 1}, unc_s=7200)
    assert answer(BLOOD, 5, soon) == "cannot_tell"


# --- permits ---------------------------------------------------------------------------------------------

HOLD = core.Rule("h", "permit", **PLAIN, permit_for="hold")
TAKE = core.Rule("t", "permit", **PLAIN, permit_for="take")


def permit(store, allows, until, **said):
    row = {"number": "7/A", "agency": store.nlb, "issued_by": "office", "valid_from": date(2026, 1, 1)}
    return Permit.objects.create(programme=store.programme, allows=allows, valid_until=until, **(row | said))


@pytest.mark.parametrize(("tz", "expected"), [("Pacific/Auckland", "fail"), ("UTC", "pass")])
def test_a_permit_to_hold_ends_with_the_day_where_the_programme_is(store, blood, tz, expected):
    """DRAWN is 07:00 UTC on 3 May; ten hours later it is 4 May in New Zealand (UTC+12)."""
    Programme.objects.update(tz=tz)
    permit(store, "hold", date(2026, 5, 3))
    assert answer(BLOOD, 10, HOLD) == expected


def test_a_draw_that_may_have_been_the_day_before_needs_a_permit_for_both_days(store, lab, blood):
    permit(store, "take", date(2026, 12, 31), valid_from=date(2026, 5, 3))
    assert answer(BLOOD, 1, TAKE) == "pass"
    lab("corrected", 1, of=blood, reason="incorrect_data", set={"unc_s": 10 * 3600})
    assert answer(BLOOD, 2, TAKE) == "cannot_tell"


# --- verdicts that are kept ------------------------------------------------------------------------------


@pytest.fixture
def law(store):
    assay = Assay.objects.create(code="CHEM", name="Chemistry")
    AssayTakes.objects.create(assay=assay, matrix="BLD")
    rules = RuleSet.objects.create(code="T", status="in_force", valid_from=date(2026, 1, 1))
    Rule.objects.create(**PLAIN, rule_set=rules, code="whole", kind="custody", assay=assay)
    return rules


def why(hours):
    return judging.fresh([BLOOD], at(hours))[BLOOD]


def test_custody_that_time_alone_breaks_is_asked_for_again(law, blood):
    """In nobody's unit for longer than people hold things: 12 hours (custody.core.gaps)."""
    judging.judge([BLOOD], at(1))
    assert Judgement.objects.get().word == "fit" and why(11) == ""
    assert why(12.1) == judging.TIME
    judging.judge([BLOOD], at(12.1))
    assert Judgement.objects.get().word == "not_fit"


def test_a_parcel_that_is_late_is_asked_for_again(law, lab, blood):
    lab("handed_off", 1, [BLOOD], to="TFL", how="sealed", seal="S1", due_ms=at(5))
    judging.judge([BLOOD], at(2))
    assert Judgement.objects.get().word == "fit" and why(4) == ""
    assert why(5.1) == judging.TIME


def test_a_tube_in_its_box_is_not_asked_for_again_and_again(law, lab, blood):
    lab("put_away", 1, [BLOOD], line={"unit": "NLB-B001", "row": 1, "col": 1})
    judging.judge([BLOOD], at(40))
    assert Judgement.objects.get().until_ms is None


# --- decisions -------------------------------------------------------------------------------------------


@pytest.fixture
def tubes(store):
    judged.second_curator(store)
    make_law()
    return make_tubes(store)


def ask(store, tubes, rule=HAEM):
    return ask_override(
        store.actor("curator"), new_id(), tubes, assay="CORT", rule=rule, reason="the assay is robust to it"
    )


def grant(store, event):
    return answer_override(store.actor("curator2"), new_id(), event, granted=True, reason="agreed")


def allowed(tube):
    return overrides.allowed(gate.for_assay([tube], "CORT", now())[tube], overrides.of([tube])[tube])


def test_another_discrepancy_is_not_the_one_that_was_agreed_to(store, tubes):
    rule = Rule.objects.filter(code=HAEM).get()
    Rule.objects.create(**PLAIN, rule_set=rule.rule_set, code="WHOLE", kind="custody", assay=rule.assay)
    judged.say(store, "discrepancy_noted", tubes[:1], data={"code": "label_unreadable"})
    assert not allowed(tubes[0])
    grant(store, ask(store, tubes[:1], "WHOLE"))
    assert allowed(tubes[0])
    judged.say(store, "discrepancy_resolved", tubes[:1], data={"code": "label_unreadable"})
    judged.say(store, "discrepancy_noted", tubes[:1], data={"code": "seal_broken"})
    assert not allowed(tubes[0])


def test_a_kept_verdict_does_not_outlive_an_asking_that_was_withdrawn(store, tubes):
    grade(store, tubes[:1], haemolysis=3)
    asked = ask(store, tubes[:1])
    grant(store, asked)
    judging.judge(tubes[:1], now())
    assert Judgement.objects.get(tube=tubes[0], assay__code="CORT").allowed
    gone = {"of": asked, "reason": "did_not_occur"}
    perform(store.actor("curator"), "voided", key=new_id(), lines=[], data=gone)
    assert judging.fresh(tubes[:1])[tubes[0]] == judging.WHY["acts"]


# --- what is gone ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["discarded", "voided label"])
def test_what_is_gone_does_not_go_through_the_gate(store, tubes, kind):
    assert gate.admit(tubes[:1], "CORT", now())
    if kind == "discarded":
        judged.say(store, "discarded", tubes[:1], data={"why": "spoilt"})
    else:
        label = next(one.id for one in ledger.history(tubes[0]) if one.kind == "label_printed")
        perform(
            store.actor("labtech"), "voided", key=new_id(), lines=[], strict=False,
            data={"of": label, "reason": "did_not_occur"},
        )  # fmt: skip
    with refused("tube_not_fit"):
        gate.admit(tubes[:1], "CORT", now())


# --- what was judged by ----------------------------------------------------------------------------------


@pytest.mark.parametrize("status", ["in_force", "retired", "draft"])
def test_the_database_keeps_rules_that_were_in_force_and_lets_drafts_go(store, status):
    found = make_law()
    RuleSet.objects.update(status=status)
    for table, column in (("biobank_rule", "rule_set_id"), ("biobank_ruleset", "id")):
        sql = f"DELETE FROM {table} WHERE {column} = %s"
        if status == "draft":
            with connection.cursor() as cursor:
                cursor.execute(sql, [found.pk])
        else:
            with (
                pytest.raises(DatabaseError, match=kept.SENTENCE),
                transaction.atomic(),
                connection.cursor() as cursor,
            ):
                cursor.execute(sql, [found.pk])
    assert RuleSet.objects.exists() == Rule.objects.exists() == (status != "draft")
