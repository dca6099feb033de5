"""Attacks on links without a login, each named after what it shows."""

from __future__ import annotations

import logging
import secrets
from datetime import timedelta

import pytest
import time_machine
from django.contrib.sessions.models import Session
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.utils import timezone

from biobank.handoffs import actions, links
from biobank.models import HandoffLink
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders
from tests.biobank import linked


@pytest.fixture
def tubes(people) -> list[str]:
    cache.clear()
    return linked.drawn_tubes(people)


@pytest.fixture
def given(people, tubes) -> str:
    return linked.give(people, tubes)


@pytest.fixture
def made(people, given) -> links.Made:
    return linked.make(people, given)


def sight(client: Client, secret: str) -> tuple[int, bytes]:
    """What somebody sees who opens a link: status and page."""
    answer = client.get(f"/answer/{secret}/", follow=True)
    return answer.status_code, answer.content


def use_up(people, made, tubes):
    linked.confirm(client := linked.opened(made), linked.walk(client, tubes, 6))


def lock(people, made, tubes):
    HandoffLink.objects.update(tries=links.MOST_TRIES)


CLOSINGS = {
    "used": use_up,
    "revoked": lambda people, made, tubes: links.revoke(
        people.actor("fieldtech"), str(made.link.handoff), timezone.now()
    ),
    "replaced": lambda people, made, tubes: linked.make(people, str(made.link.handoff)),
    "locked": lock,
    "expired": lambda people, made, tubes: HandoffLink.objects.update(
        made=timezone.now() - timedelta(days=8), expires=timezone.now() - timedelta(seconds=1)
    ),
    "withdrawn": lambda people, made, tubes: actions.send_back(
        people.actor("fieldtech"), new_id(), str(made.link.handoff), "withdrawn", "Boat turned back"
    ),
    "answered": lambda people, made, tubes: actions.receive(
        people.actor("labtech"), new_id(), str(made.link.handoff), dict.fromkeys(tubes, "ok"), counted=6
    ),
}  # fmt: skip


@pytest.mark.parametrize("cause", CLOSINGS)
def test_a_closed_link_tells_a_stranger_as_much_as_one_that_never_was(people, tubes, made, cause):
    CLOSINGS[cause](people, made, tubes)
    assert sight(Client(), made.secret) == sight(Client(), secrets.token_urlsafe(16))
    assert sight(Client(), made.secret)[0] == 404


@pytest.mark.parametrize("cause", [one for one in CLOSINGS if one != "used"])
def test_a_browser_that_was_let_in_is_out_when_the_link_closes(people, tubes, made, cause):
    client = linked.opened(made)
    page = linked.walk(client, tubes, 6)
    CLOSINGS[cause](people, made, tubes)
    size = ledger.size()
    assert linked.confirm(client, page).status_code == 404
    assert client.get("/answer/count/").status_code == 404
    assert ledger.size() == size


def test_of_two_browsers_that_answer_at_once_one_wins_and_the_other_gets_the_sentence(tubes, made):
    first, second = linked.opened(made), linked.opened(made)
    pages = [linked.walk(one, tubes[1:], 5) for one in (first, second)]  # a tube stays open: both could
    assert linked.confirm(first, pages[0]).status_code == 302
    late = linked.confirm(second, pages[1], name="Second Person")
    assert late.status_code == 404 and "opens nothing" in late.content.decode()
    assert [one.header["data"]["name"] for one in ledger.events(kind="received")] == ["Kari Nordal"]


def test_a_link_shows_and_answers_no_other_handoff(people, tubes):
    mine, other = linked.give(people, tubes[:3]), linked.give(people, tubes[3:])
    client = linked.opened(linked.make(people, mine))
    text = linked.walk(client, tubes, 6).content.decode()  # scans them all
    assert all(f"r_{tube}" not in text for tube in tubes[3:])
    linked.confirm(client, client.get("/answer/compare/"), **{f"r_{tube}": "ok" for tube in tubes[3:]})
    assert len(ledger.find(pending_ref=other)) == 3
    assert {one.header["ref"] for one in ledger.events(kind="received")} == {mine}


def test_a_code_that_was_typed_for_one_link_opens_no_other(people, tubes):
    first = linked.make(people, linked.give(people, tubes[:3]))
    second = linked.make(people, linked.give(people, tubes[3:]))
    client = linked.opened(first)
    client.get(f"/answer/{second.secret}/")
    assert client.get("/answer/count/").status_code == 404


