"""Which logger, or which set point, governs a unit at each moment.

A unit's own placements come first; in the remaining time its parent's answer at that moment holds, and so
on up the tree. The set point is that of the nearest unit that has one: a dated one at its time, else the
unit's undated one. The two are found apart: a box without either takes the logger of its rack and the set
point of its freezer.

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
# A sample is frozen below the first, thawed above the second. Common practice, no source
FREEZE, THAW = -500, 0


@dataclass(frozen=True)
class Piece:
    """From start to end (UTC ms): the governing logger's id, and the set point in hundredths of °C."""

    start: int
    end: int
    logger: int | None
    nominal: int | None
    kind: str = ""

    def within(self, start: int, end: int) -> Piece | None:
        a, b = max(self.start, start), min(self.end, end)
        return Piece(a, b, self.logger, self.nominal, self.kind) if a < b else None


@dataclass(frozen=True)
class Placed:
    """A logger governs a unit from start to end."""

    start: int
    end: int
    logger: int


@dataclass(frozen=True)
class Kept:
    """A unit is kept at a temperature (hundredths of °C) from start to end."""

    start: int
    end: int
    nominal: int


def class_of(nominal: int | None, kind: str = "") -> str:
    """`frozen`, `cold` or `ambient`, by set point; without one by what it stands in, if that is known."""
    if nominal is None:
        return kind or "ambient"
    if nominal > COLD:
        return "ambient"
    return "frozen" if nominal <= FROZEN else "cold"


@dataclass
class Tree:
    """Units, where they stood, their set points and their loggers; answers are kept.

    stays, nominals, placed, kept: by unit code. A unit not in them stands nowhere and has nothing.
    nominals: undated; kept: dated, which count before it in their time. kinds: `frozen` or `cold` for a unit
    that is a freezer, a tank or a fridge, whatever its set point.
    """

    stays: Mapping[str, Sequence[UnitStay]]
    nominals: Mapping[str, int | None]
    placed: Mapping[str, Sequence[Placed]]
    kept: Mapping[str, Sequence[Kept]] = field(default_factory=dict)
    kinds: Mapping[str, str] = field(default_factory=dict)
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
        own, kind = self.nominals.get(unit), self.kinds.get(unit, "")
        if own is not None or kind:
            pieces = [
                Piece(p.start, p.end, p.logger, p.nominal if own is None else own, kind or p.kind)
                for p in pieces
            ]
        for one in (*self.kept.get(unit, ()), *self.placed.get(unit, ())):
            pieces = list(_overlay(pieces, one))
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


def _overlay(pieces: Iterable[Piece], one: Placed | Kept) -> Iterable[Piece]:
    for piece in pieces:
        changed = (one.logger, piece.nominal) if isinstance(one, Placed) else (piece.logger, one.nominal)
        said = (piece.logger, piece.nominal)
        for start, end, (logger, nominal) in (
            (piece.start, min(piece.end, one.start), said),
            (max(piece.start, one.start), min(piece.end, one.end), changed),
            (max(piece.start, one.end), piece.end, said),
        ):
            if start < end:
                yield Piece(start, end, logger, nominal, piece.kind)


def _said(piece: Piece) -> tuple[int | None, int | None, str]:
    return piece.logger, piece.nominal, piece.kind


def merged(pieces: Iterable[Piece]) -> list[Piece]:
    """Neighbours that say the same become one."""
    found: list[Piece] = []
    for piece in sorted(pieces, key=lambda p: p.start):
        last = found[-1] if found else None
        if last and last.end == piece.start and _said(last) == _said(piece):
            found[-1] = Piece(last.start, piece.end, *_said(piece))
        else:
            found.append(piece)
    return found
