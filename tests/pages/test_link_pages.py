"""The sender's page of a one-time link, and what a receiver without a login walks through."""

from __future__ import annotations

import re

import pytest
from django.core.cache import cache
from django.test import Client

from biobank.handoffs import queries
from biobank.models import HandoffCase, HandoffLink
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank import linked


@pytest.fixture
def tubes(people) -> list[str]:
    cache.clear()
    return linked.drawn_tubes(people)


@pytest.fixture
def given(people, tubes) -> str:
    return linked.give(people, tubes)


@pytest.fixture
def made(people, given):
    return linked.make(people, given)


def page_of(given: str) -> str:
    return f"/handoffs/{given}/link/"


def told(text: str) -> tuple[str, str]:
    """Secret and code, as they stand in their two boxes."""
    address = re.findall(r'id="address">([^<]+)<', text)[0]
    return address.rstrip("/").rpartition("/")[2], re.findall(r'id="code">(\d{6})<', text)[0]


def states_on(text: str) -> list[str]:
    """The first word of each link's state."""
    cells = re.findall(r'data-name="State">(.*?)</td>', text, re.S)
    return [re.sub(r"<[^>]+>", " ", cell).split()[0] for cell in cells]


# --- the sender -----------------------------------------------------------------------------------


def test_the_sender_is_told_address_and_code_once_in_two_boxes(sign_in, given):
    client = sign_in("fieldtech")
    answer = client.post(page_of(given), {"days": "7"})
    text = answer.content.decode()
    secret, code = told(text)
    address, telephone = text.split("The code")
    assert secret in address and secret not in telephone
    assert code in telephone and code not in address
    assert "never in the same message" in telephone and "<svg" in address
    assert answer["Cache-Control"] == "no-store"
    again = client.get(page_of(given)).content.decode()
    assert secret not in again and code not in again


def test_the_sender_sees_what_became_of_the_link(sign_in, given, made):
    client = sign_in("fieldtech")
    states = []
    for do in (
        lambda: None,
        lambda: Client().get(f"/answer/{made.secret}/"),
        lambda: client.post(page_of(given) + "revoke/"),
    ):
        do()
        states += states_on(client.get(page_of(given)).content.decode())
    assert states == ["made", "opened", "revoked"]
    assert HandoffLink.objects.get().revoked


@pytest.mark.parametrize("days", ["0", "31", "x", ""])
def test_days_that_are_none_make_no_link(sign_in, given, days):
    assert sign_in("fieldtech").post(page_of(given), {"days": days}).status_code == 422
    assert not HandoffLink.objects.exists()


def test_there_is_no_form_when_nothing_is_left_to_answer(people, sign_in, given, tubes, made):
    linked.confirm(client := linked.opened(made), linked.walk(client, tubes, 6))
    text = sign_in("fieldtech").get(page_of(given)).content.decode()
    assert "left to be answered" in text and "Make a link" not in text and states_on(text) == ["used"]


# --- the receiver ---------------------------------------------------------------------------------


def test_from_the_code_to_the_receipt(tubes, given, made):
    client = linked.opened(made)
    page = linked.walk(client, tubes, 6)
    assert "All agree" in page.content.decode()
    answer = linked.confirm(client, page)
    assert answer["Location"] == "/answer/receipt/"
    receipt = client.get("/answer/receipt/").content.decode()
    event = ledger.events(kind="received")[0]
    assert f"event {event.seq}" in receipt and "Kari Nordal" in receipt and "checkpoint" in receipt
    assert {one.custodian for one in ledger.states(tubes).values()} == {"TFL"}
    assert (event.header["data"]["seal"], event.header["data"]["seal_intact"]) == (linked.SEAL, True)
    assert queries.handoff(given, 0).word == "accepted"


def test_the_receipt_is_for_the_browser_that_answered(tubes, made):
    client = linked.opened(made)
    linked.confirm(client, linked.walk(client, tubes, 6))
    assert client.get(f"/answer/{made.secret}/", follow=True).redirect_chain[-1][0] == "/answer/receipt/"
    other = Client()
    assert other.get(f"/answer/{made.secret}/", follow=True).status_code == 404
    assert other.get("/answer/receipt/").status_code == 404


def test_nothing_tells_the_number_or_the_list_before_the_count(tubes, made):
    client = linked.opened(made)
    for path in ("/answer/count/", "/answer/scan/", "/answer/compare/"):
        text = client.get(path, follow=True).content.decode()
        assert "Step 2" in text  # no step is skipped
        assert not re.search(r"\b6\b tubes|>6<", text) and tubes[0][:5] not in text


def test_every_step_asks_for_the_code_first(made):
    client = Client()
    client.get(f"/answer/{made.secret}/")
    for path in ("count", "scan", "compare", "receipt"):
        assert client.get(f"/answer/{path}/").status_code == 404
        assert client.post(f"/answer/{path}/", {"counted": "6"}).status_code == 404


def test_what_differs_is_said_and_kept(tubes, given, made):
    client = linked.opened(made)
    page = linked.walk(client, [*tubes[:4], tubes[0]], 6, seal="S-1", foreign="QX 99, left")
    text = page.content.decode()
    for words in ("Scanned more than once", "Not on the list", "QX 99 left", "not the one that the sender"):
        assert words in text
    assert linked.SEAL not in text
    done = linked.confirm(client, page, **{f"r_{tubes[4]}": "unreadable", f"r_{tubes[0]}": "damaged"})
    assert done.status_code == 302
    data = ledger.events(kind="received")[0].header["data"]
    assert (data["foreign"], data["again"], data["seal"]) == ("QX 99 left", tubes[0], "S-1")
    assert queries.handoff(given, 0).results == dict.fromkeys(tubes[1:4], "ok") | {
        tubes[0]: "damaged", tubes[4]: "unreadable", tubes[5]: "missing"}  # fmt: skip
    assert set(HandoffCase.objects.values_list("code", flat=True)) == {
        "damaged", "unreadable", "missing", "foreign", "seal"}  # fmt: skip


