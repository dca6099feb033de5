"""Out of the cold and back: from where something stood to when its exposure began and ended.

Promises: values only. Something is out from the moment at which it left a place whose set point keeps it
frozen until it comes into another such place; what was never in one is never out. Times in UTC milliseconds,
set points in hundredths of °C.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from biobank.core.places import RANK, class_of

FREEZING = RANK["frozen"]
MINUTE_MS = 60_000
FOREVER = 1 << 62
# minutes, when nobody has set other ones. Common practice, no source: a vial of 1 mL is small, and what comes
# from nitrogen warms fastest
LIMITS = {"frozen": 10, "deep": 5, "nitrogen": 2}
NO_SOURCE = "common practice, no source"
SOON = 4  # when a quarter of the limit is left; common practice, no source


@dataclass(frozen=True)
class Piece:
    """From start to end at this set point; None: in no unit, or in one that says none.

    passing  on its way to another agency: how cold it was then is for the handoff, so it counts as kept
    """

    start_ms: int
    end_ms: int
    centi: int | None
    passing: bool = False


@dataclass(frozen=True)
class Away:
    """Out from since_ms until until_ms (None: still), having been kept at this class."""

    since_ms: int
    until_ms: int | None
    band: str


def band_of(centi: int | None) -> str:
    """The class of a set point when it freezes; else empty."""
    name = "" if centi is None else class_of(centi)
    return name if name and RANK[name] >= FREEZING else ""


def aways(pieces: Iterable[Piece]) -> list[Away]:
    """Every time it was out, oldest first. No overlaps; in gaps, and after the last piece, in no unit."""
    found: list[Away] = []
    band, since = "", None  # the class it was kept at last; since when it has been out of it
    for piece in _filled(sorted(pieces, key=lambda one: one.start_ms)):
        if now := band if piece.passing else band_of(piece.centi):
            if since is not None:
                found.append(Away(since, piece.start_ms, band))
            band, since = now, None
        elif band and since is None:
            since = piece.start_ms
    return found if since is None else [*found, Away(since, None, band)]


def _filled(pieces: Sequence[Piece]) -> Iterator[Piece]:
    """The same with the gaps between them, and what comes after the last."""
    clock = pieces[0].start_ms if pieces else FOREVER
    for piece in pieces:
        if clock < piece.start_ms:
            yield Piece(clock, piece.start_ms, None)
        yield piece
        clock = piece.end_ms
    if clock < FOREVER:
        yield Piece(clock, FOREVER, None)


@dataclass(frozen=True)
class Limit:
    """How long it may be out, and who says so."""

    minutes: int
    source: str

    def left_ms(self, since_ms: int, now_ms: int) -> int:
        """What is left; below nought when it is over. At the limit itself it is not over yet."""
        return since_ms + self.minutes * MINUTE_MS - now_ms

    def over(self, since_ms: int, until_ms: int) -> bool:
        return self.left_ms(since_ms, until_ms) < 0

    def word(self, since_ms: int, now_ms: int) -> str:
        """late, soon or in time."""
        left = self.left_ms(since_ms, now_ms)
        if left < 0:
            return "late"
        return "soon" if left * SOON <= self.minutes * MINUTE_MS else "in time"
