"""When blood is short: what is filled next, which tube is no longer of use, which aliquots fall away.

Promises: pure, whole microlitres. The ranking, and below which fill a tube is flagged or void, are the plan's
data and never ours: no published ranking for live health assessments was found, so each plan carries its own.
Nothing is forbidden here: this is an offer to the person at the needle.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

FULL, SHORT, FLAG, VOID, NOTHING = "full", "short", "flag", "void", "nothing"
USED = {FULL, SHORT}

# Serum or plasma that comes out of blood: 5 mL for each 2 mL, Northern Light laboratory, page on
# centrifuging, read in full. For people; divers have more cells, so expect less.
YIELD_PCT = 40
LIQUID, CELLS = {"SER", "PL1"}, {"BUF", "CEL"}


@dataclass(frozen=True)
class Rung:
    """A tube that takes blood.

    ul  volume when full; priority  1 is filled first when blood is short; order  of draw, where two are alike
    short_rule  accept, flag or void: what becomes of it below least_pct percent (None: below full)
    """

    key: str
    label: str
    ul: int
    priority: int
    order: int = 0
    short_rule: str = "accept"
    least_pct: int | None = None

    @property
    def least_ul(self) -> int:
        """The smallest fill that its rule lets pass, rounded up; 1 µL where any fill will do."""
        if self.short_rule == "accept":
            return 1
        return -(-self.ul * (100 if self.least_pct is None else self.least_pct) // 100)


@dataclass(frozen=True)
class Offer:
    """What a tube can still have. word: full; short (of use all the same); flag; void; nothing (is left)."""

    rung: Rung
    ul: int
    word: str


def ladder(rungs: Iterable[Rung]) -> list[Rung]:
    """By the plan's priority, then in order of draw."""
    return sorted(rungs, key=lambda one: (one.priority, one.order, one.key))


def cumulative(rungs: Iterable[Rung]) -> list[tuple[Rung, int]]:
    """Each rung with the blood that it takes to fill it and all above it, µL."""
    total, found = 0, []
    for one in ladder(rungs):
        total += one.ul
        found.append((one, total))
    return found


def judge(rung: Rung, ul: int) -> str:
    """What a fill of so many µL is by the plan's rule: full, short, flag, void; nothing for 0 or less."""
    if ul <= 0:
        return NOTHING
    if ul >= rung.ul:
        return FULL
    return SHORT if ul >= rung.least_ul else {"flag": FLAG, "void": VOID}[rung.short_rule]


def offers(rungs: Iterable[Rung], left_ul: int | None) -> list[Offer]:
    """What to fill next with what is left, down the ladder. None: nobody knows how much is left.

    A tube that would be flagged or void takes nothing from what is left: a lower one that it serves comes
    first, and the person decides. Below 1 µL everything is `nothing`.
    """
    left, found = left_ul, []
    for one in ladder(rungs):
        ul = one.ul if left is None else max(0, min(one.ul, left))
        word = judge(one, ul)
        found.append(Offer(one, ul, word))
        if left is not None and word in USED:
            left -= ul
    return found


@dataclass(frozen=True)
class Piece:
    """Aliquots of one kind, planned from a tube. priority 1 is given up last; reserve: kept back."""

    matrix: str
    ul: int
    count: int
    priority: int = 1
    reserve: bool = False
    purpose: str = ""


@dataclass(frozen=True)
class Kept:
    """How many of a piece's aliquots a fill gives, and how many fall away.

    part_ul  the one reserve that is always kept, when even it is not full; else None
    """

    piece: Piece
    kept: int
    part_ul: int | None = None

    @property
    def lost(self) -> int:
        return self.piece.count - self.kept


def kept(ul: int, pieces: Sequence[Piece]) -> list[Kept]:
    """Which aliquots so many µL of blood give, in the order of `pieces`.

    One reserve comes first, whatever its priority and even when it is not full; then those of the best
    priority; what does not fit is skipped, so the lowest are given up first. 0 µL gives none. Serum and
    plasma are expected to be YIELD_PCT of the blood, cells the rest, whole blood all of it, without loss.
    A plan that takes both whole blood and its parts from one tube must leave room for that itself.
    """
    rooms = {"liquid": max(0, ul) * YIELD_PCT // 100, "whole": max(0, ul)}
    rooms["cells"] = rooms["whole"] - rooms["liquid"]
    taken, part = [0] * len(pieces), dict[int, int]()
    for place, is_first in _by_rank(pieces):
        room = _room(pieces[place])
        ul_each = min(pieces[place].ul, rooms[room]) if is_first else pieces[place].ul
        if not 0 < ul_each <= rooms[room]:
            continue
        rooms[room] -= ul_each
        taken[place] += 1
        if ul_each < pieces[place].ul:
            part[place] = ul_each
    return [Kept(one, taken[place], part.get(place)) for place, one in enumerate(pieces)]


def _room(piece: Piece) -> str:
    return "liquid" if piece.matrix in LIQUID else "cells" if piece.matrix in CELLS else "whole"


def _by_rank(pieces: Sequence[Piece]) -> Iterator[tuple[int, bool]]:
    """Each single aliquot by the place of its piece; true for the one reserve that is always kept."""
    places = sorted(range(len(pieces)), key=lambda place: (pieces[place].priority, place))
    first = next((place for place in places if pieces[place].reserve), None)
    if first is not None:
        yield first, True
    for place in places:
        for _ in range(pieces[place].count - (place == first)):
            yield place, False
