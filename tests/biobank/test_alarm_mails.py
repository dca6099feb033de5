"""Who is told of an alarm, in what order, how often, and what becomes of messages that cannot be sent."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core import mail
from django.core.mail.backends.base import BaseEmailBackend

from biobank.acting import ms
from biobank.alarms import actions, mails, queries, rounds
from biobank.models import Alarm, AlarmMail, AlarmTest, OnCall
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.biobank.watched import at, call, logger_in, reads, steady, watched

pytestmark = pytest.mark.django_db


class Broken(BaseEmailBackend):
    """A mail server that throws something that nobody expects."""

    def send_messages(self, email_messages):
        raise RuntimeError("the mail server has fallen over")


BROKEN = "tests.biobank.test_alarm_mails.Broken"


@pytest.fixture(autouse=True)
def mail_is_set_up(settings):
    settings.MAIL_READY, settings.SITE_URL = True, "https://samples.example.org"


@pytest.fixture
def opened(store):
    """Freezer 1 is too warm since noon; the alarm is raised at 12:30."""
    watched(store, store.units["NLB-F1"])
    store.logger = logger_in(store, store.units["NLB-F1"])
    reads(store.logger, steady(0, 60, -60))
    (store.alarm,) = rounds.watch(at(30)).opened
    return store


def sent(minutes):
    """To whom something was handed over in a round at that minute."""
    mail.outbox.clear()
    mails.send_due(at(minutes))
    return [one.to[0] for one in mail.outbox]


def test_the_first_is_told_at_once_the_next_when_nobody_acknowledges(opened):
    call(opened, "labtech")
    call(opened, "curator", rank=2, after_min=20)
    call(opened, "auditor", rank=3, after_min=10)
    assert sent(30) == ["labtech@example.org"]
    assert sent(31) == []
    assert sent(49.9) == []
    assert sent(50) == ["curator@example.org"]
    assert sent(60) == ["auditor@example.org"]
    assert sent(89.9) == []
    assert sent(90) == ["labtech@example.org"], "an hour after its first"
    assert sent(110) == ["curator@example.org"]


def test_nobody_is_told_any_more_once_somebody_acknowledges(opened):
    call(opened, "labtech")
    assert sent(30) == ["labtech@example.org"]
    actions.acknowledge(opened.actor("curator"), opened.alarm, "on my way")
    assert sent(90) == []


def test_who_was_told_is_told_that_it_is_over_once(opened):
    call(opened, "labtech")
    assert sent(30) == ["labtech@example.org"]
    reads(opened.logger, steady(60, 120, -80))
    rounds.watch(at(120))
    assert sent(120) == ["labtech@example.org"]
    assert "Over:" in mail.outbox[0].subject
    assert sent(200) == []


def test_the_message_says_what_where_since_when_and_leads_to_the_page(opened):
    call(opened, "labtech")
    sent(30)
    (one,) = mail.outbox
    assert one.subject == "Alarm: Freezer 1 (NLB-F1), too warm"
    assert "too warm since 3 May 2026 12:00 UTC+02:00" in one.body
    assert "Limit −65.0 °C, warmest so far −60.0 °C" in one.body
    assert f"https://samples.example.org/alarms/{opened.alarm.pk}/" in one.body
    assert "no substitute" in one.body
    assert opened.animal.code not in one.body


def test_on_call_counts_from_its_first_moment_to_before_its_last(opened):
    call(opened, "labtech", stop=30)
    call(opened, "curator", start=30)
    assert [one.email for one in mails.on_call(at(29.999))] == ["labtech@example.org"]
    assert [one.email for one in mails.on_call(at(30))] == ["curator@example.org"]
    assert sent(30) == ["curator@example.org"]


def test_when_nobody_is_on_call_it_is_said_once_an_hour(opened):
    assert sent(30) == []
    (row,) = AlarmMail.objects.all()
    assert (row.person, row.email, row.error) == (None, "", "nobody is on call")
    sent(60)
    assert AlarmMail.objects.count() == 1
    sent(90)
    assert AlarmMail.objects.count() == 2
    call(opened, "labtech")
    assert sent(91) == ["labtech@example.org"]


def test_a_mail_server_that_throws_loses_no_alarm_and_is_asked_again(opened, settings):
    call(opened, "labtech")
    settings.EMAIL_BACKEND = BROKEN
    (row,) = mails.send_due(at(30))
    assert row.error == "RuntimeError: the mail server has fallen over"
    opened.alarm.refresh_from_db()
    assert (opened.alarm.closed, opened.alarm.seen) == (None, None)
    assert [one.error for one in queries.alarm(opened.alarm.pk).failed] == [row.error]
    assert mails.send_due(at(34.9)) == []
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    assert sent(35) == ["labtech@example.org"]
    assert "Again" not in mail.outbox[0].subject, "nothing had reached anybody"
    assert queries.alarm(opened.alarm.pk).failed == [], "the newest to this address was taken"


def test_a_server_that_stops_while_it_sends_leaves_a_row_and_tries_again(opened, monkeypatch):
    call(opened, "labtech")

    def stops(row):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(mails, "_send", stops)
        with pytest.raises(KeyboardInterrupt):
            mails.send_due(at(30))
    assert AlarmMail.objects.get().error == mails.PENDING
    assert sent(31) == []
    assert sent(35) == ["labtech@example.org"]


def test_without_mail_it_is_said(opened, settings):
    settings.MAIL_READY = False
    call(opened, "labtech")
    assert sent(30) == []
    assert AlarmMail.objects.get().error == mails.NOT_SET_UP
    sent(60)
    assert AlarmMail.objects.count() == 1, "said again after an hour, not every five minutes"


def test_what_was_found_afterwards_wakes_nobody(opened):
    call(opened, "labtech")
    Alarm.objects.update(afterwards=True)
    assert sent(30) == []
    assert AlarmMail.objects.count() == 0


def test_one_who_is_on_the_list_twice_is_told_once(opened):
    call(opened, "labtech")
    call(opened, "labtech", rank=2, after_min=0)
    assert sent(30) == ["labtech@example.org"]


# on call ------------------------------------------------------------------------------------------


def put(people, role="labtech", rank=1, start=0, stop=60, why="June"):
    stop = None if stop is None else at(stop)
    who = people.person(role)
    return actions.put_on_call(
        people.actor("curator"), who, f"{role}@example.org", rank, 30, at(start), stop, why
    )


@pytest.mark.parametrize(("start", "stop"), [(0, 60), (59, 90), (-30, 1), (10, 20), (-30, None), (-30, 90)])
def test_one_number_is_held_by_one_person_at_a_time(store, start, stop):
    put(store)
    with pytest.raises(Refused) as no:
        put(store, "curator", start=start, stop=stop)
    assert no.value.code == "on_call_taken"
    assert OnCall.objects.count() == 1


def test_the_next_may_begin_when_the_one_before_ends_and_another_number_at_any_time(store):
    put(store)
    put(store, "curator", start=60, stop=None)
    put(store, "auditor", rank=2)
    assert OnCall.objects.count() == 3
    with pytest.raises(Refused) as no:
        put(store, rank=3, start=60, stop=60)
    assert no.value.code == "on_call_ends_first"


def test_an_end_is_kept_with_who_and_why(store):
    row = put(store, stop=None)
    actions.end_on_call(store.actor("curator"), row, at(30), "ill")
    assert row.to_ms == ms(at(30))
    last = row.history.latest()
    assert (last.history_change_reason, last.history_user) == ("ill", store.user("curator"))
    with pytest.raises(Refused) as no:
        actions.end_on_call(store.actor("curator"), put(store, rank=2, stop=None), at(-1), "never")
    assert no.value.code == "on_call_ends_first"


@pytest.mark.parametrize(
    ("spans", "gaps"),
    [
        ([], [(0, 100)]),
        ([(0, 100)], []),
        ([(-5, None)], []),
        ([(10, 20), (20, 30)], [(0, 10), (30, 100)]),
        ([(10, 50), (20, 30), (60, 200)], [(0, 10), (50, 60)]),
        ([(60, 70), (0, 50)], [(50, 60), (70, 100)]),
        ([(-20, -10)], [(0, 100)]),
        ([(100, 110)], [(0, 100)]),
    ],
)
def test_when_nobody_is_on_call_is_worked_out(spans, gaps):
    assert queries.gaps(spans, 0, 100) == gaps


# tests --------------------------------------------------------------------------------------------


def test_a_test_tells_the_first_on_call_and_its_answer_is_kept(store):
    unit = store.units["NLB-F1"]
    with pytest.raises(Refused) as no:
        actions.send_test(store.actor("labtech"), new_id(), unit)
    assert no.value.code == "nobody_on_call"
    call(store, "curator")
    OnCall.objects.update(from_ms=0)
    key = new_id()
    test = actions.send_test(store.actor("labtech"), key, unit)
    assert actions.send_test(store.actor("labtech"), key, unit) == test
    assert [(one.to, one.subject) for one in mail.outbox] == [
        (["curator@example.org"], "Test of the alarm: Freezer 1 (NLB-F1)")
    ]
    assert f"/alarms/tests/{test.pk}/" in mail.outbox[0].body
    with pytest.raises(Refused) as no:
        actions.answer_test(store.actor("curator"), test, "late", " ")
    assert no.value.code == "reason_required"
    done = actions.answer_test(store.actor("curator"), test, "came")
    assert (done.result, done.answered_by) == ("came", store.person("curator"))
    with pytest.raises(Refused) as no:
        actions.answer_test(store.actor("labtech"), test, "not", "lost")
    assert no.value.code == "test_answered"


def test_a_test_that_cannot_be_sent_stands_with_its_failure(store, settings):
    settings.EMAIL_BACKEND = BROKEN
    call(store, "curator")
    OnCall.objects.update(from_ms=0)
    actions.send_test(store.actor("labtech"), new_id(), store.units["NLB-F1"])
    assert AlarmTest.objects.get().mails.get().error.startswith("RuntimeError")


@pytest.mark.parametrize(("days", "due"), [(31, False), (31.001, True), (None, True)])
def test_a_test_is_due_after_31_days(store, days, due):
    unit = store.units["NLB-F1"]
    watched(store, unit)
    if days is not None:
        AlarmTest.objects.create(
            key=new_id(),
            unit=unit,
            by=store.person("labtech"),
            at=at(0) - timedelta(days=days),
            result="came",
        )
    failed = AlarmTest(key=new_id(), unit=unit, by=store.person("labtech"), at=at(-1), result="not")
    failed.save()
    (row,) = queries.units(at(0))
    assert row.test_due is due


def test_nobody_watches_when_the_heart_has_not_beaten_for_15_minutes(store):
    assert queries.heart(at(0)).ran is None
    rounds.watch(at(0))
    assert queries.heart(at(15)).beats
    assert not queries.heart(at(15.001)).beats
