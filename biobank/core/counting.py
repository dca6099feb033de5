"""A count: what was read in a box beside what the ledger says, place by place.

Promises: pure comparison; every tube that was read or expected gets one word of `WORDS`, none twice. A place
that was not read is no difference: who scans tubes without places can find what is missing, not what is
exchanged.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from biobank.core import codes
from biobank.core.grid import Grid, Slot
from biobank.core.rack import empty, listed, unread
from custody.core.refusal import Refused

FOUND, WRONG_PLACE, NOT_FOUND, EXTRA, UNREADABLE = (
    "found", "wrong_place", "not_found", "extra", "unreadable",
)  # fmt: skip
WORDS = {
    FOUND: "found", WRONG_PLACE: "wrong place", NOT_FOUND: "not found", EXTRA: "extra",
    UNREADABLE: "unreadable",
}  # fmt: skip


@dataclass(frozen=True)
class Read:
    """One reading: a tube (empty: a label that nobody could read) and, when it was told, its slot."""

    tube: str
    slot: Slot | None = None


@dataclass(frozen=True)
class Line:
    """What became of one tube (empty: one that nobody could read). slot: where it was read."""

    word: str
    tube: str
    slot: Slot | None = None
    says: Slot | None = None  # where in this box the ledger has it


@dataclass(frozen=True)
class Outcome:
    """All lines of a count. The rate is found by all that are here or should be."""

    lines: tuple[Line, ...]

    def of(self, *words: str) -> list[Line]:
        return [one for one in self.lines if one.word in words]

    def number(self, word: str) -> int:
        return len(self.of(word))

    @property
    def misses(self) -> int:
        return len(self.of(WRONG_PLACE, NOT_FOUND, EXTRA))


def compare(expected: Mapping[str, Slot | None], reads: Iterable[Read]) -> Outcome:
    """`expected`: tubes of the box in the ledger and their slots. The last reading of a tube counts.

    A label that cannot be read in the slot of an expected tube that was not read is taken for that tube.
    """
    tubes: dict[str, Read] = {}
    blurred = [one for one in reads if not (one.tube and _keep(tubes, one))]
    lines = [_named(one, expected) for one in tubes.values()]
    left = {slot: tube for tube, slot in expected.items() if slot and tube not in tubes}
    for one in blurred:
        taken = left.pop(one.slot, "") if one.slot else ""
        lines.append(Line(UNREADABLE, taken, one.slot, one.slot if taken else None))
    seen = {one.tube for one in lines}
    lines += [Line(NOT_FOUND, tube, None, slot) for tube, slot in expected.items() if tube not in seen]
    return Outcome(tuple(lines))


def _keep(tubes: dict[str, Read], one: Read) -> bool:
    tubes[one.tube] = one
    return True


def _named(one: Read, expected: Mapping[str, Slot | None]) -> Line:
    if one.tube not in expected:
        return Line(EXTRA, one.tube, one.slot)
    says = expected[one.tube]
    elsewhere = one.slot is not None and says is not None and one.slot != says
    return Line(WRONG_PLACE if elsewhere else FOUND, one.tube, one.slot, says)


def rate(found: int, expected: int, extra: int) -> float | None:
    """Found by expected and extra together, 0 to 1; None when there was nothing to find."""
    return found / (expected + extra) if expected + extra else None


def scanned(text: str, grid: Grid) -> Read:
    """One scan: a tube, `?` for a label that cannot be read, either with a slot before or after it; or a slot
    alone (a Read without tube and with its slot: the slot of the next tube). Refused: code_malformed,
    code_check_digit, set_where_tube, slot_unknown."""
    plain = text.strip()
    if plain_tube(plain):
        return Read(_tube(plain))
    if slot := _slot(plain, grid):
        return Read("", slot)
    for tube, place in _pairs(plain):
        if plain_tube(tube):
            return Read(_tube(tube), grid.parse(place))
    return Read(codes.tube(plain))


def alone(text: str, grid: Grid) -> bool:
    """Whether this is a slot and nothing else."""
    return not codes.is_valid(text) and _slot(text.strip(), grid) is not None


def _pairs(text: str) -> list[tuple[str, str]]:
    """The ways to take a text apart into tube and slot: slot last, slot first."""
    last = re.fullmatch(r"(.+?)[\s,;]+(\S+)", text)
    first = re.fullmatch(r"(\S+?)[\s,;]+(.+)", text)
    return [(one[1].strip(" ,;"), one[2]) for one in [last] if one] + [
        (one[2].strip(" ,;"), one[1]) for one in [first] if one
    ]


def plain_tube(text: str) -> bool:
    return unread(text) or codes.is_valid(text)


def _tube(text: str) -> str:
    return "" if unread(text) else codes.tube(text)


def _slot(text: str, grid: Grid) -> Slot | None:
    try:
        return grid.parse(text)
    except Refused:
        return None


def rack(text: str, grid: Grid) -> list[Read]:
    """The list of a rack reader (see `biobank.core.rack.listed`), which must be right as a whole.

    Places without a tube (empty, `no tube`, `-`) are left out, `no read` is a label that cannot be read; a
    first line of headings is passed over. Refused (naming the line): slot_unknown, slot_twice, tube_twice,
    the codes of a tube; and rack_empty.
    """
    found: list[Read] = []
    for number, spot in listed(text, grid):
        if (spot.wrong and not unread(spot.text)) or spot.slot is None:
            raise Refused(spot.wrong, f"Line {number}: {spot.sentence}")
        if not empty(spot.text):
            read = Read(spot.code, spot.slot)
            _once(number, read, found, grid)
            found.append(read)
    if not found:
        raise Refused("rack_empty", "There is no tube in this list.")
    return found


def _once(number: int, read: Read, found: Iterable[Read], grid: Grid) -> None:
    for one in found:
        if one.slot == read.slot and read.slot:
            raise Refused("slot_twice", f"Line {number}: {grid.name(*read.slot)} stands in the list twice.")
        if one.tube == read.tube != "":
            raise Refused("tube_twice", f"Line {number}: {codes.show(read.tube)} stands in the list twice.")
