"""Breaks the ledger's code on purpose, fault after fault (faults.py), and says which the tests notice.

    uv run python -m tests.attack.breakage                       all faults that can show on SQLite
    uv run python -m tests.attack.breakage record.py             those with this in their file or text
    uv run python -m tests.postgres -- python -m tests.attack.breakage     those that show on PostgreSQL alone

By hand, because it takes a quarter of an hour. Works on a copy; the exit code is 1 when a fault survives.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.attack.faults import FAULTS, Fault

ROOT = Path(__file__).resolve().parents[2]
COPIED = [
    "custody",
    "biobank",
    "tests",
    "templates",
    "manage.py",
    "pyproject.toml",
    "DEVELOPERS.md",
    "README.md",
]
HERE = "postgresql" if os.environ.get("DATABASE_URL", "").startswith("postgres") else "sqlite"
ASKED = [  # one after another until somebody notices: quick ones first
    ["tests/core/test_fold.py", "tests/core/test_borders.py", "tests/core/test_canon.py",
     "tests/core/test_tree.py"],
    ["tests/custody/test_record.py", "tests/custody/test_machine.py", "tests/custody/test_triggers.py"],
    ["tests/custody/test_tamper.py", "tests/custody/test_verify.py", "tests/attack/test_ledger.py"],
    ["tests/core", "tests/custody", "tests/attack", "--ignore=tests/custody/test_kill.py",
     "--ignore=tests/custody/test_disk_full.py", "--ignore=tests/attack/test_breakage.py"],
]  # fmt: skip
PATIENCE_S = 300


def main(words: list[str]) -> int:
    chosen = [one for one in FAULTS if one.on == HERE and all(word in one.name for word in words)]
    with tempfile.TemporaryDirectory(prefix="broken-") as made:
        copy = Path(made)
        for name in COPIED:
            source = ROOT / name
            (shutil.copytree if source.is_dir() else shutil.copy)(source, copy / name)
        if failing := noticed_by(copy):
            print(f"The tests fail before anything is broken: {failing}", file=sys.stderr)
            return 2
        survivors = [one for one in chosen if not shown(one, broken(copy, one))]
    print(f"{len(chosen) - len(survivors)} of {len(chosen)} faults were noticed.")
    return 1 if survivors else 0


def broken(copy: Path, fault: Fault) -> str:
    """The first test that notices the fault; empty when none does."""
    file = copy / fault.file
    whole = file.read_text(encoding="utf-8")
    assert whole.count(fault.old) == 1, f"not once in its file any more: {fault.name}"
    file.write_text(whole.replace(fault.old, fault.new), encoding="utf-8")
    try:
        return noticed_by(copy)
    finally:
        file.write_text(whole, encoding="utf-8")


def shown(fault: Fault, noticed: str) -> str:
    print(f"{noticed or 'NOBODY NOTICED'}  |  {fault.name}", flush=True)
    return noticed


def noticed_by(copy: Path) -> str:
    begun = time.monotonic()
    for tests in ASKED:
        if first := failing(copy, tests):
            return f"{time.monotonic() - begun:5.1f} s  {first}"
    return ""


def failing(copy: Path, tests: list[str]) -> str:
    """The first of these tests that fails; empty when none does."""
    words = [sys.executable, "-B", "-m", "pytest", "-x", "-q", "-p", "no:xdist", "-p", "no:cacheprovider"]
    given = os.environ | {"NOSHRINK": "1", "PYTHONPATH": str(copy), "DATA_DIR": str(copy / "var")}
    try:
        done = subprocess.run(
            [*words, *os.environ.get("PYTEST_MORE", "").split(), *tests],
            cwd=copy, env=given, capture_output=True, text=True, timeout=PATIENCE_S,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return "(no end)"
    if done.returncode == 0:
        return ""
    failed = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    return failed[0].split(" - ")[0].split("::")[-1] if failed else f"(exit code {done.returncode})"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
