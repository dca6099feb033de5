"""A writer killed with SIGKILL at each step of an append and at random moments: nothing acknowledged is lost,
nothing is half there, and the same form sent again is one event (killed.py kills and looks).

200 kills on SQLite and 80 on PostgreSQL in an ordinary run; KILLS=… for more.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from tests.custody import apart

KILLS = int(os.environ.get("KILLS") or (80 if apart.ON_POSTGRES else 200))
SEED = 7
# what an append cannot do without, whatever else it asks the database
STEPS = [
    "INSERT INTO custody_event",
    "UPDATE custody_head SET",
    "DELETE FROM custody_tubestate",
    "INSERT INTO custody_tubestate",
    "before commit",
    "after commit",
]

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL and fork are POSIX")


def test_no_kill_at_any_moment_of_an_append_loses_or_halves_an_event(address: str, tmp_path: Path):
    seen = apart.run(address, tmp_path, "tests.custody.killed", str(KILLS), str(SEED))
    assert seen["troubles"] == []
    assert seen["kills"] >= KILLS
    assert seen["midway"] >= seen["kills"] // 2, "too many kills hit a writer that was not writing"

    met = set(seen["steps"])
    for kind in ["single", "many", "void", "handoff"]:
        assert {f"{kind}: {step}" for step in STEPS} <= met
        assert any(step.startswith(f"{kind}: SELECT custody_head") for step in met), "the head lock"
        assert f"{kind}: INSERT INTO custody_line" in met or kind == "void"
    assert seen["acknowledged"] > 0 and seen["unheard"] > 0
