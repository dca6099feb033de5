"""What a draft would change, worked out in pieces. Answers are worked by hand from the limits."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from io import StringIO

import pytest
from django.core.management import call_command

from biobank.acting import perform
from biobank.checks import queries, ruling, trial
from biobank.checks.actions import put_in_force
from biobank.checks.rule_values import digest
from biobank.checks.starter import Row
from biobank.core import codes
from biobank.models import Assay, AssayTakes, RuleSet, TrialChange, Tube
from custody.core.event import new_id
from custody.core.refusal import Refused
from custody.core.rule import Rule as Pure
from tests.people import moment

TUBES = [codes.make("K7R2M", n) for n in (1, 2, 3)]
RULE = Pure(
    "late", "interval", "stop", "human", "A study", "IRON", from_act="drawn", to_act="spun", limit_s=7200
)


@pytest.fixture
def lab(people):
    """Three tubes drawn at 9:00; the first spun after 1 h, the second after 3 h, the third only printed."""
    actor, line = people.actor("labtech"), {"label": "Gel", "matrix": "BLD", "additive": "SST", "ul": 5000}
    assay = Assay.objects.create(code="IRON", name="Iron")
    AssayTakes.objects.create(assay=assay, matrix="BLD")
    for code in TUBES:
        Tube.objects.create(code=code, label="Gel", matrix="BLD", additive="SST")
    before, drawn = moment(8), moment(9)
    lines = [{"t": code, "role": "new"} | line for code in TUBES]
    perform(actor, "label_printed", key=new_id(), at=before, lines=lines)
    perform(
        actor,
        "drawn",
        key=new_id(),
        at=drawn,
        lines=[{"t": c, "role": "subj", "ul": 5000} for c in TUBES[:2]],
    )
    for code, hours in zip(TUBES, (1, 3), strict=False):
        perform(actor, "spun", key=new_id(), at=drawn + timedelta(hours=hours), 
                data={"g": 2000, "minutes": 10},
                lines=[{"t": code, "role": "subj"}])  # fmt: skip
    return people


@pytest.fixture
def law(lab):
    found = RuleSet.objects.create(code="OURS", version=1)
    ruling.add_rule(found, Row(RULE), lab.user("curator"), "first")
    return put_in_force(found, date(2026, 1, 1), lab.user("curator"), "first")


def draft_of(law, lab, hours):
    user = lab.user("curator")
    draft = ruling.copy_set(law, user, f"{hours} h")
    ruling.change_rule(
        draft, "late", Row(replace(RULE, limit_s=hours * 3600)), digest([Row(RULE)]), user, "x"
    )
    return draft


@pytest.mark.parametrize(
    ("hours", "expected"), [(4, [(1, "not_fit", "fit")]), (2, []), (0, [(0, "fit", "not_fit")])]
)
def test_the_tubes_whose_verdict_would_change_are_listed(lab, law, hours, expected):
    draft = draft_of(law, lab, hours)
    done = trial.go_on(trial.begin(draft, lab.person("curator")))
    changes = TrialChange.objects.filter(trial=done).values_list("tube", "before", "now")
    assert set(changes) == {(TUBES[n], before, now) for n, before, now in expected}
    assert done.ended and (done.done, done.total) == (3, 3)
    assert trial.current(draft) == done


@pytest.mark.parametrize(("hours", "worse"), [(4, 0), (0, 1)])
def test_how_many_verdicts_get_worse_is_counted_apart(lab, law, hours, worse):
    done = trial.go_on(trial.begin(draft_of(law, lab, hours), lab.person("curator")))
    said = queries.counted(done, lab.person("curator").programme)
    assert (said["verdicts"], said["tubes"], said["worse"]) == (1, 1, worse)


def test_a_piece_at_a_time_is_the_same_as_all_at_once(lab, law):
    draft = draft_of(law, lab, 4)
    one = trial.begin(draft, lab.person("curator"))
    done = []
    while not one.ended:
        one = trial.go_on(one, seconds=0, piece=1)
        done.append(one.done)
        assert trial.begin(draft, lab.person("curator")).pk == one.pk, "asked again it is the same one"
    assert done == [1, 2, 3, 3]
    assert list(TrialChange.objects.values_list("tube", "now")) == [(TUBES[1], "fit")]


def test_a_trial_is_stale_once_the_rules_or_an_assay_changed(lab, law):
    draft, user = draft_of(law, lab, 4), lab.user("curator")
    one = trial.begin(draft, lab.person("curator"))
    ruling.add_rule(draft, Row(replace(RULE, code="more")), user, "more")
    with pytest.raises(Refused) as no:
        trial.go_on(one)
    assert no.value.code == "trial_stale"
    again = trial.go_on(trial.begin(draft, lab.person("curator")))
    assert again.pk != one.pk and not trial.stale(again)
    Assay.objects.filter(code="IRON").update(min_ul=50)
    assert trial.stale(again) and trial.current(draft) is None
    Assay.objects.filter(code="IRON").update(min_ul=None)
    other = ruling.copy_set(law, user, "other")
    ruling.begin(other, date(2026, 6, 1), user, "other", unseen=True)
    assert trial.stale(again)


def test_a_looked_at_draft_comes_into_force_without_the_tick(lab, law):
    draft = draft_of(law, lab, 4)
    trial.go_on(trial.begin(draft, lab.person("curator")))
    assert ruling.begin(draft, date(2026, 6, 1), lab.user("curator"), "new study").status == "in_force"
    with pytest.raises(Refused) as no:
        trial.begin(law, lab.person("curator"))
    assert no.value.code == "rule_set_is_fixed"


def test_the_command_says_what_would_change(lab, law):
    draft, said = draft_of(law, lab, 4), StringIO()
    call_command("rules_trial", "OURS", "2", "--by", lab.person("curator").code, stdout=said)
    assert "Iron: not fit → fit: 1" in said.getvalue() and "3 tubes" in said.getvalue()
    assert trial.current(draft)
