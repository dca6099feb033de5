"""Cases of a handoff: opened with the answer, looked after by somebody, closed with words."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction

from biobank.handoffs import actions, cases, queries
from biobank.models import HandoffCase, Role
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests import people as builders

GIVEN, TAKEN = builders.moment(10), builders.moment(11)


@pytest.fixture
def tubes(people) -> list[str]:
    tube_set = builders.drawn_set(people)
    return sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))


@pytest.fixture
def given(people, tubes) -> str:
    done = actions.hand_off(
        people.actor("fieldtech"), new_id(), tubes, "TFL", how="sealed", seal="S-1", at=GIVEN
    )
    return done.id


def receive(people, given, results) -> str:
    counted = sum(word != "missing" for word in results.values())
    return actions.receive(people.actor("labtech"), new_id(), given, results, counted=counted, at=TAKEN).id


@pytest.fixture
def opened(people, tubes, given) -> list[HandoffCase]:
    """One missing, one damaged, four as they should be."""
    receive(people, given, dict.fromkeys(tubes[1:], "ok") | {tubes[1]: "damaged"})
    return list(HandoffCase.objects.order_by("tube"))


def close(people, case, outcome, role="fieldtech"):
    return cases.close(people.actor(role), new_id(), case, outcome, TAKEN, people.user(role))


def test_what_did_not_match_is_a_case_of_whoever_gave_it_and_due_in_a_week(people, tubes, opened):
    assert [(one.tube, one.code) for one in opened] == [(tubes[0], "missing"), (tubes[1], "damaged")]
    assert {one.owner for one in opened} == {people.person("fieldtech")}
    assert {one.due - one.opened.date() for one in opened} == {timedelta(days=7)}


def test_what_matched_is_no_case(people, tubes, given):
    receive(people, given, dict.fromkeys(tubes, "ok"))
    assert not HandoffCase.objects.exists()


def test_a_missing_tube_that_is_still_on_its_way_is_not_closed_away(people, opened):
    with pytest.raises(Refused) as no:
        close(people, opened[0], "It will come.")
    assert no.value.code == "still_on_its_way"


def test_closing_settles_the_dispute_of_the_tube_in_the_ledger(people, tubes, given, opened):
    assert queries.handoff(given, 0).word == "disputed"
    close(people, opened[1], "Cap cracked; content as it was.")
    actions.send_back(people.actor("fieldtech"), new_id(), given, "withdrawn", "Found on the boat", TAKEN)
    close(people, opened[0], "Found on the boat.")
    assert {ledger.state(tube).disputes for tube in tubes} == {0}
    assert queries.handoff(given, 0).word == "settled"
    case = HandoffCase.objects.get(pk=opened[1].pk)
    said = ledger.event(str(case.closing)).header
    assert (said["kind"], said["data"]["note"]) == ("discrepancy_resolved", "Cap cracked; content as it was.")


def test_a_tube_that_came_after_all_closes_its_case_and_no_other(people, tubes, given, opened):
    event = receive(people, given, {tubes[0]: "ok"})
    case = HandoffCase.objects.get(pk=opened[0].pk)
    assert (case.outcome, str(case.closing)) == ("It came after all, with a later answer.", event)
    assert HandoffCase.objects.get(pk=opened[1].pk).closed is None


@pytest.mark.parametrize("outcome", ["", "  "])
def test_closing_without_words_is_refused(people, opened, outcome):
    with pytest.raises(Refused) as no:
        close(people, opened[1], outcome)
    assert no.value.code == "reason_required"


def test_a_closed_case_stays_closed_and_says_since_when(people, opened):
    close(people, opened[1], "As it was.")
    before = ledger.size()
    with pytest.raises(Refused, match="As it was") as no:
        close(people, opened[1], "Something else.")
    assert (no.value.code, ledger.size()) == ("case_closed", before)


def test_two_people_close_it_at_once_and_the_second_is_told(people, opened):
    other = HandoffCase.objects.get(pk=opened[1].pk)
    close(people, opened[1], "As it was.")
    with pytest.raises(Refused) as no:
        close(people, other, "Written off.")
    assert no.value.code == "case_closed"
    assert HandoffCase.objects.get(pk=other.pk).outcome == "As it was."


def test_somebody_else_takes_it_and_who_had_it_before_is_kept(people, opened):
    case = opened[1]
    cases.given_to(
        case, people.person("labtech"), case.due + timedelta(days=3), people.user("labtech"), "Mine."
    )
    past = list(case.history.all())
    assert [one.owner.code for one in past] == ["P2", "P1"]
    assert past[0].history_change_reason == "Mine."
    with pytest.raises(Refused):
        cases.given_to(case, people.person("curator"), case.due, people.user("curator"), " ")


def test_the_database_keeps_cases_and_wants_words_for_a_closed_one(people, opened):
    with pytest.raises(IntegrityError), transaction.atomic():
        HandoffCase.objects.filter(pk=opened[0].pk).update(closed=TAKEN)
    with pytest.raises(Exception, match="kept"), transaction.atomic():
        HandoffCase.objects.filter(pk=opened[0].pk).delete()


def test_who_sees_a_case(people, opened):
    seen = {role: cases.of(people.person(role)).count() for role in ("fieldtech", "labtech", "curator")}
    assert seen == {"fieldtech": 2, "labtech": 2, "curator": 2}
    stranger = builders.make_person(people.programme, people.nlb, Role.LAB, "P9", "elsewhere")
    assert cases.of(stranger).count() == 0
