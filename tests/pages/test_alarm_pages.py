"""The pages of alarms, used as plain forms without script."""

from __future__ import annotations

import html
import re

import pytest
import time_machine
from django.core import mail
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.alarms import mails, rounds
from biobank.models import Alarm, AlarmMail, AlarmSetting, AlarmTest, OnCall, Unit
from tests.biobank.failing import add
from tests.biobank.watched import at, call, logger_in, reads, steady, watched

pytestmark = pytest.mark.django_db
F1 = "NLB-F1"


@pytest.fixture(autouse=True)
def clock(settings):
    """One o'clock on the field day; mail is set up."""
    settings.MAIL_READY, settings.SITE_URL = True, "https://samples.example.org"
    with time_machine.travel(at(60), tick=False):
        yield


@pytest.fixture
def opened(store):
    """Freezer 1 is too warm since noon; the alarm was raised at 12:30 and the lab technician told."""
    watched(store, store.units[F1])
    store.logger = logger_in(store, store.units[F1])
    reads(store.logger, steady(0, 60, -60))
    call(store, "labtech")
    (store.alarm,) = rounds.watch(at(30)).opened
    mails.send_due(at(30))
    rounds.watch(at(60))
    return store


def key_on(page):
    return re.search(r'name="key" value="([0-9a-f-]{36})"', page.content.decode())[1]


def text_of(page):
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode())))


def send(client, address, **said):
    key = said.pop("key", None) or key_on(client.get(address))
    return client.post(address, {"key": key} | said)


def addresses(people):
    test = AlarmTest.objects.create(
        key="0197f3a0-0000-7000-8000-000000000001",
        unit=people.units[F1],
        by=people.person("labtech"),
        at=at(0),
    )
    row = OnCall.objects.get()
    see = [reverse("alarms"), reverse("alarm", args=[people.alarm.pk]), reverse("alarm_unit", args=[F1])]
    see += [reverse("on_call"), reverse("alarm_test", args=[test.pk])]
    store = [reverse("alarm_close", args=[people.alarm.pk]), reverse("alarm_unit_test", args=[F1])]
    return see, store, [reverse("on_call_end", args=[row.pk])]


def test_who_may_see_and_who_may_do(opened, sign_in):
    see, store, curate = addresses(opened)
    for role, rights in {
        "auditor": {"see"}, "fieldtech": {"see"}, "labtech": {"see", "store"},
        "curator": {"see", "store", "curate"}, "collaborator": set(),
    }.items():  # fmt: skip
        client = sign_in(role)
        for name, those in (("see", see), ("store", store), ("curate", curate)):
            for address in those:
                assert client.get(address).status_code == (200 if name in rights else 403), (role, address)
    for role in ("auditor", "fieldtech"):
        for address in see[1:]:
            assert sign_in(role).post(address, {}).status_code == 403, (role, address)
    for address in see[2:4]:
        assert sign_in("labtech").post(address, {}).status_code == 403, "limits and calls are the curator's"
    assert Alarm.objects.get().seen is None


def test_what_is_not_there_is_404(opened, sign_in):
    client = sign_in("curator")
    for name, word in (("alarm", 999), ("alarm_close", 999), ("alarm_test", 999), ("on_call_end", 999)):
        assert client.get(reverse(name, args=[word])).status_code == 404
    assert client.get(reverse("alarm_unit", args=["NO-SUCH"])).status_code == 404


def test_the_list_says_what_goes_on_who_is_told_and_that_it_is_no_substitute(opened, sign_in):
    said = text_of(sign_in("auditor").get(reverse("alarms")))
    for part in [
        "1 alarm waits for somebody", "Freezer 1 (NLB-F1)", "open", "3 May 2026 12:00",
        "too warm , limit −65.0 °C, warmest −60.0 °C", "no substitute for an alarm",
        "The watching command ran last 3 May 2026 13:00", "1. Lab labtech@", "test due", "nobody",
    ]:  # fmt: skip
        assert part.lower() in said.lower(), part
    assert "Nobody is watching" not in said


def test_when_the_watch_has_stopped_it_is_said_on_the_list_and_on_the_first_page(opened, sign_in):
    with time_machine.travel(at(75.1), tick=False):
        assert "Nobody is watching" in text_of(sign_in("labtech").get(reverse("alarms")))
        assert "Nobody is watching" in text_of(sign_in("labtech").get(reverse("today")))


