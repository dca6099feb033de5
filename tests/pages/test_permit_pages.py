"""Permits, agreements and transfer letters by their pages: who may, what is refused, how many queries."""

from __future__ import annotations

import hashlib
import logging
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from biobank.handoffs import actions as handoffs
from biobank.models import Permit, PermitFile, Programme, Shipment, TransferLetter
from biobank.permits import actions
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.papers import PNG, give, permit, primaries
from tests.people import ZONE

ROLES = ["fieldtech", "labtech", "curator", "auditor", "collaborator"]


def text(answer):
    return answer.content.decode()


def today():
    return timezone.now().astimezone(ZONE).date()


def form(people, /, **more):
    return {
        "sort": "permit", "number": "T-1", "allows": "take", "agency": people.nlb.pk,
        "issued_by": "The state", "valid_from": "2026-01-01", "valid_until": "2026-12-31", "reason": "new",
    } | more  # fmt: skip


@pytest.fixture
def one(people):
    found = permit(people, quantity=9, counted="tubes", parts="BLD", people=[people.person("fieldtech")])
    actions.add_files(people.actor("curator"), found, [("S-1 signed.png", PNG)])
    return found


@pytest.fixture
def stranger(people):
    """A paper of another programme, with a file."""
    other = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    found = Permit.objects.create(
        programme=other, number="X-1", allows="hold", agency=people.nlb, issued_by="The state",
        valid_from="2026-01-01", valid_until="2026-12-31",
    )  # fmt: skip
    actions.add_files(people.actor("curator"), found, [("x.png", PNG + b"x")])
    return found


def file_of(found):
    return reverse("permit_file", args=[found.pk, found.files.get().sha256[:16]])


# --- permits ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ROLES)
def test_who_sees_reads_and_only_curators_write(people, sign_in, one, role):
    client, sees, curates = sign_in(role), role != "collaborator", role == "curator"
    for url in (reverse("permits"), reverse("permit", args=[one.pk]), file_of(one)):
        assert client.get(url).status_code == (200 if sees else 403), url
    for url in (reverse("permit_new"), reverse("permit_edit", args=[one.pk])):
        assert client.get(url).status_code == (200 if curates else 403), url
    adding = client.post(reverse("permit_files", args=[one.pk]), {"files": SimpleUploadedFile("b.png", PNG)})
    assert adding.status_code == (302 if curates else 403)
    assert client.get(reverse("permit_files", args=[one.pk])).status_code == 405
    if not curates:
        assert client.post(reverse("permit_new"), form(people)).status_code == 403
        assert Permit.objects.count() == 1


def test_what_is_another_programmes_is_not_there(people, sign_in, one, stranger):
    client = sign_in("curator")
    urls = [reverse(name, args=[stranger.pk]) for name in ("permit", "permit_edit")]
    urls += [file_of(stranger), file_of(stranger).replace(f"/{stranger.pk}/", f"/{one.pk}/")]
    short = one.files.get().sha256[:15]
    urls += [reverse("permit_file", args=[one.pk, short]), reverse("permit", args=[10**9])]
    for url in urls:
        assert client.get(url).status_code == 404, url
    sent = {"files": SimpleUploadedFile("b.png", PNG + b"new")}
    assert client.post(reverse("permit_files", args=[stranger.pk]), sent).status_code == 404
    assert "X-1" not in text(client.get(reverse("permits"))) and PermitFile.objects.count() == 2


