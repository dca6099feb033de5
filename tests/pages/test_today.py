"""Signing in, the page of the day for each role, and the pages that say no.

Sources: RFC 9110 (405, 403, 404), design.md section 8 for who sees what; sentences are ours.
"""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from biobank import context
from biobank.acting import perform
from custody.core.event import new_id
from tests import people as builders
from tests.people import PASSWORD

HEADINGS = {
    "fieldtech": ["Animals in hand", "Tube sets to go on with", "Field days ahead"],
    "labtech": ["Handoffs to receive", "To spin", "To aliquot", "To put away"],
    "curator": ["Freezers out of range", "Open discrepancies", "Tables taken in"],
    "collaborator": ["What the biobank holds"],
    "auditor": ["Events in the ledger", "Findings of the ledger"],
}


@pytest.mark.parametrize("role", HEADINGS)
def test_every_role_has_its_page(sign_in, role):
    page = sign_in(role).get("/").content.decode()
    assert [said for said in HEADINGS[role] if said not in page] == []
    assert sum(said in page for said in HEADINGS["auditor"][:1]) == (role == "auditor")


@pytest.mark.parametrize("role", HEADINGS)
def test_every_place_in_the_navigation_may_be_opened(sign_in, people, role):
    client = sign_in(role)
    for place in context.places(people.person(role), "/"):
        assert client.get(place["href"]).status_code == 200, place["words"]


def test_every_place_has_a_page():
    assert [reverse(name) for _, name, _ in context.PLACES]


def test_a_stranger_is_asked_to_sign_in_and_comes_back(client, people):
    answer = client.get("/handoffs/")
    assert answer.status_code == 302 and answer.url == "/sign-in/?next=/handoffs/"
    form = {"username": "labtech", "password": PASSWORD, "next": "/handoffs/"}
    assert client.post("/sign-in/", form).url == "/handoffs/"


def test_sign_in_leads_to_no_other_site(client, people):
    form = {"username": "labtech", "password": PASSWORD, "next": "https://example.org/"}
    assert client.post("/sign-in/", form).url == "/"


def test_a_wrong_password_says_so_with_its_code(client, people):
    answer = client.post("/sign-in/", {"username": "labtech", "password": "nothing like it"})
    assert answer.status_code == 422
    assert b"do not belong together" in answer.content and b"invalid_login" in answer.content


def test_signing_out_is_a_press_and_not_a_link(sign_in):
    client = sign_in("labtech")
    assert client.get("/sign-out/").status_code == 405
    assert client.post("/sign-out/").status_code == 302
    assert client.get("/").status_code == 302


def test_the_field_sees_sets_that_wait_and_animals_in_hand(sign_in, people):
    tube_set = builders.bound_set(people)
    page = sign_in("fieldtech").get("/").content.decode()
    assert f'href="/sets/{tube_set.code}/"' in page and "next: draw" in page
    assert builders.workup_of(tube_set).code in page


def handed_off(people, tube_set, to: str) -> tuple[str, list[str]]:
    """All drawn tubes of the set go to an agency; the handoff's id and the codes."""
    codes = [tube.code for tube in tube_set.tubes.filter(parent_hint="")]
    key, lines = new_id(), [{"t": code, "role": "subj"} for code in codes]
    data = {"to": to, "how": "hand"}
    at = builders.moment(12)
    perform(people.actor("fieldtech"), "handed_off", key=key, at=at, data=data, lines=lines)
    return key, codes


def stored(people, tube_set) -> None:
    """Northlight receives the set and puts it into the first row of its box."""
    key, codes = handed_off(people, tube_set, "NLB")
    curator, box = people.actor("curator"), people.box.code
    got = [{"t": code, "role": "subj", "result": "ok"} for code in codes]
    put = [{"t": code, "role": "subj", "unit": box, "row": 1, "col": n} for n, code in enumerate(codes, 1)]
    perform(curator, "received", key=new_id(), at=builders.moment(13), ref=key, lines=got)
    perform(curator, "put_away", key=new_id(), at=builders.moment(14), lines=put)


