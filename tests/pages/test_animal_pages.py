"""Pages of animals: who sees and may what, what they say, what they refuse."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.animals import actions
from biobank.models import Animal, AnimalMerge, Identifier, Programme, Workup
from tests.people import DAY, bound_set, make_animal

CHIP, NEW_CHIP = "999000000000001", "985000000000007"


def text(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


@pytest.fixture
def workup(people):
    return bound_set(people).workup


def borne(people):
    return {"kind": "brand", "text": "K7", "since": DAY.isoformat()}


@pytest.mark.parametrize("role", ["fieldtech", "labtech", "curator", "auditor"])
def test_everybody_of_the_programme_reads_them(people, sign_in, role):
    assert sign_in(role).get(reverse("animals")).status_code == 200
    answer = sign_in(role).get(reverse("animal", args=["A-0001"]))
    assert answer.status_code == 200 and CHIP in text(answer)


def test_a_collaborator_sees_no_animal(people, sign_in, workup):
    for address in [reverse("animals"), reverse("animal", args=["A-0001"])]:
        assert sign_in("collaborator").get(address).status_code == 403


@pytest.mark.parametrize("role", ["labtech", "auditor"])
def test_who_only_looks_on_changes_nothing(people, sign_in, role, workup):
    tag = people.animal.identifiers.first()
    for name, args in [
        ("identifier_add", ["A-0001"]), ("identifier_end", [tag.pk]), ("animal_merge", ["A-0001"]),
        ("animal_split", ["A-0001"]), ("workup_chip", [workup.code]),
    ]:  # fmt: skip
        assert sign_in(role).post(reverse(name, args=args)).status_code == 403, name


def test_a_field_tech_identifies_and_does_not_merge(people, sign_in):
    client = sign_in("fieldtech")
    assert client.post(reverse("identifier_add", args=["A-0001"]), borne(people)).status_code == 302
    assert client.post(reverse("identifier_add", args=["A-0001"]), borne(people)).status_code == 302
    assert Identifier.objects.filter(text="K7").count() == 1, "sent twice, it is one"
    assert client.post(reverse("animal_merge", args=["A-0001"])).status_code == 403
    assert "Merge with another" not in text(client.get(reverse("animal", args=["A-0001"])))


def test_another_programme_s_animal_is_not_there(people, sign_in):
    other = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    make_animal(other, "X-0009", "999000000000009")
    curator = sign_in("curator")
    assert curator.get(reverse("animal", args=["X-0009"])).status_code == 404
    assert "X-0009" not in text(curator.get(reverse("animals")))
    assert "X-0009" not in text(curator.get(reverse("animals"), {"q": "999000000000009"}))


def test_find_by_chip_and_by_what_is_not_there(people, sign_in):
    client = sign_in("fieldtech")
    assert "A-0001" in text(client.get(reverse("animals"), {"q": "999 000 000 000 001"}))
    assert "Nobody bears that" in text(client.get(reverse("animals"), {"q": "<b>"}))
    assert client.get(reverse("animals"), {"q": "x" * 500}).status_code == 200


def test_a_chip_that_is_read_says_which_animal_it_is(people, sign_in, workup):
    client = sign_in("fieldtech")
    answer = client.post(reverse("workup_chip", args=[workup.code]), {"text": CHIP}, follow=True)
    assert "The chip says who it is: A-0001." in text(answer) and "should not bear it" in text(answer)
    assert Workup.objects.get(pk=workup.pk).animal == people.animal


def test_an_unknown_chip_leads_on_to_a_new_animal(people, sign_in, workup):
    client = sign_in("fieldtech")
    answer = client.post(reverse("workup_chip", args=[workup.code]), {"text": NEW_CHIP}, follow=True)
    assert f"Nobody bears {NEW_CHIP} yet" in text(answer)
    form = answer.context["new_form"]
    said = {"key": str(form["key"].value()), "species": form["species"].value(), "sex": "F",
            "kind": form["kind"].value(), "text": form["text"].value()}  # fmt: skip
    assert client.post(reverse("workup_new_animal", args=[workup.code]), said).status_code == 302
    made = Workup.objects.get(pk=workup.pk).animal
    assert made != people.animal and made.identifiers.get().text == NEW_CHIP


@pytest.mark.parametrize(
    ("typed", "code"),
    [("123", "chip_length"), ("98500000000000O", "chip_not_digits"), ("000123456789012", "chip_prefix"),
     ("985999999999999", "chip_too_large")],
)  # fmt: skip
def test_a_chip_that_cannot_be_is_refused_and_stays_in_the_form(people, sign_in, workup, typed, code):
    answer = sign_in("fieldtech").post(reverse("workup_chip", args=[workup.code]), {"text": typed})
    assert answer.status_code == 422 and code in answer.content.decode()
    assert f'value="{typed}"' in answer.content.decode()
    assert Workup.objects.get(pk=workup.pk).animal is None


@pytest.mark.parametrize("bad", ["K7\u202eX", "K\x007", "x" * 41], ids=["right to left", "control", "long"])
def test_an_identifier_that_nobody_can_print_is_refused(people, sign_in, bad):
    answer = sign_in("fieldtech").post(
        reverse("identifier_add", args=["A-0001"]), borne(people) | {"text": bad}
    )
    assert answer.status_code == 422 and not Identifier.objects.filter(kind="brand").exists()


def test_html_in_an_identifier_stays_text(people, sign_in):
    client = sign_in("fieldtech")
    client.post(reverse("identifier_add", args=["A-0001"]), borne(people) | {"text": "<i>K7</i>"})
    assert "&lt;i&gt;K7&lt;/i&gt;" in client.get(reverse("animal", args=["A-0001"])).content.decode()


def test_merge_and_undo_by_their_pages(people, sign_in):
    second, client = make_animal(people.programme, "A-0002", "999000000000002"), sign_in("curator")
    said = {"gone": second.pk, "kind": "genotype", "proof": "12 loci"}
    assert client.post(reverse("animal_merge", args=["A-0001"]), said | {"proof": ""}).status_code == 422
    assert client.post(reverse("animal_merge", args=["A-0001"]), said).status_code == 302
    page = text(client.get(reverse("animal", args=["A-0002"])))
    assert "the same animal as A-0001" in page and "12 loci" in page
    listed = text(client.get(reverse("animals")))
    assert "A-0002" not in listed, "one individual is listed once"
    merge = AnimalMerge.objects.get()
    assert client.post(reverse("animal_unmerge", args=[merge.pk]), {"reason": "two sexes"}).status_code == 302
    assert "Two animals after all: two sexes" in text(client.get(reverse("animal", args=["A-0001"])))
    assert Animal.objects.get(pk=second.pk).merged_into is None


def test_split_by_its_page(people, sign_in, workup):
    actions.read_chip(people.actor("fieldtech"), workup, CHIP)
    client = sign_in("curator")
    said = {"workups": [workup.pk], "proof": "genotype"}
    answer = client.post(reverse("animal_split", args=["A-0001"]), said, follow=True)
    assert answer.status_code == 200 and workup.code in text(answer)
    assert Workup.objects.get(pk=workup.pk).animal.code != "A-0001"


def test_the_list_takes_no_more_queries_for_more_animals(people, sign_in):
    client, counts, made = sign_in("curator"), [], 1
    for n in (3, 30):
        for _ in range(n):
            made += 1
            make_animal(people.programme, f"A-{made:04d}", f"9990000000{made:05d}")
        with CaptureQueriesContext(connection) as asked:
            client.get(reverse("animals"))
        counts.append(len(asked))
    assert counts[0] == counts[1]
