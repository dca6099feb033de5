"""The picture of a box: a grid of cells that say what is in each slot, how old it is, and what is odd.

Promises: one query however full the box is; each cell says in words all that its sign and place say.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from biobank.models import Unit
from biobank.store.queries import Place
from custody import queries as ledger
from custody.core.state import TubeState

DAY_MS = 86_400_000


@dataclass(frozen=True)
class Cell:
    """One slot. marks: names of signs, `disputed` and `reserved`; age of the draw, in words."""

    name: str
    tube: str = ""
    href: str = ""
    marks: tuple[str, ...] = ()
    current: bool = False
    matrix: str = ""
    age: str = ""

    @property
    def mark(self) -> str:
        """The sign that fits into the cell; the words say all of them."""
        return self.marks[0] if self.marks else ""


@dataclass(frozen=True)
class Line:
    head: str
    cells: list[Cell]


def age(drawn_ms: int | None, now_ms: int) -> str:
    """Whole days up to 59, then months of 30.4 days up to 23, then years; empty when not known."""
    if drawn_ms is None or drawn_ms > now_ms:
        return ""
    days = (now_ms - drawn_ms) // DAY_MS
    if days < 60:
        return f"{days} d"
    months = int(days / 30.4375)
    return f"{months} mo" if months < 24 else f"{months // 12} y"


def drawn_of(states: Iterable[TubeState]) -> dict[str, int | None]:
    """When what is in each tube was drawn; an aliquot is as old as what it was made from. 1 query."""
    some = list(states)
    parents = {state.parent for state in some if state.drawn_ms is None and state.parent}
    drawn = {one.tube: one.drawn_ms for one in ledger.find(tube__in=sorted(parents))}
    return {one.tube: one.drawn_ms or drawn.get(one.parent or "") for one in some}


def box_map(
    unit: Unit,
    tubes: Iterable[Place],
    tube_href: str,
    slot_href: str,
    looked_at: Iterable[str] = (),
    now_ms: int = 0,
) -> list[Line]:
    """The lines of a box. The hrefs hold `{tube}` and `{slot}`; an empty one makes no link."""
    grid, seen, places = unit.grid, set(looked_at), list(tubes)
    drawn = drawn_of(place.state for place in places)
    held: dict[str, list[TubeState]] = {}
    for place in places:
        held.setdefault(place.slot, []).append(place.state)

    def cell(row: int, col: int) -> Cell:
        name = grid.name(row, col)
        states = held.get(name)
        if not states:
            return Cell(name, href=slot_href.format(slot=name) if slot_href else "")
        one = states[0]
        href = tube_href.format(tube=one.tube) if tube_href else ""
        return Cell(
            name, one.tube, href, _marks(states), one.tube in seen, one.matrix,
            age(drawn.get(one.tube), now_ms),
        )  # fmt: skip

    heads = grid.row_heads
    return [
        Line(heads[row - 1], [cell(row, col) for col in range(1, grid.cols + 1)])
        for row in range(1, grid.rows + 1)
    ]


def _marks(states: list[TubeState]) -> tuple[str, ...]:
    one = states[0]
    disputed = one.contested or len(states) > 1 or one.disputes
    return tuple(name for name, so in [("disputed", disputed), ("reserved", one.reserved)] if so)