def test_the_lab_sees_what_is_on_its_way_to_it_and_nobody_elses(sign_in, people):
    key, _ = handed_off(people, builders.drawn_set(people), "TFL")
    assert f'href="/handoffs/{key}/"' in sign_in("labtech").get("/").content.decode()
    assert key not in sign_in("curator").get("/").content.decode()
    assert "6 tubes to TFL" in sign_in("fieldtech").get("/").content.decode()


def test_the_page_asks_no_more_when_there_are_more_tubes(sign_in, people, django_assert_max_num_queries):
    builders.drawn_set(people)
    client = sign_in("fieldtech")
    with django_assert_max_num_queries(40) as few:
        client.get("/")
    builders.drawn_set(people)
    builders.drawn_set(people)
    with django_assert_max_num_queries(len(few)):
        client.get("/")


def test_a_collaborator_sees_counts_and_neither_tube_nor_place_nor_animal(sign_in, store):
    tube_set = builders.drawn_set(store, animal=store.animal)
    stored(store, tube_set)
    page = sign_in("collaborator").get("/").content.decode()
    assert "Whole blood" in page and "5 tubes" in page
    for secret in (tube_set.code, store.animal.code, store.box.code, "NLB-F1", "2026"):
        assert secret not in page.split("<section", 1)[1], secret


def test_another_programmes_tubes_are_not_on_the_page(sign_in, people):
    from biobank.models import Programme, SamplePlan

    tube_set = builders.drawn_set(people)
    assert tube_set.code in sign_in("fieldtech").get("/").content.decode()
    other = Programme.objects.create(code="OTHER", name="Another survey")
    plan = SamplePlan.objects.create(programme=other, code="X", name="Another plan")
    tube_set.plan = plan
    tube_set.save()
    assert tube_set.code not in sign_in("fieldtech").get("/").content.decode()


def test_a_login_without_a_person_may_do_nothing_and_is_told(client, django_user_model, db):
    client.force_login(django_user_model.objects.create_user("nobody", password=PASSWORD))
    answer = client.get("/")
    assert answer.status_code == 403 and b"belongs to no person" in answer.content


def test_what_is_not_there_says_so_in_the_same_frame(sign_in):
    answer = sign_in("labtech").get("/no-such-page/")
    assert answer.status_code == 404 and b"Nothing here" in answer.content and b"Sign out" in answer.content


def test_a_form_without_its_token_is_refused_with_a_way_on(people):
    client = Client(enforce_csrf_checks=True)
    client.force_login(people.user("labtech"))
    answer = client.post("/sign-out/")
    assert answer.status_code == 403 and b"open too long" in answer.content


def test_no_page_carries_inline_style_or_script_and_the_policy_forbids_both(sign_in):
    # CSP level 3: neither 'unsafe-inline' nor a hash or nonce for scripts or styles
    answer = sign_in("labtech").get("/")
    policy = answer.headers["Content-Security-Policy"]
    assert "script-src 'self'" in policy and "style-src 'self'" in policy and "unsafe" not in policy
    page = answer.content.decode()
    assert "style=" not in page and "<style" not in page and "<script>" not in page and " onclick" not in page


def test_the_demo_says_that_its_data_are_invented(sign_in, settings):
    client = sign_in("labtech")
    assert "Demo: invented data" not in client.get("/").content.decode()
    settings.DEMO = True
    assert "Demo: invented data" in client.get("/").content.decode()


@pytest.mark.parametrize(
    ("address", "name"),
    [("board", "Bench"), ("counts", "Storage"), ("evacuations", "Storage"), ("consents", "Storage")],
)
def test_a_page_is_under_the_place_from_which_it_is_reached(people, address, name):
    shown = context.places(people.person("curator"), reverse(address))
    assert [place["words"] for place in shown if place["here"]] == [name]
