"""The ledger's tests once more, on a private PostgreSQL (tests/postgres.py), in every ordinary run."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest

from tests import postgres

ROOT = Path(__file__).resolve().parents[1]
pytestmark = [
    pytest.mark.postgres,
    pytest.mark.skipif(
        sys.platform == "win32", reason="tests/postgres.py uses a socket file and POSIX users"
    ),
]


def run(*command: str) -> subprocess.CompletedProcess[str]:
    given = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    return subprocess.run(
        [sys.executable, "-m", "tests.postgres", "--", *command],
        cwd=ROOT, env=given, capture_output=True, text=True, timeout=900,
    )  # fmt: skip


def test_the_ledgers_tests_pass_on_postgresql_too():
    done = run("pytest", "tests/custody", "-q", "-n2", "--dist", "loadfile", "-p", "no:cacheprovider")
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    passed = re.search(r"(\d+) passed", done.stdout)
    assert passed and int(passed[1]) >= 45, done.stdout[-500:]


def test_the_server_gives_the_commands_exit_code_and_its_address():
    ask = "import os, sys; print(os.environ['DATABASE_URL']); sys.exit(7)"
    done = run("python", "-c", ask)
    assert done.returncode == 7
    assert done.stdout.startswith("postgresql://postgres@")


def test_the_server_is_gone_with_its_files_afterwards():
    with postgres.server() as url:
        folder = postgres.folder_of(url)
        with psycopg.connect(host=str(folder), user="postgres", dbname="postgres") as asked:
            version = asked.execute("SELECT current_setting('server_version_num')::int").fetchone()
            assert version and version[0] >= 140_000  # Django 5.2 asks for PostgreSQL 14 or newer
            listening = asked.execute("SELECT current_setting('listen_addresses')").fetchone()
            assert listening == ("",)
    assert not folder.exists()
    with pytest.raises(psycopg.OperationalError):
        psycopg.connect(host=str(folder), user="postgres", dbname="postgres")


def test_no_command_is_said_so():
    done = subprocess.run([sys.executable, "-m", "tests.postgres"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 2
    assert "Which command?" in done.stderr
