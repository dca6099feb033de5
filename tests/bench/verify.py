"""Verifying the whole ledger against reading its texts and hashing each once. EVENTS=1000000 for a large one.

uv run python -m tests.bench verify
"""

from __future__ import annotations

from tests.bench import _ledger


def run() -> dict[str, float]:
    return _ledger.ask("verify")
