"""Handoffs and their cases by plain forms: who may, what is shown, what is refused, how many queries."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from biobank.handoffs import actions
from biobank.models import HandoffCase, Role
from custody.core.event import new_id
from tests import people as builders

pytestmark = pytest.mark.django_db


@pytest.fixture
def tubes(people) -> list[str]:
    tube_set = builders.drawn_set(people)
    return sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))


def hand_off(people, tubes, **said) -> str:
    return actions.hand_off(
        people.actor("fieldtech"), new_id(), tubes, "TFL", how="hand", at=builders.moment(10), **said
    ).id


def receive(people, handoff, results):
    counted = sum(word != "missing" for word in results.values())
    actor = people.actor("labtech")
    return actions.receive(actor, new_id(), handoff, results, counted=counted, at=builders.moment(11))


@pytest.fixture
def case(people, tubes) -> HandoffCase:
    """One damaged tube of six."""
    receive(people, hand_off(people, tubes), dict.fromkeys(tubes, "ok") | {tubes[1]: "damaged"})
    return HandoffCase.objects.get()


@pytest.mark.parametrize(("role", "sees", "closes"), [
    ("fieldtech", 200, 200), ("labtech", 200, 403), ("curator", 200, 200), ("auditor", 200, 403),
    ("collaborator", 403, 403),
])  # fmt: skip
def test_who_sees_and_who_closes(sign_in, case, role, sees, closes):
    client = sign_in(role)
    for name in ("cases", "case"):
        args = [case.pk] if name == "case" else []
        assert client.get(reverse(name, args=args)).status_code == sees
    assert client.get(reverse("case_close", args=[case.pk])).status_code == closes


def test_a_case_of_others_is_not_there(client, people, case):
    stranger = builders.make_person(people.programme, people.nlb, Role.LAB, "P9", "elsewhere")
    client.force_login(stranger.user)
    for name in ("case", "case_owner", "case_close"):
        assert client.get(reverse(name, args=[case.pk])).status_code == 404
    assert b"damaged" not in client.get(reverse("cases")).content


def test_a_case_is_given_to_somebody_and_closed(sign_in, people, case):
    client = sign_in("fieldtech")
    said = {"owner": people.person("labtech").pk, "due": "2026-12-24", "reason": "They have it in hand."}
    assert client.post(reverse("case_owner", args=[case.pk]), said).status_code == 302
    client = sign_in("labtech")
    page = client.get(reverse("case", args=[case.pk])).content.decode()
    assert "They have it in hand." in page and "24 Dec 2026" in page
    said = {"key": new_id(), "outcome": "Cap was loose, nothing lost."}
    for _ in range(2):  # a double tap
        client.post(reverse("case_close", args=[case.pk]), said)
    case.refresh_from_db()
    assert (case.outcome, case.closed is not None) == ("Cap was loose, nothing lost.", True)
    assert "Cap was loose" in client.get(reverse("case", args=[case.pk])).content.decode()


def test_closing_without_a_word_is_said_in_the_form(sign_in, case):
    answer = sign_in("fieldtech").post(
        reverse("case_close", args=[case.pk]), {"key": new_id(), "outcome": " "}
    )
    assert answer.status_code == 422
    case.refresh_from_db()
    assert case.closed is None


def test_a_box_is_handed_off_by_its_code(sign_in, store, client):
    from biobank.store.actions import put_away

    tube_set = builders.drawn_set(store)
    codes = sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))
    given = actions.hand_off(
        store.actor("fieldtech"), new_id(), codes, "NLB", how="hand", at=builders.moment(10)
    )
    actions.receive(
        store.actor("curator"),
        new_id(),
        given.id,
        dict.fromkeys(codes, "ok"),
        counted=6,
        at=builders.moment(11),
    )
    put_away(store.actor("curator"), new_id(), codes, "NLB-B001", at=builders.moment(12))
    said = {"key": new_id(), "tubes": "NLB-B001", "to": "TFL", "how": "hand", "ice_kg": "1.5"}
    answer = sign_in("curator").post(reverse("handoff_new"), said, follow=True)
    page = answer.content.decode()
    assert "6 in NLB-B001" in page and "1.5 kg" in page


@pytest.mark.parametrize("word", ["nothing", "NLB-B777"])
def test_what_cannot_be_read_stays_in_the_form(sign_in, people, tubes, word):
    said = {"key": new_id(), "tubes": f"{tubes[0]}\n{word}", "to": "TFL", "how": "hand"}
    answer = sign_in("fieldtech").post(reverse("handoff_new"), said)
    page = answer.content.decode()
    assert answer.status_code == 422 and word in page and tubes[0] in page


def queries_of(client, name) -> int:
    with CaptureQueriesContext(
        connection,
    ) as seen:
        assert client.get(reverse(name)).status_code == 200
    return len(seen)


@pytest.mark.parametrize("name", ["handoffs", "cases"])
def test_lists_are_flat_in_the_number_of_handoffs(sign_in, people, tubes, name):
    client = sign_in("curator")
    seen = []
    for some in (tubes[:3], tubes[3:]):
        for tube in some:
            receive(people, hand_off(people, [tube]), {tube: "damaged"})
        client.get(reverse(name))
        seen.append(queries_of(client, name))
    assert seen[0] == seen[1]
    assert HandoffCase.objects.filter(due__gte=timezone.localdate()).count() <= 6


def test_older_handoffs_are_a_page_further(sign_in, people, tubes, monkeypatch):
    from biobank.handoffs import queries

    monkeypatch.setattr(queries.handoffs, "__defaults__", (None, 4))
    monkeypatch.setattr(queries, "SHOWN", 4)
    for tube in tubes:
        receive(people, hand_off(people, [tube]), {tube: "ok"})
    client = sign_in("fieldtech")
    first = client.get(reverse("handoffs")).content.decode()
    assert first.count("accepted") == 4 and "Earlier" in first
    before = first.split("?before=")[1].split('"')[0]
    older = client.get(reverse("handoffs") + f"?before={before}").content.decode()
    assert older.count("accepted") == 2
    assert client.get(reverse("handoffs") + "?before=x").status_code == 200
