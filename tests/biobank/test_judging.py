"""Verdicts kept for lists: what is written, and that each kind of change is seen."""

from datetime import date, timedelta

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.acting import ms, perform
from biobank.checks import judging
from biobank.checks.verdicts import verdicts_of
from biobank.core import codes
from biobank.models import Assay, AssayTakes, Judgement, OpenFinding, Rule, RuleSet
from custody.core.event import new_id
from tests.biobank.measured import every_5_min, logger_in
from tests.people import moment

TUBES = [codes.make("K7R2M", n) for n in range(1, 31)]
ONE, OTHER = TUBES[:2]
DRAWN = moment(9, 0)


def at(hours):
    return ms(DRAWN + timedelta(hours=hours))


@pytest.fixture
def lab(store):
    actor = store.actor("curator")

    def say(kind, hours, tubes=(), *, line=None, role="subj", **data):
        key = new_id()
        lines = [{"t": code, "role": role} | (line or {}) for code in tubes]
        when = DRAWN + timedelta(hours=hours)
        perform(actor, kind, key=key, at=when, data=data, lines=lines)
        return key

    return say


@pytest.fixture
def law(store):
    """One assay for serum with four rules of known limits."""
    assay = Assay.objects.create(code="CHEM", name="Chemistry")
    AssayTakes.objects.create(assay=assay, matrix="SER")
    rules = RuleSet.objects.create(code="T", status="in_force", valid_from=date(2026, 1, 1))
    plain = {"rule_set": rules, "evidence": "memory", "source": "a test"}
    Rule.objects.create(
        **plain, code="spun", kind="interval", severity="stop", assay=assay, from_act="drawn", to_act="spun",
        limit_s=7200,
    )  # fmt: skip
    Rule.objects.create(**plain, code="volume", kind="volume", severity="stop", assay=assay, min_ul=200)
    Rule.objects.create(**plain, code="whole", kind="custody", severity="caution")
    Rule.objects.create(
        **plain, code="unchosen", kind="never", severity="stop", assay=assay, to_act="spun", active=False
    )
    return rules


@pytest.fixture
def drawn(lab):
    def make(tubes):
        vial = {"label": "Serum", "matrix": "SER", "additive": "NONE", "container": "cryovial", "ul": 1000}
        lab("label_printed", -48, tubes, role="new", line=vial)
        lab("drawn", 0, tubes, line={"ul": 1000})

    return make


def row(tube=ONE):
    return Judgement.objects.get(tube=tube)


def why(tube=ONE, hours=2):
    return judging.fresh([tube], at(hours))[tube]


def test_what_is_kept_is_what_is_worked_out(law, lab, drawn):
    drawn([ONE, OTHER])
    lab("spun", 1, [ONE], g=2000, minutes=10)
    lab("spun", 3, [OTHER], g=2000, minutes=10)
    assert judging.judge([ONE, OTHER], at(4)) == {"fit": 1, "not_fit": 1}
    said = {code: some[0] for code, some in verdicts_of([ONE, OTHER], at(4)).items()}
    for code in (ONE, OTHER):
        kept = row(code)
        assert (kept.word, kept.sentence, kept.rule_set, kept.assay.code) == (
            said[code].word, said[code].sentence, law, "CHEM",
        )  # fmt: skip
        assert (kept.matrix, kept.drawn_ms, kept.volume_ul, kept.asof_ms) == ("SER", at(0), 1000, at(4))
    assert (row().rank, row().allowed, row().decided_by) == (3, True, "")
    assert (row(OTHER).rank, row(OTHER).allowed, row(OTHER).decided_by) == (0, False, "spun")
    open_one = OpenFinding.objects.get()
    assert (open_one.tube, open_one.code, open_one.rank, open_one.answer) == (OTHER, "spun", 0, "fail")
    assert (open_one.assays, open_one.since_ms) == ("CHEM", at(3))


def test_judging_again_changes_rows_and_adds_none(law, lab, drawn):
    drawn([ONE])
    judging.judge([ONE], at(1))
    assert row().word == "cannot_tell"
    lab("spun", 1.5, [ONE], g=2000, minutes=10)
    judging.judge([ONE], at(2))
    assert row().word == "fit"
    assert not OpenFinding.objects.exists()


def test_rows_without_a_verdict_go(law, drawn):
    drawn([ONE])
    judging.judge([ONE], at(1))
    Assay.objects.update(retired=True)
    assert why(hours=1) == judging.WHY["rules"]
    judging.everything(at(1))
    assert not Judgement.objects.exists() and not OpenFinding.objects.exists()


