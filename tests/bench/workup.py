"""The page of a workup with 110 labels, and one draw, in process, in a database of their own.

Both sides of the ratio are measured in one process, in turns: the page as it is asked for, and the same page
drawn from values that are at hand, with a database that refuses every question.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from tests.custody import apart


def run() -> dict[str, float]:
    with TemporaryDirectory(prefix="bench-") as made, apart.database(Path(made)) as address:
        said: dict[str, float] = apart.run(address, Path(made), "tests.bench._workup", patience_s=1_800)
        return said
