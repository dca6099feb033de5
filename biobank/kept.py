"""Rows that the ledger names by their code are never deleted; the database itself says so.

Promises: a DELETE of a person, agency, unit, plan, tube set, workup, tube, photo of a sheet or blood limit
fails, on SQLite and PostgreSQL, whoever asks: a page, a shell, another program; so does one of what people
answer for: consents and their rules, what was answered about a thaw, evacuations, thermal events, swaps of
freezers, counts and how their boxes were chosen, merges of animals, rotors; so does one of what
temperatures rest on: loggers, where they stood, their files and sealed days, what is known of their clocks
and calibration, conflicts, set points, worked-out histories, alarms. Photos, limits, what was allowed beyond
them, the tubes of a consent, answers, choices of boxes and loggers' files are not changed either, and of a
sealed day nothing but that a newer revision counts. Rule sets that are or were in force, and their rules, are
not deleted either; drafts may be.
(The ledger has codes only and no foreign keys, so PROTECT alone would not know that somebody has a history.)
An owner of the database can drop the triggers.
"""

from __future__ import annotations

from collections.abc import Iterator

from django.db import connections, transaction

KEPT = ("person", "agency", "unit", "sampleplan", "tubeset", "workup", "tube", "sheetphoto",
        "bloodlimit", "bloodallowance", "consent", "consenttube", "consentrule", "thawanswer", "evacuation",
        "thermalevent", "swap", "count", "countdraw", "animalmerge", "rotor", "logger",
        "loggerplacement", "loggerimport", "readingblock", "readingconflict", "clockcheck",
        "calibrationcertificate", "readingexclusion", "nominaltemperature", "thermalresult", "alarm",
        "alarmmail", "alarmtest", "permit", "permitfile", "handoffpaper", "handoffcase", "ownnumber",
        "transferletter", "shipment")  # fmt: skip
# the ledger names a photo by its hash; the others are said once, and followed by another or taken back
FIXED = {"biobank_sheetphoto", "biobank_bloodlimit", "biobank_bloodallowance", "biobank_consenttube",
         "biobank_thawanswer", "biobank_countdraw", "biobank_loggerimport", "biobank_permitfile",
         "biobank_handoffpaper", "biobank_ownnumber"}  # fmt: skip
PARTLY = {  # these columns are not changed, the others are
    "biobank_readingblock": "logger_id, source_id, day, revision, n, first_ms, last_ms, low_centi, "
    "high_centi, covered_ms, codec, payload, sha256"
}
ONCE_IN_FORCE = {  # only these rows are not deleted: what tubes were judged by; a draft may be
    "biobank_ruleset": "OLD.status <> 'draft'",
    "biobank_rule": "EXISTS (SELECT 1 FROM biobank_ruleset s WHERE s.id = OLD.rule_set_id "
    "AND s.status <> 'draft')",
}
SENTENCE = "the ledger may name it, so it is kept"


def ensure(using: str = "default") -> None:
    """Put the triggers in place; a migration that remakes a table loses them on SQLite."""
    connection = connections[using]
    there = set(connection.introspection.table_names())
    tables = [table for name in KEPT if (table := f"biobank_{name}") in there]
    if not tables:
        return
    some = [table for table in ONCE_IN_FORCE if table in there]
    sql = sqlite_sql(tables, some) if connection.vendor == "sqlite" else postgres_sql(tables, some)
    with transaction.atomic(using=using), connection.cursor() as cursor:
        for statement in sql:
            cursor.execute(statement)


def sqlite_sql(tables: list[str], some: list[str]) -> Iterator[str]:
    for table, name, verb in _triggers(tables):
        yield f"DROP TRIGGER IF EXISTS {name}"
        yield f"CREATE TRIGGER {name} BEFORE {verb} ON {table} BEGIN SELECT RAISE(ABORT, '{SENTENCE}'); END"
    for table in some:
        yield f"DROP TRIGGER IF EXISTS {table}_kept"
        yield (
            f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{SENTENCE}') WHERE {ONCE_IN_FORCE[table]}; END"
        )


def _triggers(tables: list[str]) -> Iterator[tuple[str, str, str]]:
    """Table, name of the trigger, and what it stops."""
    for table in tables:
        yield table, f"{table}_kept", "DELETE"
        if table in FIXED or table in PARTLY:
            yield table, f"{table}_fixed", f"UPDATE OF {PARTLY[table]}" if table in PARTLY else "UPDATE"


def postgres_sql(tables: list[str], some: list[str]) -> Iterator[str]:
    yield "SET CONSTRAINTS ALL IMMEDIATE"  # a table with foreign keys still to be checked cannot be altered
    yield (
        "CREATE OR REPLACE FUNCTION biobank_kept() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{SENTENCE}'; END $$"
    )
    for table, name, verb in _triggers(tables):
        yield (
            f"CREATE OR REPLACE TRIGGER {name} BEFORE {verb} ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION biobank_kept()"
        )
    for table in some:
        yield (
            f"CREATE OR REPLACE FUNCTION {table}_kept() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN IF {ONCE_IN_FORCE[table]} THEN RAISE EXCEPTION '{SENTENCE}'; END IF; "
            "RETURN OLD; END $$"
        )
        yield (
            f"CREATE OR REPLACE TRIGGER {table}_kept BEFORE DELETE ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION {table}_kept()"
        )