def test_a_permit_is_written_down_once_changed_with_a_reason_and_shown(people, sign_in):
    client = sign_in("curator")
    more = {"parts": ["SER", "BLD"], "quantity": "5", "counted": "animals",
            "conditions": "Release all.\nReport.", "people": [people.person("fieldtech").pk]}  # fmt: skip
    for _ in range(2):
        answer = client.post(reverse("permit_new"), form(people, **more))
        found = Permit.objects.get()
        assert answer.status_code == 302 and answer["Location"] == reverse("permit", args=[found.pk])
    assert (found.parts, found.quantity, found.conditions) == ("BLD SER", 5, "Release all.\nReport.")
    page = text(client.get(reverse("permit", args=[found.pk])))
    for said in ("whole blood, serum", "Field tech (SSS)", "0 of 5 animals used, 5 left", "Release all.<br>",
                 "The state", "written down"):  # fmt: skip
        assert said in page, said
    edit = reverse("permit_edit", args=[found.pk])
    shown = client.get(edit).context["form"].initial
    same = {name: value for name, value in shown.items() if value not in (None, "")}
    assert client.post(edit, same | {"note": "renewed"}).status_code == 422, "nobody says why"
    assert client.post(edit, same | {"note": "renewed", "reason": "a letter came"}).status_code == 302
    page = text(client.get(reverse("permit", args=[found.pk])))
    assert "a letter came" in page and "note: nothing → renewed" in page and "by Curator" in page
    rows = Permit.history.count()
    assert client.post(edit, same | {"note": "renewed", "reason": "again"}).status_code == 302
    assert Permit.history.count() == rows


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"valid_until": "2025-01-01"}, "permit_ends_before_it_begins"),
        ({"valid_until": "9999-01-01"}, "year_out_of_range"),
        ({"quantity": "5"}, "quantity_needs_unit"),
        ({"quantity": "-1", "counted": "tubes"}, "min_value"),
        ({"recipients": ["999999"]}, "invalid_choice"),
        ({"parts": ["GOLD"]}, "invalid_choice"),
        ({"allows": "eat"}, "invalid_choice"),
        ({"reason": ""}, "required"),
        ({"number": "a\u202eb"}, ""),
    ],
)
def test_a_form_that_cannot_be_right_says_why_and_writes_nothing(people, sign_in, more, code):
    answer = sign_in("curator").post(reverse("permit_new"), form(people, **more))
    assert answer.status_code == 422 and code in text(answer) and not Permit.objects.exists()


def test_a_file_leaves_as_it_came_to_be_kept_and_is_logged(people, sign_in, one, caplog):
    with caplog.at_level(logging.INFO, "biobank.exports"):
        answer = sign_in("auditor").get(file_of(one))
    assert answer.content == PNG and answer["Content-Type"] == "image/png"
    assert answer["Content-Disposition"].startswith('attachment; filename="permit-S-1-')
    assert answer["X-Content-Type-Options"] == "nosniff" and "sandbox" in answer["Content-Security-Policy"]
    said = [record.getMessage() for record in caplog.records if record.name == "biobank.exports"]
    assert len(said) == 1 and "S-1" in said[0] and people.person("auditor").code in said[0]


def test_a_file_is_added_and_one_that_is_no_paper_is_refused_with_its_code(people, sign_in, one):
    client, url = sign_in("curator"), reverse("permit_files", args=[one.pk])
    good = PNG + b" page 2"
    assert client.post(url, {"files": SimpleUploadedFile("two.pdf", good)}).status_code == 302
    page = text(client.get(reverse("permit", args=[one.pk])))
    assert hashlib.sha256(good).hexdigest() in page and "two.pdf" in page
    bad = client.post(url, {"files": SimpleUploadedFile("permit.png", b"<script>alert(1)</script>")})
    assert bad.status_code == 422 and "photo_kind_unknown" in text(bad)
    none = client.post(url, {})
    assert none.status_code == 422 and "file_missing" in text(none) and PermitFile.objects.count() == 2


@pytest.mark.parametrize("left", [91, 90, 31, 30, 8, 7, 1, 0, -1])
def test_the_first_page_warns_those_who_look_after_papers(people, sign_in, left):
    permit(people, valid_from=today() - timedelta(days=400), valid_until=today() + timedelta(days=left))
    words = {91: None, 1: "expires tomorrow", 0: "expires today", -1: "expired yesterday"}
    said = words.get(left, f"expires in {left} days")
    page = text(sign_in("curator").get("/"))
    assert ("Permit S-1" in page) == (said is not None) == ("Permits that end" in page)
    assert said is None or said in page
    for role in ("fieldtech", "labtech", "auditor", "collaborator"):
        assert "Permit S-1" not in text(sign_in(role).get("/"))


