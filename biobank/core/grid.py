"""Slots of a box: rows and columns from 1, and what the box itself calls them.

Promises: `parse` undoes `name`, in either convention.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Set
from dataclasses import dataclass
from typing import Literal

from custody.core.refusal import Refused

Slot = tuple[int, int]


@dataclass(frozen=True)
class Grid:
    """A box of `rows` times `cols`. naming "A1": row letters and column numbers; "1-81": row by row."""

    rows: int
    cols: int
    naming: Literal["A1", "1-81"] = "A1"

    def name(self, row: int, col: int) -> str:
        """What the box calls a slot; ValueError outside of it."""
        if not (1 <= row <= self.rows and 1 <= col <= self.cols):
            raise ValueError(f"no slot at row {row}, column {col}")
        return f"{_letters(row)}{col}" if self.naming == "A1" else str((row - 1) * self.cols + col)

    def parse(self, text: str) -> Slot:
        """Row and column of a typed slot; Refused `slot_unknown` when the box has no such slot."""
        for slot in self.all():
            if self.name(*slot) == _plain(text):
                return slot
        raise Refused(
            "slot_unknown",
            f"This box has no slot “{text.strip()[:12]}”; it goes from {self.name(1, 1)} to "
            f"{self.name(self.rows, self.cols)}.",
        )

    def all(self) -> Iterator[Slot]:
        """Every slot, row by row."""
        return ((row, col) for row in range(1, self.rows + 1) for col in range(1, self.cols + 1))

    def next_free(self, taken: Set[Slot]) -> Slot | None:
        """The first slot that is not taken; None when the box is full."""
        return next((slot for slot in self.all() if slot not in taken), None)


def _letters(row: int) -> str:
    return chr(64 + row) if row <= 26 else chr(64 + (row - 1) // 26) + chr(65 + (row - 1) % 26)


def _plain(text: str) -> str:
    """`a01` and `007` as the box writes them."""
    found = re.fullmatch(r"([A-Z]*)0*([0-9]+)", text.strip().upper())
    return f"{found[1]}{found[2]}" if found else ""
