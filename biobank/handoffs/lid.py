"""The sheet for the lid of a box: what is in it and how many, to be read at arm's length and by a scanner.

Promises: one page (A5, or A4 for a large box) for each box of a handoff, and one for loose tubes; the number
in its square is the number on the page. No place where an animal was, no animal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.safestring import SafeString

from biobank.amend.queries import names
from biobank.core.places import WORDS, class_of
from biobank.core.sheet import POINT
from biobank.handoffs.custody_words import NONE, Party, party, seal_of, when_zone
from biobank.handoffs.manifest import NOT_PLANNED, hazard, slot
from biobank.handoffs.paper import drawn, pdf, qr
from biobank.handoffs.queries import Handoff
from biobank.labels import symbols
from biobank.models import Unit
from biobank.store import classes
from custody.core.refusal import Refused

LOOSE = "loose"
FORM = "LID1"  # what the square holds: LID1:id of the handoff:code of the box:count
ROWS, COLS = 10, 12  # of a map that goes on A5; a larger one needs A4
HIGH = {False: 54.0, True: 138.0}  # mm that the rest of a page leaves for a map, on A5 and on A4
MOST = {False: 6.2, True: 10.0}  # mm, of a cell


@dataclass(frozen=True)
class Cell:
    """A place of the map. tube: its code, or empty."""

    name: str
    tube: str


@dataclass(frozen=True)
class Lid:
    """One page. box: empty for the loose tubes; grid: rows of the map, or none."""

    box: str
    what: str
    count: int
    cold: str
    n: int
    of: int
    square: str
    grid: Sequence[Sequence[Cell]]

    @property
    def large(self) -> bool:
        """Whether it is an A4 page."""
        return len(self.grid) > ROWS or any(len(line) > COLS for line in self.grid)

    @property
    def cell_mm(self) -> float:
        return round(min(MOST[self.large], HIGH[self.large] / max(1, len(self.grid))), 2)

    @property
    def points(self) -> float:
        """Three lines to a cell, and nine letters' width to spare."""
        wide = (190 if self.large else 128) / max(1, len(self.grid[0]) if self.grid else 1)
        return round(min(self.cell_mm / 3.5, wide / 3.4) * POINT, 2)

    @property
    def symbol(self) -> SafeString:
        """The code of the box, for a scanner."""
        return drawn(symbols.small_qr(self.box), 4) if self.box else SafeString()

    @property
    def square_symbol(self) -> SafeString:
        return qr(self.square)


def lids(one: Handoff, box: str | None = None) -> list[Lid]:
    """All of them, or that of one box (`loose`: of the tubes that go by themselves).

    Refused `box_not_on_handoff`. 2 queries.
    """
    lines: dict[str, list[Mapping[str, Any]]] = {}
    for line in one.said.lines:
        if "t" in line:
            lines.setdefault(line.get("box", ""), []).append(line)
    wanted = None if box is None else "" if box == LOOSE else box
    if wanted is not None and wanted not in lines:
        raise Refused("box_not_on_handoff", f"No tube of this handoff is in {box}.", box or "")
    units = Unit.objects.in_bulk([code for code in lines if code], field_name="code")
    targets = classes.targets(one.tubes)
    codes = sorted(lines, key=lambda code: (not code, code))
    return [
        _lid(one, code, lines[code], units.get(code), targets, codes.index(code) + 1, len(codes))
        for code in codes
        if wanted in {None, code}
    ]


def _lid(
    one: Handoff, box: str, lines: Sequence[Mapping[str, Any]], unit: Unit | None,
    targets: Mapping[str, int | None], n: int, of: int,
) -> Lid:  # fmt: skip
    cold = {
        None if target is None else class_of(target) for target in (targets.get(line["t"]) for line in lines)
    }
    words = sorted({NOT_PLANNED if name is None else WORDS[name] for name in cold})
    return Lid(
        box, unit.word if unit else "box" if box else LOOSE, len(lines), ", ".join(words), n, of,
        f"{FORM}:{one.said.id.upper()}:{box or LOOSE.upper()}:{len(lines)}", _grid(lines, unit),
    )  # fmt: skip


def _grid(lines: Sequence[Mapping[str, Any]], unit: Unit | None) -> list[list[Cell]]:
    """The map of a box, when every tube in it has a place of its own there."""
    if unit is None or unit.kind != "box":
        return []
    at = {(line.get("row"), line.get("col")): str(line["t"]) for line in lines}
    inside = all(row and col and row <= unit.grid.rows and col <= unit.grid.cols for row, col in at)
    if not inside or len(at) < len(lines):
        return []
    return [
        [
            Cell(slot({"row": row, "col": col}, unit), at.get((row, col), ""))
            for col in range(1, unit.grid.cols + 1)
        ]
        for row in range(1, unit.grid.rows + 1)
    ]


def lid_pdf(one: Handoff, box: str | None = None) -> bytes:
    """Refused `box_not_on_handoff`."""
    header = one.header
    sides: tuple[Party, Party] = (party(header["org"]), party(header["data"]["to"]))
    return pdf("print/lid.html", {
        "one": one, "lids": lids(one, box), "giver": sides[0], "receiver": sides[1], "at": when_zone(header),
        "seal": seal_of(header, names()).number, "hazard": hazard(one),
        "word": "Shipment" if header["kind"] == "shipped" else "Handoff",
        "logger": header["data"].get("logger", NONE),
    })  # fmt: skip
