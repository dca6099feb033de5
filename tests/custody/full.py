"""A disk that fills up while the ledger is written, and room made again.

Run as `python -m tests.custody.full` with DATABASE_URL naming an empty database and DATA_DIR an empty folder;
prints what was seen as JSON. How a disk is filled without one:

- SQLite, `pages`: the file may not grow past the pages it has (PRAGMA max_page_count): "database or disk is
  full", the same answer as to a full file system.
- `files`: the operating system refuses to let a file grow past its present size (RLIMIT_FSIZE of the writing
  process). On SQLite the log beside the file cannot grow; on PostgreSQL the server process that works for us
  cannot extend a table.
"""

from __future__ import annotations

import json
import os
import resource
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import django

from tests.custody.killed import MANY, act, events, write

MOST = 400  # appends until it must be full
Room = Callable[[], Any]
BLOAT = 24_000_000


def main(words: list[str]) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    from django.db import connection

    from tests.custody.writers import make_tables

    make_tables()
    write(act("label_printed", MANY, role="new"))
    write(act("drawn", MANY, ul=1_000))
    ways = {"pages": pages, "files": postgres_files if connection.vendor == "postgresql" else sqlite_files}
    with ways[words[0]]() as make_room:
        print(json.dumps(filled(make_room)))


def filled(make_room: Room) -> dict[str, Any]:
    """Append until it is full, look, make room, append the same again, look again."""
    before, said, error = until_full()
    full = {"events": set(events()) == set(before), "troubles": troubles()}
    make_room()
    done = write(said)[0]
    write(act("thawed", MANY))
    gaps = sorted(events().values()) != list(range(len(before) + 2))
    return {
        "appended": len(before), "error": error, "unchanged": full["events"], "troubles": full["troubles"],
        "again": done.new, "gaps": gaps, "troubles_after": troubles(),
    }  # fmt: skip


def until_full() -> tuple[dict[str, int], Any, str]:
    """What was there before the act that no longer went in, that act, and the error."""
    for _ in range(MOST):
        said, before = act("thawed", MANY, note="x" * 400), events()
        try:
            write(said)
        except Exception as why:
            return before, said, f"{type(why).__name__}: {why}"
    raise SystemExit("It never became full.")


def troubles() -> list[str]:
    from custody.rebuild import differences
    from custody.verify import verify

    return verify().wrong + differences()


@contextmanager
def pages() -> Iterator[Room]:
    from django.db import connection

    def grow(more: int) -> None:
        with connection.cursor() as cursor:
            size = cursor.execute("PRAGMA page_count").fetchone()[0]
            cursor.execute(f"PRAGMA max_page_count = {size + more}")

    grow(12)
    yield lambda: grow(10_000)


@contextmanager
def sqlite_files() -> Iterator[Room]:
    from django.db import connection

    file = Path(str(connection.settings_dict["NAME"]))
    largest = max(one.stat().st_size for one in file.parent.glob(file.name + "*"))
    yield limited(os.getpid(), largest + 150_000)


@contextmanager
def postgres_files() -> Iterator[Room]:
    """A table is made larger than any file that must still be written (a segment of the server's own log has
    16 MB), with rows that are gone again; then the server may not let a file grow any more."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE custody_tubestate SET (autovacuum_enabled = off)")
        cursor.execute(
            "INSERT INTO custody_tubestate (tube, status, label, matrix, additive, container, contested, "
            "thaws, disputes, copies, reserved, seq) SELECT 'X' || n, 'void', repeat('x', 60), '', '', "
            f"repeat('x', 40), false, 0, 0, 0, false, 0 FROM generate_series(1, {BLOAT // 180}) AS n"
        )
        cursor.execute("DELETE FROM custody_tubestate WHERE tube LIKE 'X%'")
        cursor.execute("SELECT pg_relation_size('custody_tubestate'), pg_backend_pid()")
        size, server = cursor.fetchone()
    yield limited(server, size + 40_000)


def limited(process: int, size: int) -> Room:
    """From now on no file of that process may grow past so many bytes; what comes back undoes it."""
    as_its_owner(process, lambda: limit(process, size))
    return lambda: as_its_owner(process, lambda: limit(process, resource.RLIM_INFINITY))


def limit(process: int, size: int) -> None:
    _, most = resource.prlimit(process, resource.RLIMIT_FSIZE)
    resource.prlimit(process, resource.RLIMIT_FSIZE, (most if size == resource.RLIM_INFINITY else size, most))


def as_its_owner(process: int, do: Callable[[], None]) -> None:
    """A process may be limited by its owner alone, and the server is another's when we are root."""
    owner = Path(f"/proc/{process}").stat()
    if owner.st_uid == os.geteuid():
        do()
    elif (child := os.fork()) == 0:
        try:
            os.setgroups([])
            os.setgid(owner.st_gid)
            os.setuid(owner.st_uid)
            do()
        except BaseException as why:
            print(why, file=sys.stderr, flush=True)
            os._exit(1)
        os._exit(0)
    elif os.waitpid(child, 0)[1] != 0:
        raise SystemExit(f"Process {process} could not be limited.")


if __name__ == "__main__":
    main(sys.argv[1:])
