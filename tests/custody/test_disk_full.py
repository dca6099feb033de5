"""A full disk: the append says so, nothing is half there, and after room was made the same form goes through.

How a disk is filled without one stands in full.py.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.custody import apart

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="a process's files are limited by prlimit")
WAYS = {
    "pages": "database or disk is full",
    "files": "could not extend file" if apart.ON_POSTGRES else "disk I/O error",
}


@pytest.mark.parametrize("way", ["files"] if apart.ON_POSTGRES else ["pages", "files"])
def test_a_full_disk_stops_the_append_and_nothing_is_half_written(address: str, tmp_path: Path, way: str):
    seen = apart.run(address, tmp_path, "tests.custody.full", way)
    assert WAYS[way] in seen["error"]
    assert seen["appended"] > 2  # the two first, and more before it was full
    assert (seen["unchanged"], seen["troubles"]) == (True, [])
    assert (seen["again"], seen["gaps"], seen["troubles_after"]) == (True, False, [])