def test_before_the_first_round_it_says_that_nobody_watches(store, sign_in):
    said = text_of(sign_in("labtech").get(reverse("alarms")))
    assert "The watching command has never run" in said
    assert "Nobody is on call" in said


def test_the_first_page_shows_open_alarms_to_those_who_can_act(opened, sign_in):
    for role, there in (("labtech", True), ("curator", True), ("fieldtech", False), ("auditor", False)):
        said = sign_in(role).get(reverse("today")).content.decode()
        assert (reverse("alarm", args=[opened.alarm.pk]) in said) is there, role
    who = opened.person("curator")
    Alarm.objects.update(seen=at(60), seen_by=who, seen_why="over", closed=at(60))
    assert "All alarms" not in sign_in("labtech").get(reverse("today")).content.decode()


def test_from_the_mail_to_the_acknowledgement_by_a_plain_form(opened, sign_in):
    address = re.search(r"https://samples.example.org(\S+)", mail.outbox[0].body)[1]
    client = sign_in("labtech")
    page = client.get(address)
    assert Alarm.objects.get().seen is None, "nothing is done by following a link"
    assert "to Lab labtech@" in text_of(page)
    no = send(client, address, why="")
    assert no.status_code == 422
    done = send(client, address, why="door stood open, closed it")
    assert (done.status_code, done["Location"]) == (302, address)
    said = text_of(client.get(address))
    assert "Lab, 3 May 2026 13:00: door stood open, closed it" in said
    again = send(client, address, key=key_on(page), why="me too")
    assert again.status_code == 422
    assert "alarm_acknowledged" in again.content.decode()


def test_a_failed_mail_is_shown(opened, sign_in):
    AlarmMail.objects.update(error="SMTPServerDisconnected: gone")
    said = text_of(sign_in("labtech").get(reverse("alarm", args=[opened.alarm.pk])))
    assert "mail to labtech@example.org failed: SMTPServerDisconnected: gone" in said
    assert "mail failed" in text_of(sign_in("labtech").get(reverse("alarms")))


def test_closing_by_hand_is_refused_while_it_goes_on(opened, sign_in):
    address = reverse("alarm_close", args=[opened.alarm.pk])
    no = send(sign_in("labtech"), address, why="enough")
    assert no.status_code == 422
    assert "alarm_goes_on" in no.content.decode()
    AlarmSetting.objects.update(active=False)
    assert send(sign_in("labtech"), address, why="switched off").status_code == 302
    said = text_of(sign_in("labtech").get(reverse("alarm", args=[opened.alarm.pk])))
    assert "not acknowledged" in said
    assert "Lab: switched off" in said


def test_limits_are_typed_with_a_reason_and_keep_their_history(opened, sign_in):
    address = reverse("alarm_unit", args=[F1])
    page = sign_in("curator").get(address).content.decode()
    assert 'value="-65"' in page
    said = {"above": "−62,5", "below": "", "delay_min": "20", "silence_min": "45", "active": "on"}
    assert send(sign_in("curator"), address, **said, why="").status_code == 422
    done = send(sign_in("curator"), address, **said, why="new seals")
    assert done.status_code == 302
    assert Unit.objects.get(code=F1).alarm_above_centi == -6250
    setting = AlarmSetting.objects.get()
    assert (setting.delay_s, setting.silence_s, setting.active) == (1200, 2700, True)
    text = text_of(sign_in("curator").get(address))
    assert "limit above −62.5 °C" in text
    assert "watched: delay 20 min, no data for 45 min" in text
    assert "Curator: new seals" in text
    crossed = send(sign_in("curator"), address, **said | {"below": "-60"}, why="typo")
    assert crossed.status_code == 422
    assert "limits_crossed" in crossed.content.decode()


