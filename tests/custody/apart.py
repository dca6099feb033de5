"""A database apart from the one of the test run, for real processes and real commits.

pytest-django's transactional test empties the tables afterwards, which the ledger forbids; so whoever needs
commits gets an empty database, and drops it whole.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import dj_database_url
import psycopg

ROOT = Path(__file__).resolve().parents[2]
SERVER = os.environ.get("DATABASE_URL", "")
ON_POSTGRES = SERVER.startswith("postgres")


@contextmanager
def database(folder: Path) -> Iterator[str]:
    """The address of an empty database, on the same kind of server as the other tests of this run."""
    if not ON_POSTGRES:
        yield f"sqlite:///{folder / 'apart.sqlite3'}"
        return
    name = f"apart_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(**connect(SERVER), autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}".encode())
        yield SERVER.rpartition("/")[0] + "/" + name
        server.execute(f"DROP DATABASE {name} WITH (FORCE)".encode())


def migrated(file: Path) -> None:
    """Put a database file there to which every migration was applied. They take many seconds, so it is done
    once for each state of the migrations, and kept with the caches of the tests."""
    said = hashlib.sha256(b"".join(path.read_bytes() for path in sorted(ROOT.glob("*/migrations/*.py"))))
    kept = ROOT / ".pytest_cache" / f"migrated-{said.hexdigest()[:16]}.sqlite3"
    if not kept.exists():
        with TemporaryDirectory() as made:
            fresh, whole = Path(made) / "fresh.sqlite3", Path(made) / "whole.sqlite3"
            _migrate(fresh)
            with closing(sqlite3.connect(fresh)) as base:
                base.execute("VACUUM INTO ?", (str(whole),))
            kept.parent.mkdir(exist_ok=True)
            part = kept.with_suffix(f".{uuid.uuid4().hex}")
            shutil.copyfile(whole, part)
            part.replace(kept)  # whole or not at all, whoever of two is first
    shutil.copyfile(kept, file)


def _migrate(file: Path) -> None:
    given = os.environ | {"DATABASE_URL": f"sqlite:///{file}", "DATA_DIR": str(file.parent / "data")}
    given |= {"DJANGO_SETTINGS_MODULE": "tests.settings"}
    words = [sys.executable, "-m", "django", "migrate", "--run-syncdb", "--verbosity", "0"]
    done = subprocess.run(words, cwd=ROOT, env=given, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-3000:]


def run(address: str, folder: Path, module: str, *words: str, patience_s: int = 180) -> Any:
    """What a program of ours prints as JSON when it works on that database."""
    given = os.environ | {"DATABASE_URL": address, "DATA_DIR": str(folder / "data")}
    done = subprocess.run(
        [sys.executable, "-m", module, *words],
        cwd=ROOT, env=given, capture_output=True, text=True, timeout=patience_s,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    return json.loads(done.stdout)


def connect(url: str) -> dict[str, Any]:
    found = dj_database_url.parse(url)
    names = {"host": "HOST", "port": "PORT", "user": "USER", "password": "PASSWORD", "dbname": "NAME"}
    return {ours: found[theirs] for ours, theirs in names.items() if found.get(theirs)}


def rows(url: str, sql: str) -> list[tuple[Any, ...]]:
    """Asked of the database itself, past all of our code."""
    if url.startswith("sqlite"):
        with sqlite3.connect(url.removeprefix("sqlite:///")) as file:
            return file.execute(sql).fetchall()
    with psycopg.connect(**connect(url)) as server:
        return server.execute(sql.encode()).fetchall()