def test_the_code_cannot_be_found_by_trying(made):
    client, now = Client(), timezone.now()
    client.get(f"/answer/{made.secret}/")
    tried = 0
    for n in range(40):
        if f"{n:06d}" == made.code:
            continue
        with time_machine.travel(now + n * timedelta(seconds=1), tick=False):
            tried += "link_code_wrong" in client.post("/answer/", {"code": f"{n:06d}"}).content.decode()
    assert tried == HandoffLink.objects.get().tries == links.MOST_TRIES
    assert client.post("/answer/", {"code": made.code}).status_code == 404


def test_a_new_browser_gets_no_new_tries(made):
    wrong, now = f"{(int(made.code) + 1) % 10**6:06d}", timezone.now()
    for n in range(links.MOST_TRIES):
        with time_machine.travel(now + n * links.PAUSE, tick=False):
            client = Client()
            client.get(f"/answer/{made.secret}/")
            client.post("/answer/", {"code": wrong})
    assert linked.opened(made).get("/answer/count/").status_code == 404


def test_guessing_addresses_is_stopped_after_ten_a_minute(made):
    guesser = Client(REMOTE_ADDR="192.0.2.66")
    seen = [sight(guesser, secrets.token_urlsafe(16))[0] for _ in range(12)]
    assert seen == [404] * 10 + [429] * 2
    assert sight(guesser, made.secret)[0] == 429  # not even a good one, from there
    assert sight(Client(REMOTE_ADDR="192.0.2.67"), made.secret)[0] == 200


def test_a_link_is_no_word_of_a_link(made):
    """What is in the database, the hash, opens nothing, and neither does a part of the secret."""
    row = HandoffLink.objects.get()
    for guess in (row.token_hash, made.secret[:-1], made.secret.lower(), f"{made.secret}=", str(row.pk)):
        if guess != made.secret:
            assert sight(Client(), guess)[0] == 404, guess


@pytest.mark.parametrize("role", ["labtech", "curator", "collaborator", "auditor"])
def test_others_can_neither_make_nor_see_nor_revoke_links(sign_in, given, made, role):
    client, page = sign_in(role), f"/handoffs/{given}/link/"
    for answer in (client.get(page), client.post(page, {"days": "7"}), client.post(f"{page}revoke/")):
        assert answer.status_code in {403, 404}
    row = HandoffLink.objects.get()
    assert row == made.link and row.revoked is None


def test_nobody_makes_links_without_a_login(given):
    page = f"/handoffs/{given}/link/"
    for answer in (Client().get(page), Client().post(page, {"days": "7"}), Client().post(f"{page}revoke/")):
        assert answer.status_code == 302 and answer["Location"].startswith("/sign-in/")
    assert not HandoffLink.objects.exists()


def everything_stored() -> str:
    """Every row of every table, as text."""
    found = []
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f"SELECT * FROM {connection.ops.quote_name(table)}")
            for row in cursor.fetchall():
                found += [bytes(one).decode("latin-1") if isinstance(one, bytes | memoryview) else str(one)
                          for one in row]  # fmt: skip
    return "\n".join(found)


def test_neither_secret_nor_code_is_stored_logged_or_said(people, sign_in, tubes, made, caplog):
    caplog.set_level(logging.DEBUG)
    client = linked.opened(made)
    Client(enforce_csrf_checks=True).post(f"/answer/{made.secret}/", {"code": "x"})
    Client().get(f"/answer/{made.secret}")  # without the slash at its end
    Client().head(f"/answer/{made.secret}/")
    paper = sign_in("fieldtech").post(f"/handoffs/{made.link.handoff}/manifest.pdf", {"secret": made.secret})
    assert paper.content[:5] == b"%PDF-"  # it carries the address, and is not kept
    linked.confirm(client, linked.walk(client, tubes, 6))
    Client().get(f"/answer/{made.secret}/", follow=True)
    sessions = [str(one.get_decoded()) for one in Session.objects.all()]
    stored = "\n".join([everything_stored(), *sessions])
    assert made.link.token_hash in stored and "Kari Nordal" in stored  # it does look everywhere
    assert "Not Found: /answer/" in caplog.text  # and is what goes wrong logged
    for secret in (made.secret, f'"{made.code}"', f"'{made.code}'"):
        assert secret not in stored and secret not in caplog.text
    assert made.code not in stored.split("\n")  # as a value of its own; digits of a hash may be like it


def test_no_other_page_holds_the_secret_or_the_code(sign_in, given, made):
    client = sign_in("fieldtech")
    for path in ("/", "/handoffs/", f"/handoffs/{given}/", f"/handoffs/{given}/link/"):
        text = client.get(path).content.decode()
        assert made.secret not in text and made.code not in text and made.link.token_hash not in text


