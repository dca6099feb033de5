"""The work list of the ledger as plain forms: what is on it, who may settle it, what is refused."""

from __future__ import annotations

import re
from html import unescape

import pytest
from django.urls import reverse

from biobank.core import codes
from custody import devices, queries, sync
from custody import queries as ledger
from custody.core.event import new_id
from custody.models import Event, Held
from custody.rebuild import differences
from tests import people as builders
from tests.attack.bad import BAD
from tests.custody.phone import Phone, signing

LIST = "/ledger/findings/"


@pytest.fixture
def curator(sign_in):
    return sign_in("curator")


@pytest.fixture
def phone(people) -> Phone:
    return Phone("SSS-T1", by="P1").registered()


@pytest.fixture
def tubes(people) -> list[str]:
    tube_set = builders.drawn_set(people)
    return sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))


def words(page) -> str:
    """The text a person sees."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.content.decode().split("<main")[1])).split())


def late(phone: Phone, kind: str, tubes, **said):
    """Something that the phone says of the afternoon of the field day."""
    said.setdefault("data", {})
    act = phone.act(kind, tubes, 0, **said)
    at = round(builders.moment(16).timestamp() * 1000) + phone.n
    return phone.sent(type(act)(**{**act.__dict__, "at_ms": at, "rec_at": at}))


def send(phone: Phone, *items) -> list[sync.Verdict]:
    return sync.take(phone.code, items, "fieldtech")


# --- the list -------------------------------------------------------------------------------------


def test_an_empty_list_says_so(curator, people):
    said = words(curator.get(LIST))
    for sentence in (
        "Everything that devices sent was taken in.",
        "Every slot has one tube at most.",
        "Every history fits together.",
    ):
        assert sentence in said


def test_findings_held_items_and_contested_slots_stand_on_one_page(curator, people, tubes, phone):
    builders.make_store(people)
    one, two = tubes[:2]
    send(phone, late(phone, "put_away", [one], unit="NLB-B001", row=1, col=1))
    send(phone, late(phone, "put_away", [two], unit="NLB-B001", row=1, col=1))
    send(phone, late(phone, "drawn", [tubes[2]], ul=100), late(phone, "no_such_kind", "T1"))
    page = curator.get(LIST)
    said = words(page)
    assert "NLB-B001 , A1" in said
    for code in tubes[:3]:
        assert codes.show(code) in said and f'href="/tubes/{code}/"' in page.content.decode()
    assert "drawn_twice" in said and "One tube is filled once." in said
    assert "kind_unknown" in said and "It cannot be taken as it is." in said
    assert "SSS-T1, signed in as fieldtech" in said


@pytest.mark.parametrize(
    ("role", "status", "settles"),
    [
        ("fieldtech", 200, 403),
        ("labtech", 200, 403),
        ("auditor", 200, 403),
        ("curator", 200, 200),
        ("collaborator", 403, 403),
    ],
)
def test_who_may_look_and_who_may_settle(sign_in, people, tubes, phone, role, status, settles):
    other = Phone("SSS-T2", by="P1")
    (held,) = send(phone, late(other, "thawed", [tubes[0]]))
    twice = late(phone, "drawn", [tubes[0]], ul=1)
    (verdict,) = send(phone, twice)
    client = sign_in(role)
    for path in (LIST, f"/ledger/held/{held.held}/", "/ledger/held/settled/", "/ledger/devices/"):
        assert client.get(path).status_code == status, path
    acts = [
        f"/ledger/held/{held.held}/let-in/", f"/ledger/held/{held.held}/set-aside/", "/ledger/devices/new/",
        "/ledger/devices/SSS-T1/revoke/", f"{LIST}{verdict.id}/{tubes[0]}/drawn_twice/",
    ]  # fmt: skip
    for path in acts:
        assert client.get(path).status_code == settles, path
        if settles == 403:
            assert client.post(path, {"note": "x", "key": new_id()}).status_code == 403, path
            assert path not in client.get(LIST).content.decode()
    if settles == 403:
        assert ledger.count_waiting() == 1 and ledger.findings(tubes[0])


def test_somebody_who_is_not_signed_in_is_sent_to_sign_in(client, people):
    assert client.get(LIST).status_code == 302


def test_the_list_stands_in_the_navigation(sign_in, people):
    assert f'href="{LIST}"' in sign_in("fieldtech").get("/").content.decode()
    assert f'href="{LIST}"' not in sign_in("collaborator").get("/").content.decode()


def test_tubes_of_another_programme_are_not_shown(curator, people, tubes, phone):
    from biobank.models import Programme, SamplePlan

    builders.make_store(people)
    send(phone, late(phone, "drawn", [tubes[0]], ul=1))
    for tube in tubes[:2]:
        send(phone, late(phone, "put_away", [tube], unit="NLB-B001", row=1, col=1))
    (problem,) = [one for one in ledger.findings(tubes[0]) if one.code == "drawn_twice"]
    assert codes.show(tubes[0]) in words(curator.get(LIST))
    elsewhere = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    SamplePlan.objects.update(programme=elsewhere)
    assert codes.show(tubes[0]) not in words(curator.get(LIST))
    assert curator.get(f"{LIST}{problem.event}/{tubes[0]}/drawn_twice/").status_code == 404


def test_the_number_of_queries_does_not_grow(curator, people, tubes, phone, django_assert_max_num_queries):
    builders.make_store(people)

    def asked() -> int:
        with django_assert_max_num_queries(40) as seen:
            assert curator.get(LIST).status_code == 200
        return len(seen)

    def mess(n: int) -> None:
        send(phone, late(phone, "no_such_kind", f"X{n}"), late(phone, "drawn", [tubes[n % 6]], ul=n))
        lines = {"unit": f"U{n % 3}", "row": 1, "col": 1}
        send(phone, late(phone, "put_away", [tubes[n % 6]], **lines))

    for n in range(6):
        mess(n)
    few = asked()
    for n in range(6, 70):
        mess(n)
    assert asked() == few
    assert ledger.count_findings() > 50 and "Page 1 of" in words(curator.get(LIST))
    last = curator.get(f"{LIST}?findings=2&held=2")
    assert last.status_code == 200 and "Page 2 of" in words(last)


@pytest.mark.parametrize("number", ["0", "-1", "x", "", "99999999999999999999", "²", "1e3"])
def test_an_odd_page_number_is_the_first_page_or_an_empty_one(curator, people, number):
    assert curator.get(LIST, {"findings": number, "held": number}).status_code == 200


# --- letting in and setting aside --------------------------------------------------------------------


def test_a_held_item_is_looked_at_and_let_in(curator, people, tubes, phone):
    other = Phone("SSS-T2", by="P1")
    item = late(other, "thawed", [tubes[0]])
    (verdict,) = send(phone, item)
    page = curator.get(f"/ledger/held/{verdict.held}/")
    said = words(page)
    assert "Thawed" in said and codes.show(tubes[0]) in said and "device_foreign" in said
    assert item["salt"] in said  # as it was sent
    form = curator.get(f"/ledger/held/{verdict.held}/let-in/")
    assert "very text that the device sent" in words(form)
    answer = curator.post(f"/ledger/held/{verdict.held}/let-in/", {"note": "Same tablet, renamed"})
    assert (answer.status_code, answer["Location"]) == (302, f"/ledger/held/{verdict.held}/")
    assert ledger.state(tubes[0]).thaws == 1
    stored = Event.objects.get(event_id=verdict.id)
    assert (stored.via, stored.login, stored.body) == ("review", "curator", item["header"])
    assert "let in" in words(curator.get(answer["Location"]))
    again = curator.post(f"/ledger/held/{verdict.held}/let-in/", {"note": "Same tablet, renamed"})
    assert again.status_code == 302 and ledger.state(tubes[0]).thaws == 1
    assert f"Item {verdict.held}" in words(curator.get("/ledger/held/settled/"))
    assert f"Item {verdict.held}" not in words(curator.get(LIST))
    assert "came by review" in words(curator.get(f"/tubes/{tubes[0]}/"))
    assert differences() == []


def test_what_cannot_be_an_event_is_refused_with_its_code_and_can_be_set_aside(curator, people, phone):
    (verdict,) = send(phone, late(phone, "no_such_kind", "T1"))
    assert "let-in" not in curator.get(f"/ledger/held/{verdict.held}/").content.decode()
    answer = curator.post(f"/ledger/held/{verdict.held}/let-in/", {"note": "please"})
    assert answer.status_code == 422 and "kind_unknown" in answer.content.decode()
    assert curator.post(f"/ledger/held/{verdict.held}/set-aside/", {"note": " "}).status_code == 422
    for _ in range(2):  # a double tap
        assert curator.post(f"/ledger/held/{verdict.held}/set-aside/", {"note": "Old app"}).status_code == 302
    assert "Old app" in words(curator.get(f"/ledger/held/{verdict.held}/"))
    answer = curator.post(f"/ledger/held/{verdict.held}/set-aside/", {"note": "another reason"})
    assert answer.status_code == 422 and "held_settled" in answer.content.decode()
    assert ledger.count_waiting() == 0 and not Event.objects.filter(via="review").exists()


def test_an_item_that_is_not_there_is_404(curator, people):
    for path in ("", "let-in/", "set-aside/"):
        assert curator.get(f"/ledger/held/999/{path}").status_code == 404


@pytest.mark.parametrize("name", BAD)
def test_whatever_was_held_its_page_opens_and_nothing_of_it_is_markup(curator, people, name):
    phone = Phone().registered()
    (verdict,) = sync.take(phone.code, [BAD[name][1](phone)], "fieldtech")
    for path in (LIST, f"/ledger/held/{verdict.held}/", f"/ledger/held/{verdict.held}/set-aside/"):
        page = curator.get(path)
        assert page.status_code == 200
        text = page.content.decode()
        assert "<b>T1</b>" not in text and "\x00" not in text and "\u202e" not in text
    note = {"note": "<script>alert(1)</script>"}
    assert curator.post(f"/ledger/held/{verdict.held}/let-in/", note).status_code == 422
    assert curator.post(f"/ledger/held/{verdict.held}/set-aside/", note).status_code == 302
    assert "<script>alert" not in curator.get(f"/ledger/held/{verdict.held}/").content.decode()


def test_a_person_s_odd_note_is_no_500(curator, people, phone):
    (verdict,) = send(phone, late(phone, "no_such_kind", "T1"))
    answer = curator.post(f"/ledger/held/{verdict.held}/set-aside/", {"note": "a\x00b"})
    assert answer.status_code == 422
    assert curator.post(f"/ledger/held/{verdict.held}/set-aside/", {"note": "x" * 501}).status_code == 422
    assert Held.objects.get().settled_as == ""


# --- closing a finding ----------------------------------------------------------------------------------


def test_a_finding_is_closed_by_an_event_with_a_reason(curator, people, tubes, phone):
    (verdict,) = send(phone, late(phone, "drawn", [tubes[0]], ul=1))
    path = f"{LIST}{verdict.id}/{tubes[0]}/drawn_twice/"
    assert path in curator.get(LIST).content.decode()
    assert "This tube was drawn" in words(curator.get(path))
    said = {"key": new_id(), "note": "Topped up from the same needle"}
    assert curator.post(path, said | {"note": ""}).status_code == 422
    size = ledger.size()
    for _ in range(2):
        assert curator.post(path, said).status_code == 302
    assert ledger.size() == size + 1 and ledger.findings(tubes[0]) == []
    assert ledger.state(tubes[0]).disputes == 0
    assert "Every history fits together." in words(curator.get(LIST))
    assert "Topped up from the same needle" in words(curator.get(f"/tubes/{tubes[0]}/"))
    assert curator.get(path).status_code == 404
    answer = curator.post(path, {"key": new_id(), "note": "again"})
    assert answer.status_code == 422 and "finding_gone" in answer.content.decode()
    assert differences() == []


def test_a_finding_about_a_unit_is_closed_by_moving_it(curator, people, phone):
    lines = [{"u": "U1", "role": "subj", "to": "U1"}]
    (verdict,) = send(phone, late(phone, "moved", [], lines=lines))
    said = words(curator.get(LIST))
    assert "unit_inside_itself" in said and "Look where the unit stands" in said
    path = f"{LIST}{verdict.id}/U1/unit_inside_itself/"
    answer = curator.post(path, {"key": new_id(), "note": "x"})
    assert answer.status_code == 422 and "finding_of_a_unit" in answer.content.decode()


def test_every_finding_of_the_fold_has_advice():
    """Codes are read from the source of the fold, as for the list of refusals."""
    from biobank.ledger.advice import ADVICE
    from tests.facts import refusals

    folded = {
        code
        for code, files in refusals().items()
        if {"custody/core/effects.py", "custody/core/fold.py"} & set(files)
    }
    assert folded - set(ADVICE) == set()
    assert set(ADVICE) - folded <= {"unit_inside_itself", "aliquot_balances", "time_before_parent"}


# --- devices ------------------------------------------------------------------------------------------


def test_a_device_is_registered_sends_and_is_revoked(curator, people, tubes):
    phone = signing()
    said = {"code": phone.code, "label": "Red tablet", "agency": "SSS", "person": "P1"}
    said |= {"public_key": "\n".join(re.findall(".{1,40}", phone.public_key))}
    for _ in range(2):
        assert curator.post("/ledger/devices/new/", said).status_code == 302
    phone.by = "P1"
    assert [one.word for one in send(phone, late(phone, "thawed", [tubes[0]], rec_by="P1"))] == ["new"]
    phone.n += 2
    assert send(phone, late(phone, "thawed", [tubes[0]], rec_by="P1"))[0].word == "new"
    text = words(curator.get("/ledger/devices/"))
    assert "Red tablet SSS, P1 yes 2 to 3" in text and "in use" in text
    assert curator.post(f"/ledger/devices/{phone.code}/revoke/", {"note": "Lost at sea"}).status_code == 302
    assert "revoked" in words(curator.get("/ledger/devices/"))
    assert send(phone, late(phone, "thawed", [tubes[0]], rec_by="P1"))[0].code == "device_revoked"


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"code": "web"}, "device_malformed"),
        ({"public_key": "AAAA"}, "key_malformed"),
        ({"agency": "XXX"}, "invalid_choice"),
        ({"code": "a b"}, "invalid"),
        ({"label": "Another"}, "device_known"),
    ],
)
def test_a_device_that_cannot_be_is_refused_with_a_code(curator, people, change, code):
    said = {"code": "SSS-T1", "label": "Tablet", "agency": "SSS"}
    assert curator.post("/ledger/devices/new/", said).status_code == 302
    answer = curator.post("/ledger/devices/new/", said | change)
    assert answer.status_code == 422 and code in answer.content.decode()
    assert [one.code for one in queries.devices()] == ["SSS-T1"]


def test_a_device_that_is_not_there_cannot_be_revoked(curator, people):
    answer = curator.post("/ledger/devices/NONE/revoke/", {"note": "x"})
    assert answer.status_code == 422 and "device_unknown" in answer.content.decode()


def test_the_devices_page_asks_a_fixed_number_of_queries(curator, people, django_assert_max_num_queries):
    def asked() -> int:
        with django_assert_max_num_queries(20) as seen:
            assert curator.get(reverse("devices")).status_code == 200
        return len(seen)

    devices.register("D-0", "Phone", "SSS", login="curator")
    few = asked()
    for n in range(1, 30):
        Phone(f"D-{n}").registered()
    assert asked() == few
