"""One changed value anywhere in the ledger's tables is named by verify(), triggers or no triggers."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from custody import triggers
from custody.models import Event, Line
from custody.verify import verify


@contextmanager
def unguarded() -> Iterator[None]:
    """What an owner of the database can do: take the triggers away, and put them back afterwards."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        for name in triggers.names(connection.vendor):
            table = next(table for table in triggers.GUARDED if name.startswith(table))
            cursor.execute(
                f"DROP TRIGGER {name}" + (f" ON {table}" if connection.vendor == "postgresql" else "")
            )
    yield
    triggers.ensure()
    assert triggers.missing() == []


@pytest.fixture
def ledger(drawn, say):
    say("put_away", "T1", 3, unit="B1", row=1, col=1)
    say("handed_off", ["T2", "T3"], 5, data={"to": "TFL", "how": "hand"})
    assert verify().wrong == []


def flipped(text: str) -> str:
    """The same text with its last digit changed: one byte."""
    at = max(n for n, letter in enumerate(text) if letter.isdigit())
    return text[:at] + str((int(text[at]) + 1) % 10) + text[at + 1 :]


EVENT = [
    ("body", lambda one: flipped(one.body)),
    ("salt", lambda one: bytes([one.salt[0] ^ 1]) + bytes(one.salt[1:])),
    ("leaf", lambda one: bytes(one.leaf[:-1]) + bytes([one.leaf[-1] ^ 1])),
    ("recorded_ms", lambda one: one.recorded_ms + 1),
    ("login", lambda one: "fieldtecj"),
    ("via", lambda one: "livf"),
    ("kind", lambda one: "moved"),
    ("at_ms", lambda one: one.at_ms + 1),
    ("by", lambda one: "p2"),
    ("org", lambda one: "TFL"),
    ("device", lambda one: "wec"),
    ("device_n", lambda one: 3),
    ("ref", lambda one: Event.objects.get(seq=0).event_id),
    ("of", lambda one: Event.objects.get(seq=0).event_id),
    ("seq", lambda one: one.seq + 40),
    ("signature", lambda one: b"signed"),
]


@pytest.mark.parametrize(("column", "other"), EVENT, ids=[name for name, _ in EVENT])
@pytest.mark.parametrize("seq", [1, 3])
def test_a_changed_column_of_an_event_is_named(ledger, column, other, seq):
    event = Event.objects.get(seq=seq)
    with unguarded():
        Event.objects.filter(seq=seq).update(**{column: other(event)})
    assert any(str(event.event_id) in said or "gap" in said for said in verify().wrong), verify().wrong


def test_no_column_of_an_event_is_left_out_above():
    # event_id itself: its lines hang on it, so a change of it alone cannot even be written
    assert {field.name for field in Event._meta.concrete_fields} - {"event_id"} == {name for name, _ in EVENT}


LINE = [
    ("text", lambda one: flipped(one.text)),
    ("subject", lambda one: "T9"),
    ("what", lambda one: "u"),
    ("n", lambda one: 7),
    ("event_id", lambda one: Event.objects.get(seq=0).event_id),
]


@pytest.mark.parametrize(("column", "other"), LINE, ids=[name for name, _ in LINE])
def test_a_changed_column_of_a_line_is_named(ledger, column, other):
    line = Line.objects.filter(event__seq=3).order_by("n").last()
    with unguarded():
        Line.objects.filter(pk=line.pk).update(
            **({column: other(line)} | ({"n": 9} if column == "event_id" else {}))
        )
    assert verify().wrong


def test_a_line_is_not_hidden_under_a_name_that_runs_on_into_its_text(ledger):
    """`T1","unit":"B1` stands in the text letter by letter, and yet T1 would have lost that line."""
    with unguarded():
        lines = Line.objects.filter(subject="T1", text__contains='"unit":"B1"')
        assert lines.update(subject='T1","unit":"B1') == 1
    assert any("is filed under" in said for said in verify().wrong)


@pytest.mark.parametrize(
    "sql",
    [
        "DELETE FROM custody_line WHERE id = (SELECT max(id) FROM custody_line)",
        "DELETE FROM custody_line WHERE event_id = (SELECT event_id FROM custody_event WHERE seq = 2);"
        "DELETE FROM custody_event WHERE seq = 2",
        "DELETE FROM custody_line WHERE event_id = (SELECT event_id FROM custody_event WHERE seq = 3);"
        "DELETE FROM custody_event WHERE seq = 3",
        "UPDATE custody_head SET size = size + 1",
        "UPDATE custody_head SET size = size - 1",
        "UPDATE custody_head SET recorded_ms = 1",
        "DELETE FROM custody_head",
    ],
    ids=[
        "a line gone",
        "an event gone",
        "the last event gone",
        "head on",
        "head back",
        "head's time",
        "head gone",
    ],
)
def test_what_is_gone_is_missed(ledger, sql):
    with unguarded(), connection.cursor() as cursor:
        for statement in sql.split(";"):
            cursor.execute(statement)
    assert verify().wrong


def test_both_commands_end_with_an_error_and_nothing_is_folded_from_a_broken_ledger(ledger):
    with unguarded():
        event = Event.objects.get(seq=2)
        Event.objects.filter(seq=2).update(body=flipped(event.body))
    with pytest.raises(CommandError, match="does not hold"):
        call_command("custody_verify")
    for check in (True, False):
        with pytest.raises(CommandError, match="nothing was folded"):
            call_command("custody_rebuild", check=check)
