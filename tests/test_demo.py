"""The demo keeps away from data that is not its own."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture
def real(tmp_path: Path) -> Path:
    """A database file that somebody named in DATABASE_URL, with something in it."""
    path = tmp_path / "biobank.sqlite3"
    with sqlite3.connect(path) as file:
        file.execute("CREATE TABLE kept (word TEXT)")
        file.execute("INSERT INTO kept VALUES ('years of work')")
    file.close()
    return path


def test_starting_over_never_removes_a_database_that_was_named(real: Path, tmp_path: Path):
    before = real.read_bytes()
    given = os.environ | {"DATA_DIR": str(tmp_path), "DATABASE_URL": f"sqlite:///{real}"}
    words = [sys.executable, "manage.py", "demo", "--no-serve", "--fresh"]
    done = subprocess.run(words, cwd=ROOT, env=given, capture_output=True, text=True, timeout=120)
    assert done.returncode == 1
    assert "demo's own SQLite file only" in done.stderr
    assert real.read_bytes() == before


@pytest.mark.django_db
def test_the_demo_is_not_played_into_a_database_that_knows_other_people(people, settings):
    settings.DEMO = True
    people.programme.code = "OTHER"
    people.programme.save()
    with pytest.raises(CommandError) as no:
        call_command("demo", "--no-serve")
    assert "something else than the demo" in str(no.value)


@pytest.mark.django_db
def test_the_command_asks_for_its_own_switch(settings):
    settings.DEMO = False
    with pytest.raises(CommandError):
        call_command("demo", "--no-serve")
