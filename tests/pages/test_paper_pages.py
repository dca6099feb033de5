"""The papers of a handoff and of a box through their pages: who gets them, and what is asked of whom."""

from __future__ import annotations

import pypdfium2
import pytest
from django.urls import reverse
from django.utils import timezone

from biobank.handoffs import links
from custody.core.event import new_id
from tests.biobank import parcels


@pytest.fixture
def one(store):
    return parcels.sent(store, 3, loose=1)


def at(name: str, one) -> str:
    return reverse(name, args=[one.said.id])


def said(answer) -> str:
    assert answer["Content-Type"] == "application/pdf" and answer["Cache-Control"] == "no-store"
    pages = pypdfium2.PdfDocument(answer.content)
    return " ".join(" ".join(page.get_textpage().get_text_range().split()) for page in pages)


def test_the_giver_gets_the_papers_and_they_are_linked_from_the_page(sign_in, one):
    client = sign_in("curator")
    page = client.get(reverse("handoff", args=[one.said.id])).content.decode()
    for name in ("handoff_manifest", "handoff_lid", "handoff_pdf"):
        assert at(name, one) in page
    assert "Manifest" in said(client.get(at("handoff_manifest", one)))
    assert "NLB-B001" in said(client.get(at("handoff_lid", one)))
    assert "Loose tubes" in said(client.get(at("handoff_lid", one), {"box": "loose"}))
    assert client.get(at("handoff_lid", one), {"box": "NLB-B999"}).status_code == 404


@pytest.mark.parametrize("name", ["handoff_manifest", "handoff_lid"])
def test_whoever_has_yet_to_count_does_not_get_the_number_from_a_paper(sign_in, one, name):
    client = sign_in("labtech")
    answer = client.get(at(name, one))
    assert answer.status_code == 403 and answer.content[:5] != b"%PDF-"
    key = {"step": "confirm", "key": new_id()}
    for step in (
        {"step": "count", "seal_state": "intact", "seal": "NLB-0091", "counted": "3"},
        {"step": "scan", "scans": "\n".join(one.tubes)}, {"step": "compare", "do": "next"}, key,
    ):  # fmt: skip
        assert client.post(reverse("handoff_receive", args=[one.said.id]), step).status_code == 302
    assert client.get(at(name, one)).status_code == 200


def test_an_auditor_sees_them_a_collaborator_and_a_stranger_do_not(sign_in, one):
    assert sign_in("auditor").get(at("handoff_manifest", one)).status_code == 200
    assert sign_in("collaborator").get(at("handoff_manifest", one)).status_code == 403
    assert sign_in("fieldtech").get(at("handoff_manifest", one)).status_code == 404
    assert sign_in("curator").get(reverse("handoff_manifest", args=[new_id()])).status_code == 404


def test_the_secret_of_a_new_link_goes_onto_the_manifest_and_no_other_secret_does(
    sign_in, store, one, settings
):
    settings.SITE_URL = "https://biobank.example"
    made = links.make(store.actor("curator"), one.said.id, 7, timezone.now())
    client, page = sign_in("curator"), at("handoff_manifest", one)
    assert f"https://biobank.example/answer/{made.secret}/" in said(
        client.post(page, {"secret": made.secret})
    )
    assert "answer/" not in said(client.get(page))
    for wrong in ("", "nonsense", made.secret + "x"):
        assert client.post(page, {"secret": wrong}).status_code == 404
    assert client.get(page, {"secret": made.secret}).status_code == 200
    assert made.secret not in said(client.get(page, {"secret": made.secret}))


def test_a_box_has_a_paper_of_custody(sign_in, store):
    answer = sign_in("curator").get(reverse("unit_custody", args=["NLB-B001"]))
    assert "Box NLB-B001" in said(answer) and "No tube is in it" in said(answer)
    assert sign_in("curator").get("/store/NLB-B9/custody.pdf").status_code == 404
    assert sign_in("collaborator").get("/store/NLB-B001/custody.pdf").status_code == 403


def test_questions_to_the_database_do_not_grow_with_the_tubes(store, django_assert_max_num_queries):
    from biobank.handoffs import custody_paper, lid, manifest

    few, many = parcels.bare(store, 2), parcels.sent(store, 90)
    now = round(timezone.now().timestamp() * 1000)
    for one in (few, many):
        with django_assert_max_num_queries(16):
            manifest.manifest(one)
        with django_assert_max_num_queries(2):
            lid.lids(one)
        with django_assert_max_num_queries(30):
            custody_paper.record(one.tubes, now)
