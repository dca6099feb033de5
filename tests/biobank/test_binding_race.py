"""Eight people bind one set at once, on whichever database the run uses (binders.py binds)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.biobank.crowd import HANDS
from tests.custody import apart


@pytest.fixture
def address(tmp_path: Path):
    with apart.database(tmp_path) as found:
        yield found


def test_of_eight_who_bind_a_set_one_does_and_seven_are_told_who_and_when(address: str, tmp_path: Path):
    said = apart.run(address, tmp_path, "tests.biobank.binders")

    same_set = [hand["same_set"] for hand in said["hands"]]
    assert len(same_set) == HANDS
    assert [words for code, words in same_set if code == "error"] == []
    assert sorted(code for code, _ in same_set) == ["done"] + ["set_already_bound"] * (HANDS - 1)
    for code, words in same_set:
        if code == "set_already_bound":
            assert "Field tech (SSS) did so on 03 May 2026 09:00" in words

    # and of eight sets for one workup one is bound
    same_workup = [hand["same_workup"] for hand in said["hands"]]
    assert [words for code, words in same_workup if code == "error"] == []
    codes = sorted(code for code, _ in same_workup)
    assert codes.count("done") == 1
    assert set(codes) <= {"done", "set_changed", "workup_has_a_set"}

    assert len(said["bound"]) == said["events"] == 2
    assert len({workup for _, workup in said["bound"]}) == 2
    assert said["wrong"] == []
