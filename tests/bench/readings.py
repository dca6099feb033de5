"""Readings into the database and out of it: stored, stored again, one row each beside, all stretches asked.

uv run python -m tests.bench readings           15.5 M readings of 50 loggers, 600,000 stretches
READINGS=100000000 …                            as many (the numbers in DEVELOPERS.md were taken so, once)
"""

from __future__ import annotations

import os
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.custody import apart

READINGS = int(os.environ.get("READINGS") or 15_500_000)
INTERVALS = int(os.environ.get("INTERVALS") or 600_000)


def run() -> dict[str, float]:
    with TemporaryDirectory(prefix="bench-") as folder:
        file = Path(folder) / "readings.sqlite3"
        words = (str(READINGS), str(INTERVALS), str(file))
        address = f"sqlite:///{file}"
        said: dict[str, float] = apart.run(
            address, Path(folder), "tests.bench._readings", *words, patience_s=3_600
        )
    return said