def test_somebody_is_put_on_call_for_a_time_to_come_and_ended(opened, sign_in):
    address, who = reverse("on_call"), opened.person("curator")
    said = {
        "person": who.pk, "email": "night@example.org", "rank": "2", "after_min": "15",
        "start": "2026-05-04T08:00", "stop": "2026-05-11T08:00", "why": "week 19",
    }  # fmt: skip
    assert send(sign_in("curator"), address, **said).status_code == 302
    row = OnCall.objects.get(rank=2)
    assert (row.person, row.after_s) == (who, 900)
    text = text_of(sign_in("auditor").get(address))
    assert "night@example.org" in text
    assert "15 min after the one before" in text
    assert "no gap" in text, "the lab technician is on call without end"
    taken = send(sign_in("curator"), address, **said)
    assert taken.status_code == 422
    assert "on_call_taken" in taken.content.decode()
    end = reverse("on_call_end", args=[OnCall.objects.get(rank=1).pk])
    assert send(sign_in("curator"), end, stop="2026-05-03T20:00", why="ill").status_code == 302
    text = text_of(sign_in("auditor").get(address))
    assert "from 3 May 2026 20:00 to 4 May 2026 08:00" in text
    assert "from 11 May 2026 08:00 to 17 May 2026 13:00" in text


def test_a_test_is_sent_by_a_button_confirmed_and_logged(opened, sign_in):
    mail.outbox.clear()
    client = sign_in("labtech")
    page = client.get(reverse("alarm_unit", args=[F1]))
    key = key_on(page)
    sent = client.post(reverse("alarm_unit_test", args=[F1]), {"key": key})
    again = client.post(reverse("alarm_unit_test", args=[F1]), {"key": key})
    assert sent["Location"] == again["Location"]
    assert len(mail.outbox) == 1
    assert "Tests without an answer" in text_of(client.get(reverse("alarms")))
    address = sent["Location"]
    assert "The mail server took the message to labtech@example.org" in text_of(client.get(address))
    assert send(client, address, result="not", note="").status_code == 422
    assert send(client, address, result="came", note="probe warmed by hand to −60 °C").status_code == 302
    text = text_of(client.get(reverse("alarm_unit", args=[F1])))
    assert "it came" in text
    assert "probe warmed by hand to −60 °C" in text
    assert "test due" not in text


def test_nobody_on_call_is_said_when_a_test_is_sent(opened, sign_in):
    OnCall.objects.update(from_ms=0, to_ms=1)
    no = send(sign_in("labtech"), reverse("alarm_unit_test", args=[F1]))
    assert no.status_code == 422
    assert "nobody_on_call" in no.content.decode()


@pytest.mark.parametrize("name", ["alarms", "alarm_unit", "on_call", "alarm", "today"])
def test_queries_do_not_grow_with_units_alarms_and_messages(opened, sign_in, name):
    words = {"alarm_unit": [F1], "alarm": [opened.alarm.pk]}.get(name, [])
    client, address = sign_in("curator"), reverse(name, args=words)

    def grow(start, stop):
        for n in range(start, stop):
            unit = add(opened, f"NLB-X{n}", "freezer", centi=-8000)
            watched(opened, unit)
            for one, begun in ((unit, n), (opened.units[F1], -n)):
                closed = at(60) if one.code == F1 else None
                alarm = Alarm.objects.create(
                    unit=one, kind="above", begun_ms=begun, raised=at(0), worst_centi=-5000,
                    limit_centi=-6500, last_ms=begun, logger=opened.logger, closed=closed,
                )  # fmt: skip
                AlarmMail.objects.create(
                    alarm=alarm,
                    person=opened.person("labtech"),
                    email=f"x{n}@example.org",
                    about="open",
                    at=at(0),
                )
            AlarmMail.objects.create(
                alarm=opened.alarm,
                person=opened.person("curator"),
                email=f"x{n}@example.org",
                about="open",
                at=at(0),
            )
            AlarmTest.objects.create(
                key=f"0197f3a0-0000-7000-8000-0000000001{n:02}", unit=opened.units[F1], at=at(-n),
                by=opened.person("labtech"), to=opened.person("labtech"),
            )  # fmt: skip
            call(opened, "curator", rank=n + 2)

    grow(0, 3)
    client.get(address)
    with CaptureQueriesContext(connection) as few:
        client.get(address)
    grow(3, 30)
    with CaptureQueriesContext(connection) as many:
        assert client.get(address).status_code == 200
    assert len(many) == len(few)
    assert len(many) <= 40
