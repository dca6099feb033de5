"""Which logger, or which set point, governs a unit at each moment.

A unit's own placements come first; in the remaining time its parent's answer at that moment holds, and so
on up the tree. The set point is that of the nearest unit that has one. The two are found apart: a box
without either takes the logger of its rack and the set point of its freezer.

Promises: pure; the pieces of a timeline cover all time without overlap; a unit that stands in itself by
a mistaken move is treated as a top, never as an endless loop.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from custody.core.state import UnitStay

ALWAYS = -(1 << 62)
NEVER = 1 << 62
FROZEN, COLD = -1800, 1000  # hundredths of °C: frozen up to -18, cold up to 10, ambient above or unknown


@dataclass(frozen=True)
class Piece:
    """From start to end (UTC ms): the governing logger's id, and the set point in hundredths of °C."""

    start: int
    end: int
    logger: int | None
    nominal: int | None

    def within(self, start: int, end: int) -> Piece | None:
        a, b = max(self.start, start), min(self.end, end)
        return Piece(a, b, self.logger, self.nominal) if a < b else None


@dataclass(frozen=True)
class Placed:
    """A logger governs a unit from start to end."""

    start: int
    end: int
    logger: int


def class_of(nominal: int | None) -> str:
    """`frozen`, `cold` or `ambient`, by set point."""
    if nominal is None or nominal > COLD:
        return "ambient"
    return "frozen" if nominal <= FROZEN else "cold"


@dataclass
class Tree:
    """Units, where they stood, their set points and their loggers; answers are kept.

    stays, nominals, placed: by unit code. A unit not in them stands nowhere and has nothing.
    """

    stays: Mapping[str, Sequence[UnitStay]]
    nominals: Mapping[str, int | None]
    placed: Mapping[str, Sequence[Placed]]
    _known: dict[str, list[Piece]] = field(default_factory=dict)
    _open: set[str] = field(default_factory=set)

    def timeline(self, unit: str) -> list[Piece]:
        """All of time, in pieces."""
        if unit in self._known:
            return self._known[unit]
        if unit in self._open:
            return [Piece(ALWAYS, NEVER, None, None)]
        self._open.add(unit)
        pieces = self._above(unit)
        self._open.discard(unit)
        if (own := self.nominals.get(unit)) is not None:
            pieces = [Piece(p.start, p.end, p.logger, own) for p in pieces]
        for placed in self.placed.get(unit, ()):
            pieces = list(_overlay(pieces, placed))
        self._known[unit] = merged(pieces)
        return self._known[unit]

    def _above(self, unit: str) -> list[Piece]:
        """What the parents say, moment by moment; nothing where the unit stood in nothing."""
        found, clock = [], ALWAYS
        for stay in self.stays.get(unit, ()):
            start, end = max(stay.start_ms, clock), NEVER if stay.end_ms is None else stay.end_ms
            if start >= end:
                continue
            found.append(Piece(clock, start, None, None))
            found += self.over(stay.parent, start, end)
            clock = end
        found.append(Piece(clock, NEVER, None, None))
        return [piece for piece in found if piece.start < piece.end]

    def over(self, unit: str | None, start: int, end: int) -> list[Piece]:
        """The timeline of one unit, cut to a stretch."""
        if unit is None:
            return [Piece(start, end, None, None)] if start < end else []
        cut = (piece.within(start, end) for piece in self.timeline(unit))
        return [piece for piece in cut if piece]


def _overlay(pieces: Iterable[Piece], placed: Placed) -> Iterable[Piece]:
    for piece in pieces:
        for start, end, logger in (
            (piece.start, min(piece.end, placed.start), piece.logger),
            (max(piece.start, placed.start), min(piece.end, placed.end), placed.logger),
            (max(piece.start, placed.end), piece.end, piece.logger),
        ):
            if start < end:
                yield Piece(start, end, logger, piece.nominal)


def merged(pieces: Iterable[Piece]) -> list[Piece]:
    """Neighbours that say the same become one."""
    found: list[Piece] = []
    for piece in sorted(pieces, key=lambda p: p.start):
        last = found[-1] if found else None
        if last and last.end == piece.start and (last.logger, last.nominal) == (piece.logger, piece.nominal):
            found[-1] = Piece(last.start, piece.end, last.logger, last.nominal)
        else:
            found.append(piece)
    return found
