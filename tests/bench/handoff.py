"""A handoff of 300 tubes and its receipt, in process, and the list of handoffs with few and with many.

Both sides of `one_by_one` are measured in one process: one event for 300 tubes, and 300 events for one each
(of a sample). `list_ratio` is the list with MANY handoffs to that with FEW.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from tests.custody import apart


def run() -> dict[str, float]:
    with TemporaryDirectory(prefix="bench-") as made, apart.database(Path(made)) as address:
        said: dict[str, float] = apart.run(address, Path(made), "tests.bench._handoff", patience_s=1_800)
        return said