def test_rows_of_tubes_that_hold_nothing_go(law, lab, drawn):
    drawn([ONE])
    judging.everything(at(1))
    Judgement.objects.update(tube="K7R2M099X")
    judging.everything(at(1))
    assert [one.tube for one in Judgement.objects.all()] == [ONE]


# --- does it still hold ------------------------------------------------------------------------------


@pytest.fixture
def kept(law, lab, drawn):
    """Judged an hour and a half after the draw, spun, fit."""
    drawn([ONE])
    lab("spun", 1, [ONE], g=2000, minutes=10)
    judging.judge([ONE], at(1.5))
    assert row().word == "fit" and why() == ""


def test_one_that_was_never_judged(law, drawn):
    drawn([ONE])
    assert why() == judging.NEVER


def test_an_act_is_seen(kept, lab):
    lab("thawed", 1.7, [ONE])
    assert why() == judging.WHY["acts"]


def test_a_voided_and_a_corrected_act_are_seen(law, lab, drawn):
    drawn([ONE])
    spun = lab("spun", 1, [ONE], g=2000, minutes=10)
    judging.judge([ONE], at(1.5))
    lab("corrected", 1.6, of=spun, reason="incorrect_data", set={"at": at(1.2)})
    assert why() == judging.WHY["acts"]
    judging.judge([ONE], at(1.7))
    assert why() == ""
    lab("voided", 1.8, of=spun, reason="did_not_occur")
    assert why() == judging.WHY["acts"]


def test_a_deviation_that_was_filed_changes_nothing(kept, lab):
    lab("deviation_noted", 1.7, [ONE], rule="spun", rules="T version 1", severity="stop")
    assert why() == ""


@pytest.mark.parametrize(
    "change",
    [
        lambda rules: Rule.objects.filter(code="volume").update(min_ul=300),
        lambda rules: Rule.objects.filter(code="unchosen").update(active=True),
        lambda rules: Assay.objects.update(min_ul=50),
        lambda rules: AssayTakes.objects.update(additive="SST"),
    ],
)
def test_changed_rules_and_assays_are_seen(kept, law, change):
    change(law)
    assert why() == judging.WHY["rules"]


def test_another_rule_set_is_seen(kept, law):
    RuleSet.objects.update(status="retired")
    newer = RuleSet.objects.create(code="T", version=2, status="in_force", valid_from=date(2026, 2, 1))
    for one in Rule.objects.filter(rule_set=law):
        one.pk, one.rule_set = None, newer
        one.save()
    assert why() == judging.WHY["rules"]


def test_time_that_runs_out_is_seen(law, lab, drawn):
    drawn([ONE])
    judging.judge([ONE], at(1))
    assert row().until_ms == at(2), "the limit of the spin"
    assert why(hours=1.9) == ""
    assert why(hours=2.1) == judging.TIME
    assert judging.counts(at(2.1)).stale == 1 and judging.counts(at(1.9)).stale == 0


def test_readings_that_came_in_are_seen(kept, store, lab):
    lab("put_away", 1.6, [ONE], line={"unit": "NLB-B001", "row": 1, "col": 1})
    logger = logger_in(store, "L1", "NLB-F1")
    judging.judge([ONE], at(2))
    assert why() == ""
    every_5_min(logger, at(0), at(3))
    assert why() == judging.WHY["readings"]


def test_a_discarded_tube_keeps_its_verdict(kept, lab):
    lab("discarded", 1.8, [ONE], why="used up")
    judging.judge([ONE], at(2))
    first = row()
    assert (first.word, first.asof_ms, first.until_ms) == ("fit", at(1.8), None)
    assert why(hours=9999) == ""
    judging.judge([ONE], at(9999))
    assert (row().word, row().asof_ms, row().sentence) == (first.word, first.asof_ms, first.sentence)


def test_queries_do_not_grow_with_tubes(law, lab, drawn):
    drawn(TUBES)
    lab("spun", 1, TUBES, g=2000, minutes=10)
    judging.judge(TUBES, at(1))
    for do in (lambda some: judging.judge(some, at(2)), lambda some: judging.fresh(some, at(2))):
        with CaptureQueriesContext(connection) as few:
            do(TUBES[:3])
        with CaptureQueriesContext(connection) as many:
            do(TUBES)
        assert len(many) == len(few)


def test_the_command_judges_and_says_what_is_stale(law, lab, drawn, capsys):
    drawn([ONE])
    with pytest.raises(SystemExit):
        call_command("verdicts_judge", "--check")
    assert "1: it was never judged: K7R2M-001-" in capsys.readouterr().out
    call_command("verdicts_judge")
    assert "Judged 1 tubes: 1 not fit, 0 cannot tell" in capsys.readouterr().out
    call_command("verdicts_judge", ONE, "--check")
    assert "Holds 1, no longer holds 0." in capsys.readouterr().out
