"""Verdicts of 100,000 tubes under ten rules, against asking for one tube at a time, and one tube's page.

uv run python -m tests.bench verdicts          TUBES=4000 for a quick run
VERDICTS=FOLDER                                keeps the database there, and takes it when it is there

Every tube has an own history (printed, drawn, spun, graded, put away); its freezer has a logger with readings
every five minutes for DAYS days. verdicts_s is facts and verdicts of all, in pieces as `judging` makes
them; verdicts_cpu_s what that took of the processor, where much else runs. one_ratio: the mean of asking for
one tube, times the number of tubes, to that. loaded: how often a logger was loaded, of how many there are, in
one piece. judge_s is the same with everything written down (of the first JUDGED tubes).
"""

from __future__ import annotations

import os
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.custody import apart

TUBES = int(os.environ.get("TUBES") or 100_000)


def run() -> dict[str, float]:
    with ExitStack() as stack:
        kept = os.environ.get("VERDICTS")
        folder = Path(kept or stack.enter_context(TemporaryDirectory(prefix="bench-")))
        folder.mkdir(parents=True, exist_ok=True)
        address = f"sqlite:///{folder / 'verdicts.sqlite3'}"
        said: dict[str, float] = apart.run(
            address, folder, "tests.bench._verdicts", str(TUBES), patience_s=5_400
        )
        return said
