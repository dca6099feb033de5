"""Folding every tube anew, and comparing, against reading all texts and hashing each. EVENTS=… as in verify.

uv run python -m tests.bench rebuild
"""

from __future__ import annotations

from tests.bench import _ledger


def run() -> dict[str, float]:
    return _ledger.ask("rebuild")
