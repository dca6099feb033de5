"""The database refuses to change the ledger, whichever way it is asked, and says when it no longer would."""

from __future__ import annotations

import os

import pytest
from django.core.exceptions import ImproperlyConfigured
from django.db import DatabaseError, connection, transaction

from custody import triggers
from custody.models import Event, Line
from custody.record import record
from custody.verify import verify

sqlite_only = pytest.mark.skipif(
    os.environ.get("DATABASE_URL", "").startswith("postgres"),
    reason="REPLACE is SQLite's; the run is on PostgreSQL",
)
postgres_only = pytest.mark.skipif(
    not os.environ.get("DATABASE_URL", "").startswith("postgres"),
    reason="this run is on SQLite; tests/test_postgres.py runs these on PostgreSQL",
)


def kept() -> tuple[list, list]:
    return list(Event.objects.order_by("seq").values()), list(Line.objects.order_by("pk").values())


def refused(sql: str) -> None:
    before = kept()
    with (
        pytest.raises(DatabaseError, match="append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE" if connection.vendor == "postgresql" else "SELECT 1")
        cursor.execute(sql)
    assert kept() == before
    assert verify().wrong == []


def test_this_run_is_on_the_database_that_was_asked_for(db):
    asked = os.environ.get("DATABASE_URL", "sqlite:").partition(":")[0]
    assert connection.vendor == {"postgres": "postgresql"}.get(asked, asked)


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE custody_event SET seq = seq + 100",
        "UPDATE custody_event SET login = 'somebody' WHERE seq = 0",
        "DELETE FROM custody_line WHERE n = 0",
        "DELETE FROM custody_event",
    ],
)
def test_no_change_by_plain_sql(drawn, sql):
    refused(sql)


COLUMNS = "event_id, seq, kind, at_ms, by, org, ref, of, device, device_n, recorded_ms, login, via, "
COLUMNS += "body, salt, leaf"
OTHER_KEYS = COLUMNS.replace("event_id, seq", "'00000000000070008000000000000001', 99")
FRESH = "'00000000000070008000000000000001'"


def replacing(**changed: str) -> str:
    """REPLACE of event 1 by a copy of it in which only these columns differ."""
    chosen = ", ".join(changed.get(name, name) for name in COLUMNS.split(", "))
    return f"REPLACE INTO custody_event ({COLUMNS}) SELECT {chosen} FROM custody_event WHERE seq = 1"


@sqlite_only
@pytest.mark.parametrize(
    "sql",
    [
        replacing(login="'somebody'"),
        replacing(event_id=FRESH, login="'somebody'"),
        replacing(seq="99", login="'somebody'"),
        f"REPLACE INTO custody_event (rowid, {COLUMNS}) SELECT rowid, {OTHER_KEYS} "
        "FROM custody_event WHERE seq = 1",
        "UPDATE OR REPLACE custody_event SET seq = 0 WHERE seq = 1",
        "REPLACE INTO custody_line (event_id, n, what, subject, text) "
        "SELECT event_id, n, what, subject, 'x' FROM custody_line",
    ],
    ids=["all keys", "same number", "same id", "same row", "update or replace", "line"],
)
def test_replace_does_not_get_past_on_sqlite(drawn, sql):
    refused(sql)


@sqlite_only
def test_replace_by_a_devices_number_does_not_get_past_on_sqlite(drawn, say):
    from custody.core.event import Act

    act = Act(kind="thawed", at_ms=1_780_000_900_000, by="p1", org="SSS", lines=[{"t": "T1", "role": "subj"}],
              dev="phone-1", extra={"n": 7})  # fmt: skip
    done = record([act], login="fieldtech")[0]
    refused(replacing(event_id=FRESH, seq="99").replace("WHERE seq = 1", f"WHERE seq = {done.seq}"))


@postgres_only
@pytest.mark.parametrize(
    "sql",
    [
        "TRUNCATE custody_event CASCADE",
        "TRUNCATE custody_line",
        "SET LOCAL session_replication_role = replica; UPDATE custody_event SET login = 'somebody'",
        "INSERT INTO custody_event SELECT * FROM custody_event ON CONFLICT (event_id) DO UPDATE SET via = ''",
        "MERGE INTO custody_line USING (SELECT 1) AS s ON true WHEN MATCHED THEN DELETE",
        "WITH gone AS (DELETE FROM custody_line RETURNING id) SELECT count(*) FROM gone",
    ],
)
def test_no_way_around_on_postgresql(drawn, sql):
    refused(sql)


def drop(name: str) -> str:
    table = next(table for table in triggers.GUARDED if name.startswith(table))
    return f"DROP TRIGGER {name}" + (f" ON {table}" if connection.vendor == "postgresql" else "")


def test_a_dropped_trigger_is_missed_and_put_back(db):
    name = triggers.names(connection.vendor)[0]
    with connection.cursor() as cursor:
        cursor.execute(drop(name))
    assert triggers.missing() == [name]
    assert [one.id for one in triggers.check_database(databases=["default"])] == ["custody.E001"]
    triggers.ensure()
    assert triggers.missing() == []
    assert triggers.check_database(databases=["default"]) == []


def test_nothing_is_written_while_a_trigger_is_missing(drawn, say, monkeypatch):
    before = kept()
    with connection.cursor() as cursor:
        cursor.execute(drop(triggers.names(connection.vendor)[0]))
    monkeypatch.setattr(triggers, "_seen", set())  # as in a process that has just started
    with pytest.raises(ImproperlyConfigured, match="not protected"):
        say("thawed", "T1", 9)
    assert kept() == before


def test_a_trigger_that_was_made_harmless_counts_as_missing(drawn):
    name = triggers.names(connection.vendor)[0]
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute(f"DROP TRIGGER {name}")
            cursor.execute(f"CREATE TRIGGER {name} BEFORE UPDATE ON custody_event BEGIN SELECT 1; END")
        else:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute(f"ALTER TABLE custody_event DISABLE TRIGGER {name}")
    assert triggers.missing() == [name]
    triggers.ensure()
    assert triggers.missing() == []
    refused("UPDATE custody_event SET login = 'somebody'")


@sqlite_only
def test_the_guard_on_insert_looks_rows_up_by_index(drawn):
    """Otherwise each new event would read the whole ledger."""
    for table in triggers.GUARDED:
        guard = (
            triggers.sqlite_triggers()[f"{table}_no_replace"]
            .partition("WHEN EXISTS (")[2]
            .partition(") BEGIN")[0]
        )
        names = {
            "event_id": "'x'",
            "seq": "1",
            "device_n": "1",
            "device": "'x'",
            "id": "1",
            "n": "1",
            "level": "1",
            "idx": "1",
            "size": "1",
            "rowid": "1",
        }
        for name, value in names.items():
            guard = guard.replace(f"NEW.{name} ", f"{value} ").replace(f"NEW.{name})", f"{value})")
        with connection.cursor() as cursor:
            cursor.execute(f"EXPLAIN QUERY PLAN {guard}")
            plan = [row[3] for row in cursor.fetchall()]
        assert plan and not [step for step in plan if step.startswith("SCAN")], plan
