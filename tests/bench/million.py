"""Storage with a thousand tubes and with a million, built by this script: is it as fast in the large one?

uv run python -m tests.bench million            builds both in a folder that is gone afterwards (minutes)
TUBES=100000 …                                  another size of the large one
MILLION=FOLDER …                                keeps the databases there, and takes them when they are there

The numbers of the small one end in _small; *_ratio is large to small, of medians.
"""

from __future__ import annotations

import os
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.custody import apart

SMALL, LARGE = 1_000, int(os.environ.get("TUBES") or 1_000_000)


def run() -> dict[str, float]:
    with ExitStack() as stack:
        kept = os.environ.get("MILLION")
        folder = Path(kept or stack.enter_context(TemporaryDirectory(prefix="bench-")))
        small, large = (_measured(folder / str(size), size) for size in (SMALL, LARGE))
    ratios = {
        name.replace("_ms_p50", "_ratio"): round(large[name] / small[name], 2)
        for name in large
        if name.endswith("_ms_p50")
    }
    return {**large, **{f"{name}_small": value for name, value in small.items()}, **ratios}


def _measured(folder: Path, size: int) -> dict[str, float]:
    folder.mkdir(parents=True, exist_ok=True)
    address = f"sqlite:///{folder / 'store.sqlite3'}"
    said: dict[str, float] = apart.run(address, folder, "tests.bench._million", str(size), patience_s=5_400)
    return said
