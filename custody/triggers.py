"""Triggers that make the ledger's tables append-only, on SQLite and on PostgreSQL.

Promises: an UPDATE, DELETE, REPLACE or TRUNCATE of an event, line, tile or checkpoint fails in the database
itself. They stop accidents and this application; an owner of the database can drop them, and then the hashes
tell (`custody_verify`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django.core.checks import CheckMessage, Error
from django.core.exceptions import ImproperlyConfigured
from django.db import connections, transaction

GUARDED = ("custody_event", "custody_line", "custody_tile", "custody_checkpoint")
SENTENCE = "the ledger is append-only"
_seen: set[tuple[str, str]] = set()


def names(vendor: str) -> list[str]:
    """The triggers that must be there."""
    acts = ["update", "delete", "replace"] if vendor == "sqlite" else ["change", "truncate"]
    return [f"{table}_no_{act}" for table in GUARDED for act in acts]


def sqlite_triggers() -> dict[str, str]:
    """Each trigger's name and text. REPLACE fires no DELETE trigger on SQLite, hence the guard on INSERT."""
    found: dict[str, str] = {}
    for table in GUARDED:
        stop = f"BEGIN SELECT RAISE(ABORT, '{SENTENCE}'); END"
        taken = f"EXISTS (SELECT 1 FROM {table} WHERE {_same(table)})"
        for name, on in [
            ("update", f"BEFORE UPDATE ON {table}"),
            ("delete", f"BEFORE DELETE ON {table}"),
            ("replace", f"BEFORE INSERT ON {table} WHEN {taken}"),
        ]:
            found[f"{table}_no_{name}"] = f"CREATE TRIGGER {table}_no_{name} {on} {stop}"
    return found


def sqlite_sql() -> Iterable[str]:
    for name, text in sqlite_triggers().items():
        yield f"DROP TRIGGER IF EXISTS {name}"  # an older one with the same name must not stay
        yield text


def _same(table: str) -> str:
    """How a new row can take the place of an old one: by each unique key, and by the row's number."""
    keys = {
        "custody_event": [("event_id",), ("seq",), ("device", "device_n")],
        "custody_line": [("id",), ("event_id", "n")],
        "custody_tile": [("id",), ("level", "idx")],
        "custody_checkpoint": [("id",), ("size",)],
    }[table]
    same = [" AND ".join(f"{name} = NEW.{name}" for name in key) for key in [*keys, ("rowid",)]]
    return " OR ".join(f"({one})" for one in same)


def postgres_sql() -> Iterable[str]:
    """ENABLE ALWAYS: a session that calls itself a replica is stopped too."""
    yield "SET CONSTRAINTS ALL IMMEDIATE"  # a table with foreign keys still to be checked cannot be altered
    yield (
        "CREATE OR REPLACE FUNCTION custody_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{SENTENCE}'; END $$"
    )
    for table in GUARDED:
        for name, act, each in [("change", "UPDATE OR DELETE", "ROW"), ("truncate", "TRUNCATE", "STATEMENT")]:
            trigger = f"{table}_no_{name}"
            yield (
                f"CREATE OR REPLACE TRIGGER {trigger} BEFORE {act} ON {table} "
                f"FOR EACH {each} EXECUTE FUNCTION custody_append_only()"
            )
            yield f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {trigger}"


def ensure(using: str = "default") -> None:
    """Put every trigger in place, all at once."""
    connection = connections[using]
    if not set(GUARDED) <= set(connection.introspection.table_names()):
        return
    sql = sqlite_sql() if connection.vendor == "sqlite" else postgres_sql()
    with transaction.atomic(using=using), connection.cursor() as cursor:
        for statement in sql:
            cursor.execute(statement)


def missing(using: str = "default") -> list[str]:
    """Triggers that ought to be there and are not (or are switched off, or say something else)."""
    connection = connections[using]
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
            texts = sqlite_triggers()
            there = {name for name, text in cursor.fetchall() if texts.get(name) == text}
        else:
            cursor.execute("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled = 'A'")
            there = {row[0] for row in cursor.fetchall()}
    return [name for name in names(connection.vendor) if name not in there]


def require(using: str = "default") -> None:
    """Stop when a trigger is missing. Looked up once in a process and database."""
    key = (using, str(connections[using].settings_dict["NAME"]))
    if key in _seen:
        return
    if gone := missing(using):
        raise ImproperlyConfigured(
            f"The ledger is not protected: {', '.join(gone)} missing. "
            "Run manage.py migrate; it puts them back."
        )
    _seen.add(key)


def check_database(
    app_configs: Any = None, databases: Sequence[str] | None = None, **_: Any
) -> list[CheckMessage]:
    """A system check (`check --database default`, and before every migrate)."""
    found: list[CheckMessage] = []
    for using in databases or []:
        tables = set(connections[using].introspection.table_names())
        if set(GUARDED) <= tables and (gone := missing(using)):
            found.append(Error(f"Append-only triggers are missing: {', '.join(gone)}.", id="custody.E001"))
    return found
