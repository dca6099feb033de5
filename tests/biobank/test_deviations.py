"""Deviations: filed about a rule that tubes fail, closed with what was done, and hiding nothing."""

from __future__ import annotations

import pytest
from django.utils import timezone

from biobank.acting import ms
from biobank.amend import actions as amend
from biobank.checks import deviations, gate
from biobank.checks.work_actions import close_deviation, file_deviation
from biobank.models import Programme
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank import judged
from tests.biobank.judged import HAEM, ICT, LIP, SPIN, grade, make_law, make_tubes
from tests.biobank.lab import refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def law(store):
    return make_law()


@pytest.fixture
def tubes(law, store):
    return make_tubes(store)


def note(people, tubes, rule=HAEM, who="labtech", **more):
    said = {"reason": "the needle was too thin"} | more
    return file_deviation(people.actor(who), said.pop("key", None) or new_id(), tubes, rule=rule, **said)


def close(people, event, who="curator", **more):
    said = {"reason": "a wider needle from now on"} | more
    return close_deviation(people.actor(who), said.pop("key", None) or new_id(), event, **said)


def word(tube):
    return gate.for_assay([tube], "CORT", ms(timezone.now()))[tube].word


def test_one_event_for_many_tubes_and_the_finding_stays(store, tubes):
    grade(store, tubes[:2], haemolysis=3)
    event = note(store, tubes[:2])
    said = ledger.event(event)
    assert said.header["data"] == {
        "rule": HAEM, "rules": "HARBOUR version 1", "severity": "stop", "reason": "the needle was too thin",
    }  # fmt: skip
    assert [line["t"] for line in said.lines] == tubes[:2] and all(line["fact"] for line in said.lines)
    assert {code: [one.event for one in some] for code, some in deviations.open_of(tubes[:3]).items()} == {
        tubes[0]: [event], tubes[1]: [event], tubes[2]: [],
    }  # fmt: skip
    assert word(tubes[0]) == "not_fit"
    with refused("tube_not_fit"):
        gate.admit(tubes[:1], "CORT", ms(timezone.now()))


def test_it_changes_no_state(store, tubes):
    grade(store, tubes[:1], haemolysis=3)
    before = vars(ledger.state(tubes[0]))
    close(store, note(store, tubes[:1]))  # closed by an agency that does not hold the tube
    after = vars(ledger.state(tubes[0]))
    assert {name for name in after if after[name] != before[name]} == {"seq", "last_ms"}
    assert ledger.findings() == []


def test_a_caution_and_a_rule_of_another_assay_can_be_deviated_from_too(store, tubes):
    grade(store, tubes[:1], lipaemia=3, icterus=3)
    for rule, severity in [(LIP, "caution"), (ICT, "stop")]:
        assert ledger.event(note(store, tubes[:1], rule)).header["data"]["severity"] == severity


def test_what_cannot_be_filed(store, tubes):
    fresh = [judged.primary(judged.lab_set(store), judged.RED)]
    judged.say(store, "spun", fresh, at=judged.DRAWN, data={"g": 2000, "minutes": 10})
    grade(store, tubes[:1], haemolysis=3)
    for code, some, more in [
        ("reason_required", tubes[:1], {"reason": " "}),
        ("no_tube", [], {}),
        ("finding_not_open", tubes[:2], {}),  # the second passes
        ("finding_not_open", tubes[:1], {"rule": SPIN}),
        ("finding_not_open", tubes[:1], {"rule": "no such"}),
        ("finding_not_open", fresh, {}),  # cannot tell is not a fail
        ("tube_unknown", ["K7R2M103X"], {}),
    ]:
        with refused(code):
            note(store, some, **more)


def test_one_that_is_open_is_not_filed_again_and_a_closed_one_may_be(store, tubes):
    grade(store, tubes[:2], haemolysis=3)
    event = note(store, tubes[:1])
    with refused("deviation_open_already"):
        note(store, tubes[:2])
    close(store, event)
    assert deviations.open_of(tubes[:1])[tubes[0]] == []
    note(store, tubes[:1])


def test_it_is_closed_once_with_a_reason(store, tubes):
    grade(store, tubes[:1], haemolysis=3)
    event = note(store, tubes[:1])
    with refused("reason_required"):
        close(store, event, reason="")
    with refused("deviation_unknown"):
        close(store, ledger.history(tubes[0])[0].id)
    with refused("deviation_unknown"):
        close(store, new_id())
    done = close(store, event)
    with refused("deviation_closed_already"):
        close(store, event)
    [one] = deviations.all_of(closed=True)
    assert (one.closed, one.closed_by, one.closed_why) == (done, "P3", "a wider needle from now on")
    assert deviations.all_of(closed=False) == []


def test_the_same_key_twice_is_one_event(store, tubes):
    grade(store, tubes[:1], haemolysis=3)
    key, end = new_id(), new_id()
    for _ in range(2):
        assert note(store, tubes[:1], key=key) == key
    for _ in range(2):
        assert close(store, key, key=end) == end
    assert [len(ledger.events(kind=kind)) for kind in (deviations.NOTED, deviations.CLOSED)] == [1, 1]


def test_a_voided_one_is_gone_and_a_voided_closing_opens_it_again(store, tubes):
    curator = store.actor("curator")
    grade(store, tubes[:1], haemolysis=3)
    event = note(store, tubes[:1])
    amend.void(curator, new_id(), close(store, event), "not done yet")
    assert [one.event for one in deviations.all_of(closed=False)] == [event]
    assert len(deviations.open_of(tubes[:1])[tubes[0]]) == 1
    amend.void(curator, new_id(), event, "wrong tube")
    assert deviations.all_of(closed=False) == [] == deviations.open_of(tubes[:1])[tubes[0]]
    with refused("deviation_unknown"):
        close(store, event)


def test_of_another_programme_none(store, tubes):
    grade(store, tubes[:1], haemolysis=3)
    event = note(store, tubes[:1])
    other = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    for role in ("labtech", "curator"):
        person = store.person(role)
        person.programme = other
        person.save()
    with refused("tube_unknown"):
        note(store, tubes[:1])
    with refused("tube_unknown"):
        close(store, event)
