"""Small logger files for tests: a table of times and temperatures, and the way from there to stored
readings."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from django.db import connection

from biobank.temperature import actions
from biobank.temperature.parse import Mapping
from custody.core.event import new_id

PLAIN = Mapping("time", "temp", "%Y-%m-%d %H:%M")
MINUTE = 60_000
HOUR = 60 * MINUTE


def utc(text):
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def table(rows, heading="time,temp"):
    return ("\n".join([heading, *(f"{t},{v}" for t, v in rows)]) + "\n").encode()


def rows_from(first, count, minutes=5, value=lambda k: -80 + k % 3):
    start = datetime.fromisoformat(first)
    return [(f"{start + timedelta(minutes=minutes * k):%Y-%m-%d %H:%M}", value(k)) for k in range(count)]


def take_in(people, logger, rows, key=None, role="curator"):
    held = actions.draft(people.actor(role), logger, PLAIN, "readings.csv", table(rows))
    return actions.store(people.actor(role), held, key or new_id())


def unlocked(table="biobank_readingblock"):
    """Take away the triggers that keep these rows as they are, as the owner of the database could."""
    of = "" if connection.vendor == "sqlite" else f" ON {table}"
    with connection.cursor() as cursor:
        for name in ("kept", "fixed"):
            cursor.execute(f"DROP TRIGGER IF EXISTS {table}_{name}{of}")
