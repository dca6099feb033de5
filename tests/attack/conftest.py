"""The ledger's own fixtures, for those who attack it."""

from tests.custody.conftest import address, drawn, say

__all__ = ["address", "drawn", "say"]
