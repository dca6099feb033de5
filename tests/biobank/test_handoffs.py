"""Two parties, every tube: what a handoff does, and what it refuses."""

import pytest

from biobank.handoffs import actions, paper, queries
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests import people as builders

GIVEN, TAKEN = builders.moment(10, 0), builders.moment(10, 30)


@pytest.fixture
def tubes(people) -> list[str]:
    """Six primaries that the field team holds."""
    tube_set = builders.drawn_set(people)
    return sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))


@pytest.fixture
def given(people, tubes) -> str:
    done = actions.hand_off(
        people.actor("fieldtech"), new_id(), tubes, "TFL", how="sealed", seal="S-1", centi_c=430, at=GIVEN
    )
    return done.id


def receive(people, handoff, results, counted=None, at=TAKEN, key=None, role="labtech"):
    count = sum(word != "missing" for word in results.values()) if counted is None else counted
    return actions.receive(people.actor(role), key or new_id(), handoff, results, counted=count, at=at)


def test_the_giver_answers_for_the_tubes_until_the_receiver_has(people, tubes, given):
    assert {state.custodian for state in ledger.states(tubes).values()} == {"SSS"}
    receive(people, given, dict.fromkeys(tubes, "ok"))
    assert {(one.custodian, one.status) for one in ledger.states(tubes).values()} == {("TFL", "held")}
    assert queries.handoff(given, 0).word == "accepted"


def test_a_tube_that_does_not_arrive_stays_with_the_giver_in_dispute(people, tubes, given):
    receive(people, given, dict.fromkeys(tubes[1:], "ok"))
    lost = ledger.state(tubes[0])
    assert (lost.custodian, lost.status, lost.disputes) == ("SSS", "in_transit", 1)
    assert queries.handoff(given, 0).word == "disputed"
    receive(people, given, {tubes[0]: "ok"}, at=builders.moment(11))
    assert (ledger.state(tubes[0]).custodian, ledger.state(tubes[0]).disputes) == ("TFL", 0)


def test_a_damaged_tube_is_with_the_receiver_and_in_dispute(people, tubes, given):
    receive(people, given, dict.fromkeys(tubes[1:], "ok") | {tubes[0]: "damaged"})
    assert (ledger.state(tubes[0]).custodian, ledger.state(tubes[0]).disputes) == ("TFL", 1)


@pytest.mark.parametrize(
    ("do", "code"),
    [
        (lambda p, t, g: receive(p, g, dict.fromkeys(t, "ok"), counted=5), "count_does_not_agree"),
        (lambda p, t, g: receive(p, g, dict.fromkeys(t, "ok"), role="curator"), "receiver_was_addressed"),
        (lambda p, t, g: receive(p, g, {"K7R2M103X": "ok"}), "tube_not_on_handoff"),
        (lambda p, t, g: receive(p, new_id(), dict.fromkeys(t, "ok")), "handoff_unknown"),
        (
            lambda p, t, g: receive(p, g, dict.fromkeys(t, "ok"), at=builders.moment(9, 59)),
            "time_before_parent",
        ),
        (
            lambda p, t, g: actions.hand_off(p.actor("fieldtech"), new_id(), t, "NLB", how="hand"),
            "handed_off_twice",
        ),
        (
            lambda p, t, g: actions.hand_off(p.actor("labtech"), new_id(), t, "NLB", how="hand"),
            "giver_was_custodian",
        ),
        (
            lambda p, t, g: actions.hand_off(p.actor("fieldtech"), new_id(), t, "SSS", how="hand"),
            "handed_to_itself",
        ),
        (
            lambda p, t, g: actions.hand_off(p.actor("fieldtech"), new_id(), t, "XXX", how="hand"),
            "agency_unknown",
        ),
        (
            lambda p, t, g: actions.hand_off(p.actor("fieldtech"), new_id(), t, "NLB", how="sealed"),
            "seal_needed",
        ),
        (lambda p, t, g: actions.hand_off(p.actor("fieldtech"), new_id(), [], "NLB", how="hand"), "no_tube"),
        (
            lambda p, t, g: actions.send_back(p.actor("curator"), new_id(), g, "refused", "x"),
            "receiver_was_addressed",
        ),
    ],
)
def test_a_refusal_changes_nothing(people, tubes, given, do, code):
    before = ledger.size()
    with pytest.raises(Refused) as no:
        do(people, tubes, given)
    assert (no.value.code, ledger.size()) == (code, before)


def test_a_handoff_is_answered_once(people, tubes, given):
    key = new_id()
    receive(people, given, dict.fromkeys(tubes, "ok"), key=key)
    with pytest.raises(Refused) as no:
        receive(people, given, dict.fromkeys(tubes, "ok"))
    assert no.value.code == "handoff_answered_once"


def test_the_same_answer_sent_twice_is_one(people, tubes, given):
    key = new_id()
    first = receive(people, given, dict.fromkeys(tubes, "ok"), key=key)
    size = ledger.size()
    again = receive(people, given, dict.fromkeys(tubes, "ok"), key=key)
    assert (again.id, ledger.size()) == (first.id, size)


@pytest.mark.parametrize(("kind", "role"), [("refused", "labtech"), ("withdrawn", "fieldtech")])
def test_refused_or_withdrawn_tubes_stay_with_the_giver(people, tubes, given, kind, role):
    actions.send_back(people.actor(role), new_id(), given, kind, "Boat turned back", at=TAKEN)
    assert {(one.custodian, one.pending_to) for one in ledger.states(tubes).values()} == {("SSS", None)}
    assert queries.handoff(given, 0).word == kind


def test_a_handoff_that_nobody_answers_is_overdue_when_its_time_has_passed(people, tubes):
    done = actions.hand_off(
        people.actor("fieldtech"), new_id(), tubes, "TFL", how="hand", due=builders.moment(12), at=GIVEN
    )
    noon = round(builders.moment(12).timestamp() * 1000)
    assert [queries.handoff(done.id, now).word for now in (noon, noon + 1)] == ["offered", "overdue"]


def test_the_list_needs_as_many_queries_for_many_handoffs_as_for_one(
    people, tubes, django_assert_num_queries
):
    for tube in tubes:
        actions.hand_off(people.actor("fieldtech"), new_id(), [tube], "TFL", how="hand", at=GIVEN)
    with django_assert_num_queries(5):
        assert len(queries.handoffs("SSS", 0)) == len(tubes)


def test_the_papers_say_who_gave_what_to_whom(people, tubes, given):
    import pypdfium2

    receive(people, given, dict.fromkeys(tubes[1:], "ok"))
    for made in (paper.handoff_pdf(queries.handoff(given, 0)), paper.tube_pdf(tubes[1])):
        page = pypdfium2.PdfDocument(made)
        text = "".join(page[n].get_textpage().get_text_bounded() for n in range(len(page)))
        assert "Chain of custody" in text
        assert f"{tubes[1][:5]}-{tubes[1][5:8]}-{tubes[1][8]}" in text
        assert "Handed off" in text and "Received" in text
