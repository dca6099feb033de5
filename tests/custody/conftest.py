"""A short way to say that something happened."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from custody.core.event import Act, new_id
from custody.record import record
from tests.custody import apart

START = 1_780_000_000_000  # some morning in 2026, UTC milliseconds


@pytest.fixture
def say(db):
    """say("drawn", "T1", 3, ul=500): three minutes after the start."""

    def write(
        kind, tubes, minute, *, org="SSS", strict=True, key=None, ref=None, data=None, role="subj", **line
    ):
        tubes = [tubes] if isinstance(tubes, str) else tubes
        act = Act(
            kind=kind, at_ms=START + minute * 60_000, by="p1", org=org, id=key or new_id(), data=data or {},
            ref=ref, lines=[{"t": tube, "role": role} | line for tube in tubes],
        )  # fmt: skip
        return record([act], login="fieldtech", strict=strict)[0]

    return write


@pytest.fixture
def drawn(say):
    """Tubes T1 to T3, printed and drawn, 1 mL each."""
    tubes = ["T1", "T2", "T3"]
    say("label_printed", tubes, 0, role="new")
    say("drawn", tubes, 1, ul=1_000)
    return tubes


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """An empty database apart from the test's own, for real processes and real commits."""
    with apart.database(tmp_path) as url:
        yield url