def test_queries_do_not_grow_with_papers_changes_or_handoffs(people, sign_in):
    client, counts = sign_in("curator"), []
    for round_ in range(2):
        for n in range(1 + 3 * round_):
            more = {"number": f"{round_}{n}", "valid_until": today() + timedelta(days=5), "quantity": 5}
            found = permit(people, counted="tubes", people=[people.person("labtech")], **more)
            permit(people, allows="take", counted="animals", **more)
            give(people, primaries(builders.drawn_set(people)), people.tfl)
        found = []
        for url in (reverse("permits"), reverse("permit", args=[Permit.objects.first().pk]), "/"):
            with CaptureQueriesContext(connection) as seen:
                assert client.get(url).status_code == 200
            found.append(len(seen))
        counts.append(found)
    assert counts[0] == counts[1]


# --- letters ---------------------------------------------------------------------------------------

LETTER = {"purpose": "Iron in serum", "terms": "service"}


@pytest.fixture
def ref(people):
    return give(people, primaries(builders.drawn_set(people, animal=people.animal)), people.tfl)


def letter_at(ref, name="letter"):
    return reverse(name, args=[ref])


def test_the_giver_makes_a_letter_once_and_its_paper_is_there(people, sign_in, ref):
    client = sign_in("fieldtech")
    assert client.get(letter_at(ref, "letter_pdf")).status_code == 404
    for purpose in ("Iron in serum", "Something else"):
        answer = client.post(letter_at(ref), LETTER | {"purpose": purpose})
        assert answer.status_code == (302 if purpose == "Iron in serum" else 200)
    made = TransferLetter.objects.get()
    assert (made.purpose, made.terms) == ("Iron in serum", "For analysis, ownership stays.")
    assert made.number in text(client.get(letter_at(ref)))
    paper = client.get(letter_at(ref, "letter_pdf"))
    assert paper.content.startswith(b"%PDF-") and made.number in paper["Content-Disposition"]


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"terms": "loan"}, "loan_without_end"),
        ({"terms": "loan", "due_back": "2026-05-02"}, "due_back_out_of_range"),
        ({"terms": "gift"}, "invalid_choice"),
        ({"purpose": " "}, "required"),
    ],
)
def test_a_letter_that_cannot_be_right_gets_no_number(sign_in, ref, more, code):
    answer = sign_in("fieldtech").post(letter_at(ref), LETTER | more)
    assert answer.status_code == 422 and code in text(answer) and not TransferLetter.objects.exists()


def test_a_loan_says_until_when_and_the_form_knows_what_the_shipment_said(people, sign_in, ref):
    Shipment.objects.create(
        programme=people.programme, number="P-1", giver=people.sss, receiver=people.tfl, terms="loan",
        due_back="2027-05-03", made_by=people.person("fieldtech"), made=builders.moment(9), handoff=ref,
    )  # fmt: skip
    client = sign_in("fieldtech")
    page = text(client.get(letter_at(ref)))
    assert '<option value="loan" selected>' in page and 'value="2027-05-03"' in page
    said = LETTER | {"terms": "loan", "due_back": "2026-05-03", "more": "What is left over comes back."}
    assert client.post(letter_at(ref), said).status_code == 302
    terms = "A loan, ownership stays, due back by 3 May 2026. What is left over comes back."
    assert TransferLetter.objects.get().terms == terms


def test_who_has_still_to_count_reads_it_after_the_answer(people, sign_in, ref):
    sign_in("fieldtech").post(letter_at(ref), LETTER)
    client = sign_in("labtech")
    for name in ("letter", "letter_pdf"):
        assert client.get(letter_at(ref, name)).status_code == 403
    tubes = [line["t"] for line in ledger.event(ref).lines]
    handoffs.receive(
        people.actor("labtech"), new_id(), ref, dict.fromkeys(tubes, "ok"), counted=6, at=builders.moment(11)
    )
    for name in ("letter", "letter_pdf"):
        assert client.get(letter_at(ref, name)).status_code == 200


def test_the_others_read_it_or_not_and_make_none(people, sign_in, ref):
    for role, status in [("curator", 200), ("auditor", 200), ("collaborator", 403)]:
        assert sign_in(role).get(letter_at(ref)).status_code == status
        assert sign_in(role).post(letter_at(ref), LETTER).status_code in (200, 403)
    assert not TransferLetter.objects.exists()
    assert sign_in("fieldtech").get(letter_at(new_id())).status_code == 404


def test_tubes_of_another_programme_have_no_letter_here(people, sign_in, ref):
    other = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    people.plan.programme = other
    people.plan.save()
    assert sign_in("fieldtech").get(letter_at(ref)).status_code == 404
