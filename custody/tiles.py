"""The log's hashes as they are stored, read in blocks of 256, so that a proof reads a few hundred rows.

Promises: reads only; what is stored is believed here, and `custody.verify` is what compares it. A tile that
is not there is worked out from what is under it.
"""

from __future__ import annotations

from custody.core import tree
from custody.models import Event, Tile


class Stored:
    """Hashes by level and number; each block is read once, so it is for one proof or one checkpoint."""

    def __init__(self) -> None:
        self._blocks: dict[tuple[int, int], dict[int, bytes]] = {}

    def tile(self, level: int, number: int) -> bytes:
        """The root over 256^level events; level 0 is an event's own hash. LookupError when one is missing."""
        found = self._block(level, number // tree.TILE).get(number)
        if found is None and level == 0:
            raise LookupError(f"event {number} is not in the ledger")
        if found is None:
            found = self._fold(level, number)
        return found

    def part(self, start: int, stop: int) -> bytes:
        """The root over these events, as proofs ask for it."""
        return tree.over(start, stop, self.tile)

    def missing(self, size: int) -> list[Tile]:
        """The tiles of a log of this size that are not stored yet, lower levels first."""
        found, level, many = [], 1, size // tree.TILE
        while many:
            first = _count(level)
            for number in range(first, many):
                made = self.tile(level, number)
                self._blocks[level, number // tree.TILE][number] = made
                found.append(Tile(level=level, idx=number, hash=made))
            level, many = level + 1, many // tree.TILE
        return found

    def _fold(self, level: int, number: int) -> bytes:
        first = number * tree.TILE
        return tree.root(self.tile(level - 1, one) for one in range(first, first + tree.TILE))

    def _block(self, level: int, block: int) -> dict[int, bytes]:
        if (level, block) not in self._blocks:
            self._blocks[level, block] = _read(level, block * tree.TILE)
        return self._blocks[level, block]


def _read(level: int, first: int) -> dict[int, bytes]:
    last = first + tree.TILE
    if level == 0:
        rows = Event.objects.filter(seq__gte=first, seq__lt=last).values_list("seq", "leaf")
    else:
        rows = Tile.objects.filter(level=level, idx__gte=first, idx__lt=last).values_list("idx", "hash")
    return {number: bytes(hashed) for number, hashed in rows}


def _count(level: int) -> int:
    """How many tiles of this level are stored; they are made in order, without gaps."""
    newest = Tile.objects.filter(level=level).order_by("-idx").values_list("idx", flat=True).first()
    return 0 if newest is None else newest + 1