def test_no_seal_where_one_should_be_is_not_an_intact_one(tubes, made):
    client = linked.opened(made)
    page = linked.walk(client, tubes, 6, seal_intact="none", seal="")
    assert "A seal should have been" in page.content.decode()
    linked.confirm(client, page, note="Lid taped")
    data = ledger.events(kind="received")[0].header["data"]
    assert data["seal_intact"] is False and data["note"] == "Lid taped No seal was on the container."


def test_a_seal_that_is_there_has_a_number(made):
    client = linked.opened(made)
    answer = client.post("/answer/count/", {"seal_intact": "yes", "seal": "", "counted": "6"})
    assert answer.status_code == 422 and "seal_needed" in answer.content.decode()


def test_a_count_that_was_typed_anew_after_the_list_says_so(tubes, made):
    client = linked.opened(made)
    page = linked.walk(client, tubes, 5)
    assert "Count and codes differ" in page.content.decode()
    assert linked.confirm(client, page).status_code == 422  # as it stands it does not agree
    linked.confirm(client, linked.walk(client, tubes, 6))
    data = ledger.events(kind="received")[0].header["data"]
    assert data["counted"] == 6 and data["note"].startswith("Counted 5 before")


@pytest.mark.parametrize("counted", ["", "six", "-1", "1001", "6.5"])
def test_a_count_that_is_no_number_is_refused(made, counted):
    client = linked.opened(made)
    answer = client.post("/answer/count/", {"seal_intact": "no", "counted": counted})
    assert answer.status_code == 422


@pytest.mark.parametrize("code", ["", "12345", "1234567", "12345x", "١٢٣٤٥٦"])
def test_what_is_no_code_costs_no_try(made, code):
    client = Client()
    client.get(f"/answer/{made.secret}/")
    assert client.post("/answer/", {"code": code}).status_code == 422
    assert HandoffLink.objects.get().tries == 0


def test_a_code_may_be_typed_as_it_is_heard(made):
    client = Client()
    client.get(f"/answer/{made.secret}/")
    answer = client.post("/answer/", {"code": f" {made.code[:3]} {made.code[3:]} "})
    assert (answer.status_code, answer["Location"]) == (302, "/answer/count/")


def test_a_wrong_scan_is_named_and_nothing_is_lost(tubes, made):
    client = linked.opened(made)
    client.post("/answer/count/", {"seal_intact": "no", "counted": "6"})
    wrong = tubes[0][:-1] + ("A" if tubes[0][-1] != "A" else "B")
    answer = client.post("/answer/scan/", {"scans": f"{tubes[1]}\n{wrong}", "foreign": ""})
    assert answer.status_code == 422 and "code_check_digit" in answer.content.decode()
    assert tubes[1] in answer.content.decode()


def test_a_tube_that_the_giver_holds_is_noted_as_extra_and_stays_there(people, tubes):
    given = linked.give(people, tubes[:5])
    client = linked.opened(linked.make(people, given))
    page = linked.walk(client, tubes, 6)
    assert "Not on the list" in page.content.decode() and f"r_{tubes[5]}" not in page.content.decode()
    linked.confirm(client, page)
    assert queries.handoff(given, 0).results[tubes[5]] == "extra"
    assert ledger.state(tubes[5]).custodian == "SSS"


def test_a_second_tap_on_confirm_is_one_answer(tubes, made):
    client = linked.opened(made)
    page = linked.walk(client, tubes, 6)
    linked.confirm(client, page)
    size = ledger.size()
    assert linked.confirm(client, page).status_code == 302
    assert ledger.size() == size


@pytest.mark.parametrize("path", ["/answer/nothing/", "/answer/", "/answer/wait/"])
def test_no_page_of_a_link_is_kept_or_indexed(db, path):
    cache.clear()
    answer = Client().get(path)
    assert answer["Cache-Control"] == "no-store" and "noindex" in answer["X-Robots-Tag"]


def test_many_tubes_need_no_more_queries_than_few(people, tubes, django_assert_max_num_queries):
    counts = []
    for part in (tubes[:1], tubes[1:]):
        client = linked.opened(linked.make(people, linked.give(people, part)))
        linked.walk(client, part, len(part))
        with django_assert_max_num_queries(40) as asked:
            client.get("/answer/compare/")
        counts.append(len(asked))
    assert counts[0] == counts[1]


def test_who_is_signed_in_may_open_a_link_and_stays_who_they_are(sign_in, tubes, made):
    client = sign_in("labtech")
    client.get(f"/answer/{made.secret}/")
    client.post("/answer/", {"code": made.code})
    linked.confirm(client, linked.walk(client, tubes, 6))
    assert ledger.events(kind="received")[0].header["by"] == "BYLINK-TFL"
    assert client.get("/").status_code == 200


def test_a_form_key_of_another_event_is_refused(people, tubes, given, made):
    client = linked.opened(made)
    page = linked.walk(client, tubes, 6)
    answer = linked.confirm(client, page, key=given)
    assert answer.status_code == 422 and "key_reused" in answer.content.decode()
    assert linked.confirm(client, page, key=new_id()).status_code == 302
