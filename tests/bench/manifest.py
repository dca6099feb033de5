"""The manifest of 300 tubes, in process, in a database of its own.

All sides in one process, in turns: the manifest; the same with nothing drawn where the symbols stand; and its
list alone as one would write it first, a table of HTML with one SVG path a symbol, laid out by WeasyPrint.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from tests.custody import apart


def run() -> dict[str, float]:
    with TemporaryDirectory(prefix="bench-") as made, apart.database(Path(made)) as address:
        said: dict[str, float] = apart.run(address, Path(made), "tests.bench._manifest", patience_s=1_800)
        return said
