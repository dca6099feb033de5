"""Telling people by e-mail: who is due, and what became of each message.

Promises: a message that could not be sent never loses the alarm: the failure is kept beside it and shown, and
it is tried again. What is to be sent is written down first, so that two rounds at once send it once, and a
server that stops while sending leaves a row that says so. A link in a message leads to a page; nothing is
done by following it.

The first on call is told at once; each next one when the one before had their time and nobody acknowledged;
all who were told are told again every hour, until somebody acknowledges or it is in range again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q
from django.urls import reverse
from django.utils import timezone

from biobank.acting import ms
from biobank.models import Alarm, AlarmMail, AlarmTest, AlarmWatch, OnCall
from biobank.templatetags.words import celsius, when_offset

REPEAT = timedelta(hours=1)
RETRY = timedelta(minutes=5)
PENDING = "not sent: the server stopped while it was sending"
NOBODY = "nobody is on call"
NOT_SET_UP = "this server has no mail set up"
OPEN, AGAIN, BACK, TEST = "open", "again", "back", "test"
LONGEST = 300


def on_call(at: datetime) -> list[OnCall]:
    """Who is on call at a moment, who is told first standing first, with `after_ms`. 1 query."""
    now = ms(at)
    rows = OnCall.objects.filter(Q(to_ms=None) | Q(to_ms__gt=now), from_ms__lte=now)
    rows = rows.annotate(after_ms=F("after_s") * 1000).select_related("person__programme")
    return list(rows.order_by("rank", "from_ms", "pk"))


def send_due(now: datetime | None = None) -> list[AlarmMail]:
    """Sends what is due now, and gives what it tried to send."""
    at = now or timezone.now()
    with transaction.atomic():
        AlarmWatch.objects.filter(pk=1).update(opened=F("opened"))  # one round at a time, as in `rounds`
        rows = list(_due(at))
        for row in rows:
            row.save()
    for row in rows:
        if row.error == PENDING:
            _send(row)
    return rows


def _due(at: datetime) -> Iterator[AlarmMail]:
    people = on_call(at)
    alarms = Alarm.objects.select_related("unit").prefetch_related("mails")
    for alarm in alarms.filter(closed=None, seen=None, back_ms=None, afterwards=False).order_by("pk"):
        yield from _of_alarm(alarm, people, at)
    told = AlarmMail.objects.filter(alarm=OuterRef("pk"))
    over = alarms.filter(Exists(told.exclude(email="").exclude(about=BACK)), ~Exists(told.filter(about=BACK)))
    for alarm in over.filter(back_ms__isnull=False).order_by("pk"):
        yield from _over(alarm, at)


def _of_alarm(alarm: Alarm, people: Sequence[OnCall], at: datetime) -> Iterator[AlarmMail]:
    newest = _newest(alarm.mails.all())
    if not people and _time(newest.get(""), at):
        yield AlarmMail(alarm=alarm, person=None, email="", about=OPEN, at=at, error=NOBODY)
    told: set[str] = set()
    for one in _reached(alarm, people, at):
        last = newest.get(one.email)
        if one.email not in told and _time(last, at):
            told.add(one.email)
            about = AGAIN if last is not None and not last.error else OPEN
            yield AlarmMail(
                alarm=alarm, person=one.person, email=one.email, about=about, at=at, error=PENDING
            )


def _reached(alarm: Alarm, people: Sequence[OnCall], at: datetime) -> Iterator[OnCall]:
    """Those whose turn it is by now."""
    turn = alarm.raised
    for k, one in enumerate(people):
        turn += timedelta(seconds=one.after_s if k else 0)
        if at >= turn:
            yield one


def _newest(mails: Iterable[AlarmMail]) -> dict[str, AlarmMail]:
    found: dict[str, AlarmMail] = {}
    for one in mails:  # newest first
        found.setdefault(one.email, one)
    return found


def _time(last: AlarmMail | None, at: datetime) -> bool:
    """Whether it is time for another one after this."""
    if last is None:
        return True
    failed = bool(last.error) and last.error not in {NOBODY, NOT_SET_UP}
    return at - last.at >= (RETRY if failed else REPEAT)


def _over(alarm: Alarm, at: datetime) -> Iterator[AlarmMail]:
    """Whoever was told of it is told that it is in range again."""
    people = {one.email: one for one in alarm.mails.all() if one.email and not one.error}
    for email, one in people.items():
        yield AlarmMail(alarm=alarm, person_id=one.person_id, email=email, about=BACK, at=at, error=PENDING)


def send_test(test: AlarmTest, one: OnCall) -> AlarmMail:
    """Sends one test message, now."""
    row = AlarmMail.objects.create(
        test=test, person=one.person, email=one.email, about=TEST, at=test.at, error=PENDING
    )
    _send(row)
    return row


def _send(row: AlarmMail) -> None:
    row.error = _tried(row)
    row.save(update_fields=["error"])


def _tried(row: AlarmMail) -> str:
    """Why it could not be sent; empty: it was handed over."""
    if not getattr(settings, "MAIL_READY", True):
        return NOT_SET_UP
    try:
        subject, text = words(row)
        sent = EmailMessage(subject, text, to=[row.email]).send()
    except Exception as why:  # whatever a mail server or its library throws must not lose the alarm
        return (f"{type(why).__name__}: {why}" if str(why) else type(why).__name__)[:LONGEST]
    return "" if sent else "the mail server took no message"


# --- the words ------------------------------------------------------------------------------------


def words(row: AlarmMail) -> tuple[str, str]:
    """Subject and text of one message."""
    tz = row.person.programme.tz if row.person else "UTC"
    return _alarm_words(row, tz) if row.alarm else _test_words(row, tz)


def _alarm_words(row: AlarmMail, tz: str) -> tuple[str, str]:
    alarm = row.alarm
    assert alarm is not None
    unit = f"{alarm.unit.name} ({alarm.unit.code})"
    what = alarm.get_kind_display()
    if row.about == BACK:
        head = "readings came again" if alarm.kind == Alarm.Kind.SILENT else "in range again"
        subject = f"Over: {unit}, {head}"
        lines = [
            f"{unit}: {head} since {when_offset(alarm.back_ms, tz)}.",
            "Please acknowledge it all the same.",
        ]
    else:
        subject = f"{'Again: ' if row.about == AGAIN else ''}Alarm: {unit}, {what}"
        lines = [f"{unit}: {what} since {when_offset(alarm.begun_ms, tz)}.", *_figures(alarm, tz)]
        lines.append("Say on this page that you have seen it, and what you do:")
    return subject, "\n".join([*lines, link("alarm", alarm.pk), "", CAUTION, ""])


def _figures(alarm: Alarm, tz: str) -> list[str]:
    if alarm.kind == Alarm.Kind.SILENT:
        return ["No temperature has come since. Nobody knows how cold it is: go and look."]
    said = "warmest" if alarm.kind == Alarm.Kind.ABOVE else "coldest"
    return [
        f"Limit {celsius(alarm.limit_centi)}, {said} so far {celsius(alarm.worst_centi)}, "
        f"last beyond it at {when_offset(alarm.last_ms, tz)}."
    ]


def _test_words(row: AlarmMail, tz: str) -> tuple[str, str]:
    test = row.test
    assert test is not None
    unit = f"{test.unit.name} ({test.unit.code})"
    lines = [
        f"This is a test of the alarm of {unit}, sent {when_offset(test.at, tz)} by {test.by.name}.",
        "Nothing is wrong. Say on this page that it came:",
        link("alarm_test", test.pk),
    ]
    return f"Test of the alarm: {unit}", "\n".join([*lines, ""])


CAUTION = (
    "This message depends on a server, its network and its mail. It is no substitute for an alarm of its own."
)


def link(name: str, pk: int) -> str:
    """The page's address; without SITE_URL only its path."""
    base = str(getattr(settings, "SITE_URL", "") or "").rstrip("/")
    return f"{base}{reverse(name, args=[pk])}"