def test_the_secret_stands_in_no_page_and_no_referer(tubes, made):
    client = Client()
    entered = client.get(f"/answer/{made.secret}/")
    assert (entered.status_code, entered["Referrer-Policy"]) == (302, "no-referrer")
    assert made.secret not in entered["Location"] and made.secret not in entered.content.decode()
    client.post("/answer/", {"code": made.code})
    pages = [client.get("/answer/count/"), linked.walk(client, tubes, 6), client.get("/answer/scan/")]
    for page in pages:
        assert made.secret not in page.content.decode() and made.code not in page.content.decode()


def test_a_prepared_session_is_not_let_in(made):
    """Whoever put their own session into somebody's browser stays outside when the code is typed there."""
    thief = Client()
    thief.get(f"/answer/{made.secret}/")
    victim = Client()
    victim.cookies["sessionid"] = thief.cookies["sessionid"].value
    victim.post("/answer/", {"code": made.code})
    assert victim.get("/answer/count/").status_code == 200
    assert thief.get("/answer/count/").status_code == 404


@pytest.mark.parametrize("path", ["", "count/", "scan/", "compare/"])
def test_a_foreign_page_can_send_no_step(made, path):
    client = Client(enforce_csrf_checks=True)
    client.get(f"/answer/{made.secret}/")
    assert client.post(f"/answer/{path}", {"code": made.code, "counted": "6"}).status_code == 403


@pytest.mark.parametrize("path", ["link/", "link/revoke/", "strip/", "tracked/"])
def test_a_foreign_page_can_send_nothing_in_the_name_of_the_sender(people, given, path):
    client = Client(enforce_csrf_checks=True)
    client.force_login(people.user("fieldtech"))
    assert client.post(f"/handoffs/{given}/{path}", {"days": "7"}).status_code == 403


def test_a_receiver_sees_codes_labels_and_types_alone(people, tubes, made):
    people.persons["fieldtech"].name = "Tove Aasberg"
    people.persons["fieldtech"].save()
    client = linked.opened(made)
    seen = [linked.walk(client, tubes, 6)]
    linked.confirm(client, seen[0])
    text = "".join(page.content.decode() for page in [*seen, client.get("/answer/receipt/")])
    assert tubes[0][:5] in text and "Red 10" in text
    codes = [people.animal.code, people.site.code, "P1<", "BYLINK"]
    for word in [*codes, "Phoca", "Skarvik", "fieldtech", "Tove Aasberg", "µL", "mL<"]:
        assert word not in text, word


def test_nobody_can_ask_by_a_link_where_a_tube_is(people, tubes):
    """A code that another agency holds, one that is on its way and one that nobody knows look alike, at once
    and in the event."""
    theirs, away = tubes[4], tubes[5]
    done = actions.hand_off(people.actor("fieldtech"), new_id(), [theirs], "TFL", how="hand")
    actions.receive(people.actor("labtech"), new_id(), done.id, {theirs: "ok"}, counted=1)
    actions.hand_off(people.actor("fieldtech"), new_id(), [away], "TFL", how="hand")
    given = linked.give(people, tubes[:4])
    client = linked.opened(linked.make(people, given))
    unknown = "K7R2M103X"
    page = linked.walk(client, [*tubes[:4], theirs, away, unknown], 7)
    done = linked.confirm(client, page)
    assert done.status_code == 302
    foreign = ledger.events(kind="received")[0].header["data"]["foreign"].split(", ")
    assert set(foreign) == {theirs, away, unknown}
    assert len(ledger.find(pending_to="TFL")) == 1  # the other handoff is not touched


@pytest.mark.parametrize("name", ['<img src=x onerror="x()">', "{{ handoff }}", "Robert'); DROP TABLE x;--"])
def test_a_name_is_shown_as_text(people, sign_in, tubes, given, made, name):
    linked.confirm(client := linked.opened(made), linked.walk(client, tubes, 6), name=name)
    assert ledger.events(kind="received")[0].header["data"]["name"] == name
    for text in (client.get("/answer/receipt/"), sign_in("labtech").get(f"/handoffs/{given}/")):
        assert "<img src=x" not in text.content.decode()


def test_a_link_is_for_its_addressee_whatever_the_form_says(people, tubes, made):
    client = linked.opened(made)
    linked.confirm(client, linked.walk(client, tubes, 6), to="NLB", org="NLB", by="P3", grade="A")
    header = ledger.events(kind="received")[0].header
    assert (header["org"], header["by"], header["data"]["grade"]) == ("TFL", "BYLINK-TFL", "B")
    assert builders.Person.objects.get(code="BYLINK-TFL").user is None
