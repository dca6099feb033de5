"""Eight rounds of watching at once, on whichever database the run uses (watchers.py watches)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.biobank.crowd import HANDS
from tests.custody import apart


@pytest.fixture
def address(tmp_path: Path):
    with apart.database(tmp_path) as found:
        yield found


def test_eight_rounds_at_once_raise_one_alarm_and_send_one_message(address: str, tmp_path: Path):
    said = apart.run(address, tmp_path, "tests.biobank.watchers")
    assert len(said["hands"]) == HANDS
    for what in ("opened", "sent"):
        seen = [hand[what] for hand in said["hands"]]
        assert [words for code, words in seen if code == "error"] == []
        assert sorted(words for _, words in seen) == ["0"] * (HANDS - 1) + ["1"]
    assert (said["alarms"], said["mails"]) == (1, 1)
