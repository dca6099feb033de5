"""A ledger looked at by one process and by several: what each says of it whole, and of it tampered with.

Run as `python -m tests.custody.several` with DATABASE_URL naming an empty database and DATA_DIR an empty
folder; prints what was said as JSON. The pieces are made so small that a few hundred events are many of them.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from typing import Any

import django

EVENTS = 700
TAMPERED = {  # what is done, as SQL; whether the log or what is derived from it is changed
    "a text": "UPDATE custody_event SET body = REPLACE(body, 'SSS', 'SST') WHERE seq = 299",
    "a line": "UPDATE custody_line SET text = REPLACE(text, 'subj', 'suby') WHERE subject = 'T000000301'",
    "one event is gone": "DELETE FROM custody_event WHERE seq = 256",
    "a number made huge": "UPDATE custody_event SET seq = 1000000000000000 WHERE seq = 512",
    "two events are gone": "DELETE FROM custody_event WHERE seq IN (511, 512)",
    "a time goes back": "UPDATE custody_event SET recorded_ms = recorded_ms - 1000000 WHERE seq = 512",
    "a state": "UPDATE custody_tubestate SET volume_ul = 1 WHERE tube = 'T000000301'",
    "a place": "UPDATE custody_tubestate SET \"row\" = 99 WHERE tube = 'T000000301'",
    "a place that another has": (
        "UPDATE custody_tubestate SET contested = (1 = 1), unit = (SELECT unit FROM custody_tubestate WHERE "
        "tube = 'T000000302'), \"row\" = (SELECT \"row\" FROM custody_tubestate WHERE tube = 'T000000302'), "
        "col = (SELECT col FROM custody_tubestate WHERE tube = 'T000000302') WHERE tube = 'T000000301'"
    ),
    "a state too few": "DELETE FROM custody_tubestate WHERE tube = 'T000000302'",
    "a contest": "UPDATE custody_tubestate SET contested = NOT contested WHERE tube = 'T000000302'",
    "a finding": (
        "INSERT INTO custody_finding (code, subject, event, sentence) VALUES ('x', 'T000000001', 'e', 's')"
    ),
}  # fmt: skip


def main() -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    from custody import rebuild, spread, triggers, verify, whole
    from tests.bench import _ledger
    from tests.custody.writers import make_tables

    make_tables()
    verify.STRETCH, whole.LINES = 256, 100
    _ledger.fill(EVENTS)
    one, many = 10**9, 0
    said: dict[str, Any] = {}

    def both(name: str, ask: Callable[[], Any]) -> None:
        said[name] = []
        for spread.LARGE in (one, many):
            said[name].append(ask())

    both("rebuilt", lambda: [rebuild.rebuild(), rebuild.differences()])
    both("whole", lambda: [vars(verify.verify()), rebuild.differences()])
    for name, sql in TAMPERED.items():
        both(name, lambda sql=sql: tampered(sql, lambda: [vars(verify.verify()), rebuild.differences()]))
    assert triggers.missing() == []
    print(json.dumps(said))


def tampered(sql: str, ask: Callable[[], Any]) -> Any:
    """What is said while it is tampered with; afterwards it is as before."""
    from django.db import connection

    from custody import triggers

    tables = ["custody_event", "custody_line", "custody_tubestate", "custody_finding"]
    with connection.cursor() as cursor:
        for name in triggers.names(connection.vendor):
            on = f" ON {name.rsplit('_no_', 1)[0]}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER {name}{on}")
        for table in tables:
            cursor.execute(f"CREATE TABLE kept_{table} AS SELECT * FROM {table}")
        before(cursor, sql)
        said = ask()
        for table in reversed(tables):
            cursor.execute(f"DELETE FROM {table}")
        for table in tables:
            cursor.execute(f"INSERT INTO {table} SELECT * FROM kept_{table}")
            cursor.execute(f"DROP TABLE kept_{table}")
    triggers.ensure()
    return said


def before(cursor: Any, sql: str) -> None:
    """Lines go with their events, whatever the foreign keys think of it."""
    if "DELETE FROM custody_event" in sql:
        where = sql.partition("WHERE")[2]
        cursor.execute(
            f"DELETE FROM custody_line WHERE event_id IN (SELECT event_id FROM custody_event WHERE {where})"
        )
    cursor.execute(sql)


if __name__ == "__main__":
    main()
