"""An ordinary change of a field of a ledger's table, by Django's own schema editor, in a database apart.

Run as `python -m tests.attack.altered` with DATABASE_URL naming an empty database and DATA_DIR an empty
folder; prints what was seen as JSON. (On SQLite the schema editor does not work inside a test's transaction.)
"""

from __future__ import annotations

import json
import os
from typing import Any

import django


def main() -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    from custody import queries, triggers
    from custody.verify import verify
    from tests.custody.writers import make_tables, say

    make_tables()
    say("label_printed", [{"t": tube, "role": "new"} for tube in ["T1", "T2"]], 0)
    before = triggers.missing()
    lengthen("Event", "login")
    lengthen("Line", "subject")
    lost = triggers.missing()
    refused = attempt(lambda: say("drawn", [{"t": "T1", "role": "subj", "ul": 1}], 1))
    size = queries.size()
    migrated()
    again = attempt(lambda: say("drawn", [{"t": "T2", "role": "subj", "ul": 1}], 1))
    print(json.dumps({
        "before": before, "lost": lost, "refused": refused, "size": size, "after": triggers.missing(),
        "again": again, "wrong": verify().wrong,
    }))  # fmt: skip


def lengthen(model: str, name: str) -> None:
    from django.apps import apps
    from django.db import connection, models

    found = apps.get_model("custody", model)
    old = found._meta.get_field(name)
    new = models.CharField(max_length=old.max_length + 50)
    new.set_attributes_from_name(name)
    new.model = found
    with connection.schema_editor() as editor:
        editor.alter_field(found, old, new)


def attempt(write: Any) -> str:
    """As the first write of a process that has just started."""
    from custody import triggers

    triggers._seen.clear()
    try:
        write()
    except Exception as why:
        return f"{type(why).__name__}: {why}"
    return ""


def migrated() -> None:
    """What listens to the end of every `manage.py migrate`."""
    from custody import apps

    apps.put_back(using="default")


if __name__ == "__main__":
    main()
