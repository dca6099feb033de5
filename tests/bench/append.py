"""Appending one line and 300 lines against a bare INSERT of the same bytes in one transaction, side by side.

uv run python -m tests.bench append
"""

from __future__ import annotations

from tests.bench import _ledger


def run() -> dict[str, float]:
    return _ledger.ask("append")
