"""Eight writers at once, in two processes, on whichever database the run uses (writers.py writes)."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import dj_database_url
import psycopg
import pytest

from tests.custody.writers import HANDS, ROUNDS, SAME_KEY

ROOT = Path(__file__).resolve().parents[2]
SERVER = os.environ.get("DATABASE_URL", "")


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """An empty database of its own, on the same kind of server as the other tests."""
    if not SERVER.startswith("postgres"):
        yield f"sqlite:///{tmp_path / 'writers.sqlite3'}"
        return
    name = f"writers_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(**connect(SERVER), autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}".encode())
        yield SERVER.rpartition("/")[0] + "/" + name
        server.execute(f"DROP DATABASE {name} WITH (FORCE)".encode())


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


def test_eight_writers_lose_nothing_leave_no_gap_and_never_see_a_lock(address: str, tmp_path: Path):
    given = os.environ | {"DATABASE_URL": address, "DATA_DIR": str(tmp_path / "data")}
    words = [sys.executable, "-m", "tests.custody.writers"]
    done = subprocess.run(words, cwd=ROOT, env=given, capture_output=True, text=True, timeout=180)
    assert done.returncode == 0, done.stderr[-3000:]
    said = json.loads(done.stdout)

    assert [error for hand in said["hands"] for error in hand["errors"]] == []
    assert len(said["hands"]) == HANDS

    # what each was told it wrote is what is there, once each, and nothing else but the two first events
    told = sorted((seq, key) for hand in said["hands"] for seq, key in hand["wrote"])
    there = rows(address, "SELECT seq, event_id FROM custody_event ORDER BY seq")
    assert [seq for seq, _ in there] == list(range(len(there)))
    assert told == [(seq, str(uuid.UUID(str(key)))) for seq, key in there[2:]]
    assert said["size"] == len(there)

    # every slot has one winner, everybody else was told that it is taken
    refused = [code for hand in said["hands"] for code in hand["refused"]]
    assert refused == ["slot_taken"] * (HANDS * ROUNDS - ROUNDS)
    assert said["box"] == ROUNDS

    # one key sent by all is one event; each of the other thaws counts
    assert sum(key == SAME_KEY for _, key in told) == 1
    assert said["thaws"] == HANDS * ROUNDS + 1

    assert said["wrong"] == []
    assert said["differences"] == []
