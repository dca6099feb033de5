"""Rows that the ledger names by their code are never deleted; the database itself says so.

Promises: a DELETE of a person, agency, unit, plan, tube set, workup or tube fails, on SQLite and on
PostgreSQL, whoever asks: a page, a shell, another program. (The ledger has codes only and no foreign keys, so
PROTECT alone would not know that somebody has a history.) An owner of the database can drop the triggers.
"""

from __future__ import annotations

from collections.abc import Iterator

from django.db import connections, transaction

KEPT = ("person", "agency", "unit", "sampleplan", "tubeset", "workup", "tube")
SENTENCE = "the ledger may name it, so it is kept"


def ensure(using: str = "default") -> None:
    """Put the triggers in place; a migration that remakes a table loses them on SQLite."""
    connection = connections[using]
    tables = [f"biobank_{name}" for name in KEPT]
    if not set(tables) <= set(connection.introspection.table_names()):
        return
    sql = sqlite_sql(tables) if connection.vendor == "sqlite" else postgres_sql(tables)
    with transaction.atomic(using=using), connection.cursor() as cursor:
        for statement in sql:
            cursor.execute(statement)


def sqlite_sql(tables: list[str]) -> Iterator[str]:
    for table in tables:
        yield f"DROP TRIGGER IF EXISTS {table}_kept"
        yield (
            f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{SENTENCE}'); END"
        )


def postgres_sql(tables: list[str]) -> Iterator[str]:
    yield "SET CONSTRAINTS ALL IMMEDIATE"  # a table with foreign keys still to be checked cannot be altered
    yield (
        "CREATE OR REPLACE FUNCTION biobank_kept() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{SENTENCE}'; END $$"
    )
    for table in tables:
        yield (
            f"CREATE OR REPLACE TRIGGER {table}_kept BEFORE DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION biobank_kept()"
        )
