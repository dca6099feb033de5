"""Slots of a box: rows and columns from 1, and what the box itself calls them.

Promises: `parse` undoes `name`, in every convention; `all` and `next_free` go in the order in which the box
counts. Any shape up to 26 rows or columns keeps single letters: a plate of 16 x 24 has rows A to P, no letter
skipped. A cane is a box of one column, whose places are counted from the top.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Set
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from custody.core.refusal import Refused

Slot = tuple[int, int]
Naming = Literal["A1", "1-81", "down", "AC"]
# the words with which a page says it; stored are the keys
NAMINGS: dict[str, str] = {
    "A1": "A1, A2, …: letters for rows",
    "1-81": "1, 2, … row by row",
    "down": "1, 2, … column by column",
    "AC": "A1, A2, …: letters for columns",
}


@dataclass(frozen=True)
class Grid:
    """A box of `rows` times `cols`; naming is one of NAMINGS."""

    rows: int
    cols: int
    naming: Naming = "A1"

    def name(self, row: int, col: int) -> str:
        """What the box calls a slot; ValueError outside of it."""
        if not (1 <= row <= self.rows and 1 <= col <= self.cols):
            raise ValueError(f"no slot at row {row}, column {col}")
        match self.naming:
            case "1-81":
                return str((row - 1) * self.cols + col)
            case "down":
                return str((col - 1) * self.rows + row)
            case "AC":
                return f"{_letters(col)}{row}"
        return f"{_letters(row)}{col}"

    def parse(self, text: str) -> Slot:
        """Row and column of a typed slot; Refused `slot_unknown` when the box has no such slot."""
        if slot := _names(self).get(_plain(text)):
            return slot
        raise Refused(
            "slot_unknown",
            f"This box has no slot “{text.strip()[:12]}”; it goes from {self.name(1, 1)} to "
            f"{self.name(self.rows, self.cols)}.",
        )

    def all(self) -> Iterator[Slot]:
        """Every slot in the order in which the box counts: along its letters or numbers."""
        rows, cols = range(1, self.rows + 1), range(1, self.cols + 1)
        if self.naming in ("down", "AC"):
            return ((row, col) for col in cols for row in rows)
        return ((row, col) for row in rows for col in cols)

    def next_free(self, taken: Set[Slot]) -> Slot | None:
        """The first slot that is not taken; None when the box is full."""
        return next((slot for slot in self.all() if slot not in taken), None)

    def free_from(self, start: Slot, taken: Set[Slot]) -> list[Slot]:
        """The slots that are not taken, from this one on, in the order in which the box counts."""
        order = list(self.all())
        return [slot for slot in order[order.index(start) :] if slot not in taken]

    @property
    def row_heads(self) -> list[str]:
        """What stands beside each row: its letter or number; empty where slots are numbered through."""
        return _heads(self.rows, self.naming == "A1", self.naming == "AC")

    @property
    def col_heads(self) -> list[str]:
        """What stands above each column, likewise."""
        return _heads(self.cols, self.naming == "AC", self.naming == "A1")


def _heads(many: int, letters: bool, numbers: bool) -> list[str]:
    return [_letters(n) if letters else str(n) if numbers else "" for n in range(1, many + 1)]


@lru_cache(maxsize=64)
def _names(grid: Grid) -> dict[str, Slot]:
    return {grid.name(*slot): slot for slot in grid.all()}


def _letters(row: int) -> str:
    return chr(64 + row) if row <= 26 else chr(64 + (row - 1) // 26) + chr(65 + (row - 1) % 26)


def _plain(text: str) -> str:
    """`a01` and `007` as the box writes them."""
    found = re.fullmatch(r"([A-Z]*)0*([0-9]+)", text.strip().upper())
    return f"{found[1]}{found[2]}" if found else ""
