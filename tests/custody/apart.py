"""A database apart from the one of the test run, for real processes and real commits.

pytest-django's transactional test empties the tables afterwards, which the ledger forbids; so whoever needs
commits gets an empty database, and drops it whole.
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
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
