"""What a rack reader wrote: which code lay in which position, as a table of a file (`read`) or as lines of a
plain list (`listed`). The one place that knows how readers say `nothing here` and `cannot read it`.

Promises: nothing is guessed and nothing is dropped silently; each position of the file becomes one Spot, with
a code or with what is wrong with it. Positions are read in one stated convention: A5 and E1 are different
slots in a box with letters for rows and in one with letters for columns.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from biobank.core import codes
from biobank.core.grid import Grid, Slot
from custody.core.refusal import Refused

# headings that readers write, without signs and capitals: common practice, no source
HEADS = {
    "position": "position pos well wellposition wellid location slot place cell coordinate tubeposition",
    "row": "row tuberow rowid",
    "col": "column col tubecolumn columnid",
    "code": "code barcode tubecode tubebarcode tubeid tube id 2dcode 2dbarcode datamatrix decodedtext",
}
EMPTY = {"", "NOTUBE", "EMPTY", "NONE", "NULL"}
UNREAD = {"NOREAD", "READERROR", "ERROR", "FAIL", "FAILED", "UNREADABLE", "NOCODE", "NR"}


@dataclass(frozen=True)
class Spot:
    """One position. code is empty and `wrong` says why, when there is a tube that nobody can name; both are
    empty for a position without a tube."""

    position: str
    text: str
    slot: Slot | None = None
    code: str = ""
    wrong: str = ""
    sentence: str = ""


def read(columns: Sequence[str], rows: Iterable[Mapping[str, str]], grid: Grid) -> list[Spot]:
    """The spots of a table, in its order, without empty positions. `grid` names positions as the file does.

    A file without headings is known by its first line, which then is a position and a code.
    Refused: rack_columns.
    """
    lines = [{name: str(cell) for name, cell in row.items()} for row in rows]
    head = _columns(columns)
    if head is None and len(columns) >= 2 and _is_slot(grid, columns[0]):
        lines.insert(0, {name: name for name in columns})
        head = {"position": columns[0], "code": columns[1]}
    if head is None:
        raise Refused(
            "rack_columns",
            "The file needs a column with the position (or row and column) and one with the code; found are: "
            f"{', '.join(columns)[:120]}.",
        )
    spots = [_spot(_position(head, line, grid), line.get(head["code"], ""), grid) for line in lines]
    return repeated([spot for spot in spots if not empty(spot.text)])


def listed(text: str, grid: Grid) -> Iterator[tuple[int, Spot]]:
    """The spots of a plain list with the numbers of their lines, empty positions among them.

    A position and a code a line, in either order, with comma, semicolon, tab or space; empty lines and a
    first line of headings are passed over. Whether something stands in it twice is for who asks.
    """
    for number, line in enumerate(text.splitlines(), 1):
        if line.strip() and not (number == 1 and _is_heading(line, grid)):
            yield number, _spot(*_turned(line, grid), grid)


def empty(text: str) -> bool:
    """Whether a reader says by this that there is no tube."""
    return not unread(text) and _plain(text) in EMPTY


def unread(text: str) -> bool:
    """Whether a reader, or a person, says by this that there is a tube and no code."""
    return set(text.strip()) == {"?"} or _plain(text) in UNREAD


def _cells(line: str) -> list[str]:
    parts = [one.strip().strip('"').strip() for one in re.split(r"[,;\t]", line.strip())]
    return parts if len(parts) > 1 else [*line.split(maxsplit=1), ""][:2]


def _is_heading(line: str, grid: Grid) -> bool:
    return all(not _is_slot(grid, one) and not codes.is_valid(one) for one in _cells(line))


def _turned(line: str, grid: Grid) -> tuple[str, str]:
    """Position, then code."""
    first, second = _cells(line)[:2]
    code_first = codes.is_valid(first) or ((unread(first) or empty(first)) and _is_slot(grid, second))
    return (second, first) if code_first else (first, second)


def _columns(columns: Sequence[str]) -> dict[str, str] | None:
    found: dict[str, str] = {}
    for name in columns:
        for what, words in HEADS.items():
            if re.sub(r"[^a-z0-9]", "", name.lower()) in words.split():
                found.setdefault(what, name)
    place = "position" in found or {"row", "col"} <= set(found)
    return found if place and "code" in found else None


def _position(head: Mapping[str, str], line: Mapping[str, str], grid: Grid) -> str:
    if "position" in head:
        return line.get(head["position"], "").strip()
    row, col = line.get(head["row"], "").strip(), line.get(head["col"], "").strip()
    if row.isdigit() and col.isdigit() and 1 <= int(row) <= grid.rows and 1 <= int(col) <= grid.cols:
        return grid.name(int(row), int(col))
    return col + row if grid.naming == "AC" else row + col


def _spot(position: str, text: str, grid: Grid) -> Spot:
    try:
        slot = grid.parse(position)
    except Refused as no:
        return Spot(position, text, wrong=no.code, sentence=no.sentence)
    if empty(text):
        return Spot(position, text, slot)
    if unread(text):
        return Spot(position, text, slot, wrong="no_read", sentence="The reader saw a tube, but no code.")
    try:
        return Spot(position, text, slot, codes.tube(text))
    except Refused as no:
        return Spot(position, text, slot, wrong=no.code, sentence=no.sentence)


def repeated(spots: Sequence[Spot]) -> list[Spot]:
    """The same spots; those that claim one slot, or one tube, twice have neither."""
    slots = [spot.slot for spot in spots if spot.slot]
    tubes = [spot.code for spot in spots if spot.code]

    def judged(spot: Spot) -> Spot:
        if spot.slot and slots.count(spot.slot) > 1:
            sentence = f"Position {spot.position} stands in the file more than once."
            return replace(spot, code="", wrong="position_repeated", sentence=sentence)
        if spot.code and tubes.count(spot.code) > 1:
            sentence = f"{codes.show(spot.code)} stands in the file more than once."
            return replace(spot, code="", wrong="tube_repeated", sentence=sentence)
        return spot

    return [judged(spot) for spot in spots]


def _is_slot(grid: Grid, text: str) -> bool:
    try:
        grid.parse(text)
    except Refused:
        return False
    return True


def _plain(text: str) -> str:
    return re.sub(r"[^A-Z0-9]", "", text.upper())
