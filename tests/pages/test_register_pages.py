"""People, agencies and sites by their pages: who may, what is refused, what the history keeps."""

from __future__ import annotations

import re

import pytest
from django.contrib.auth import get_user_model
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.models import Agency, Person, Programme, Role, Site
from tests.people import PASSWORD, make_person

PAGES = ["register", "programme_change", "agency_new", "site_new", "person_new"]
NEW = {"code": "P20", "name": "Tor Hauge", "role": "fieldtech", "veterinarian": "on"}


@pytest.fixture
def admin(people) -> Client:
    boss = make_person(people.programme, people.nlb, Role.ADMINISTRATOR, "P09", "boss")
    client = Client()
    client.force_login(boss.user)
    return client


def add(admin, people, **other):
    return admin.post(reverse("person_new"), NEW | {"agency": people.sss.pk} | other)


@pytest.mark.parametrize("role", ["fieldtech", "labtech", "curator", "collaborator", "auditor"])
def test_only_an_administrator_opens_the_register(people, sign_in, role):
    for name in PAGES:
        assert sign_in(role).get(reverse(name)).status_code == 403
    code = people.person("labtech").code
    for name in ["person", "person_login", "person_end"]:
        assert sign_in(role).post(reverse(name, args=[code])).status_code == 403


def test_a_person_is_added_given_a_login_and_signs_in(people, admin):
    assert add(admin, people).status_code == 302
    shown = admin.post(reverse("person_login", args=["P20"]), {"username": "tor"})
    text = re.sub(r"<[^>]+>", " ", shown.content.decode())
    password = re.search(r", password\s+(\S+)", text).group(1)
    found = Person.objects.get(code="P20")
    assert (found.veterinarian, found.user.username) == (True, "tor")
    assert Client().login(username="tor", password=password)
    assert password not in admin.get(reverse("person", args=["P20"])).content.decode()
    assert [one.history_user.username for one in found.history.all()] == ["boss", "boss"]


def test_a_code_is_never_given_twice(people, admin):
    assert add(admin, people).status_code == 302
    assert add(admin, people).status_code == 302, "the same form twice is one person"
    assert add(admin, people, name="Another").status_code == 422
    assert Person.objects.filter(code="P20").count() == 1
    assert admin.post(reverse("agency_new"), {"code": "SSS", "name": "Other"}).status_code == 422
    assert Agency.objects.get(code="SSS").name == "Skarvik Seal Survey"


def test_a_change_asks_why_and_keeps_both(people, admin):
    lab = people.person("labtech")
    said = {"name": "Ole Tarn", "agency": lab.agency_id, "role": "curator"}
    assert admin.post(reverse("person", args=[lab.code]), said).status_code == 422
    assert admin.post(reverse("person", args=[lab.code]), said | {"reason": "new post"}).status_code == 302
    page = admin.get(reverse("person", args=[lab.code])).content.decode()
    assert "new post" in page and "labtech" in page and "curator" in page


def test_nobody_changes_their_own_role_or_ends_their_own_login(people, admin):
    me = Person.objects.get(code="P09")
    said = {"name": me.name, "agency": me.agency_id, "role": "curator", "reason": "try"}
    answer = admin.post(reverse("person", args=[me.code]), said)
    assert answer.status_code == 422 and b"own_role" in answer.content
    assert admin.post(reverse("person_end", args=[me.code]), {"reason": "try"}).status_code == 422
    assert admin.post(reverse("person_login", args=[me.code])).status_code == 422
    assert Person.objects.get(code="P09").role == Role.ADMINISTRATOR


def test_an_ended_login_signs_in_no_more_and_can_be_given_again(people, admin):
    lab = people.person("labtech")
    assert admin.post(reverse("person_end", args=[lab.code]), {"reason": "left"}).status_code == 302
    assert not Client().login(username="labtech", password=PASSWORD)
    assert admin.post(reverse("person_login", args=[lab.code])).status_code == 200
    assert get_user_model().objects.get(username="labtech").is_active


def test_another_programme_s_person_is_not_there(people, admin):
    other = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    make_person(other, people.nlb, Role.LAB, "X01", "stranger")
    assert admin.get(reverse("person", args=["X01"])).status_code == 404
    assert "stranger" not in admin.get(reverse("register")).content.decode()


@pytest.mark.parametrize(
    "name", ["<b>Bay</b>\x07", "Bay \u202e gnir", "x" * 121], ids=["control", "right to left", "long"]
)
def test_a_name_that_no_label_can_show_is_refused(people, admin, name):
    assert admin.post(reverse("site_new"), {"code": "NEW", "name": name}).status_code == 422
    assert not Site.objects.filter(code="NEW").exists()


def test_html_in_a_name_stays_text(people, admin):
    admin.post(reverse("site_new"), {"code": "NEW", "name": "<b>Bay</b>"})
    assert "&lt;b&gt;Bay&lt;/b&gt;" in admin.get(reverse("register")).content.decode()


def test_a_zone_that_is_none_is_refused(people, admin):
    said = {"name": "Skarvik Bay", "tz": "Europe/Skarvik", "reason": "moved", "hurry_pct": "80"}
    answer = admin.post(reverse("programme_change"), said)
    assert answer.status_code == 422 and b"zone_unknown" in answer.content
    assert admin.post(reverse("programme_change"), said | {"tz": "Europe/London"}).status_code == 302
    assert Programme.objects.get(code="SKARVIK").tz == "Europe/London"


@pytest.mark.parametrize(
    "name, value", [("hand_limit_min", "0"), ("net_limit_min", "-1"), ("hurry_pct", "101")]
)
def test_the_limits_of_the_clock_are_set_on_the_programmes_page(people, admin, name, value):
    said = {"name": "Skarvik Bay", "tz": "Europe/Oslo", "reason": "permit", "hurry_pct": "80"}
    said |= {"net_limit_min": "90", "hand_limit_min": ""}
    assert admin.post(reverse("programme_change"), said).status_code == 302
    now = Programme.objects.get(code="SKARVIK")
    assert (now.net_limit_min, now.hand_limit_min, now.hurry_pct) == (90, None, 80)
    assert admin.post(reverse("programme_change"), said | {name: value}).status_code == 422


def test_everybody_may_change_their_own_password(people, sign_in):
    said = {
        "old_password": PASSWORD,
        "new_password1": "rain-on-grey-water",
        "new_password2": "rain-on-grey-water",
    }
    assert sign_in("collaborator").post(reverse("password"), said).status_code == 302
    assert Client().login(username="collaborator", password="rain-on-grey-water")


def test_the_register_needs_no_more_queries_for_more_people(people, admin):
    counts = []
    for n in (3, 30):
        for k in range(n):
            make_person(people.programme, people.sss, Role.FIELD, f"N{n}-{k}", f"n{n}-{k}")
        with CaptureQueriesContext(
            connection,
        ) as asked:
            admin.get(reverse("register"))
        counts.append(len(asked))
    assert counts[0] == counts[1]
