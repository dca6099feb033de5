"""A rack of tubes at once, from the file of a rack reader: looked at first, then put away in one act.

Promises: the same few queries for 1 tube and for 384; looking changes nothing; what was looked at is judged
again before it is written, and all of it is written or nothing.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from biobank.acting import Actor, act, perform_all
from biobank.bench.hands import named, not_in_hand, repeated
from biobank.core import codes
from biobank.core.grid import Grid, Naming, Slot
from biobank.core.rack import Spot, read
from biobank.imports.read import read_table
from biobank.models import Unit
from biobank.store.actions import known_unit
from biobank.store.classes import check_class, targets
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.state import TubeState
from custody.record import known


@dataclass(frozen=True)
class Line:
    """One position, and what becomes of it: `new`, `elsewhere` (it would move), `in_place`, or `wrong`."""

    spot: Spot
    word: str
    code: str = ""
    sentence: str = ""


@dataclass(frozen=True)
class Look:
    unit: Unit
    lines: list[Line]

    def of(self, word: str) -> list[Line]:
        return [line for line in self.lines if line.word == word]

    @property
    def wrong(self) -> list[Line]:
        return self.of("wrong")

    @property
    def new(self) -> list[Line]:
        return self.of("new")

    @property
    def moving(self) -> list[Line]:
        return self.of("elsewhere")

    @property
    def in_place(self) -> list[Line]:
        return self.of("in_place")

    @property
    def sorted(self) -> list[Line]:
        """What asks for somebody's eyes first, each kind in the order of the file."""
        return [*self.wrong, *self.moving, *self.new, *self.in_place]

    @property
    def text(self) -> str:
        """The rack as lines of position and code in the box's own naming, for the form that confirms it."""
        grid = self.unit.grid
        rows = [
            f"{grid.name(*line.spot.slot) if line.spot.slot else line.spot.position}\t"
            f"{line.spot.code or line.spot.text.strip() or 'NO READ'}"
            for line in self.lines
        ]
        return "\n".join(["position\tcode", *rows])


def box_for(text: str) -> Unit:
    """The box that this code names; Refused unit_unknown or not_a_box."""
    unit = known_unit(text)
    if unit.kind != "box":
        raise Refused("not_a_box", f"{unit.code} is a {unit.kind}, not a box.")
    return unit


def spots_in(content: bytes, unit: Unit, naming: str = "") -> list[Spot]:
    """The spots of a CSV or XLSX file. naming: how the file calls positions (empty: as the box does)."""
    grid = unit.grid
    if naming:
        grid = Grid(grid.rows, grid.cols, _naming(naming))
    table = read_table(content)
    for row in table.rows:
        if row.bad:  # a cell without a value would read as an empty position
            raise Refused(row.bad[0].code, f"Row {row.number}: {row.bad[0].sentence}")
    rows = [{name: str(cell) for name, cell in row.cells.items()} for row in table.rows]
    found = read(table.columns, rows, grid)
    if not found:
        raise Refused("no_tube", "There is no tube in this file.")
    return found


def _naming(text: str) -> Naming:
    known_names: dict[str, Naming] = {"A1": "A1", "1-81": "1-81", "down": "down", "AC": "AC"}
    return known_names[text]


def look(actor: Actor, unit: Unit, spots: Sequence[Spot]) -> Look:
    """What each spot would become. 2 queries."""
    states = ledger.states([spot.code for spot in spots if spot.code])
    held = {(one.row, one.col): one.tube for one in ledger.find(unit=unit.code, row__isnull=False)}
    leaving = {spot.code for spot in spots if spot.code}
    return Look(unit, [_judged(actor, unit, spot, states.get(spot.code), held, leaving) for spot in spots])


def _judged(
    actor: Actor, unit: Unit, spot: Spot, state: TubeState | None, held: dict[Any, str], leaving: set[str]
) -> Line:
    if spot.wrong:
        return Line(spot, "wrong", spot.wrong, spot.sentence)
    if no := not_in_hand(actor, state):
        return Line(spot, "wrong", *no)
    there = held.get(spot.slot)
    if there == spot.code:
        return Line(spot, "in_place")
    if there and there not in leaving:
        return Line(spot, "wrong", "slot_taken", f"The ledger has {codes.show(there)} in this slot.")
    if state is not None and state.status == "stored":
        return Line(spot, "elsewhere", "", _where(state, unit))
    return Line(spot, "new")


def _where(state: TubeState, unit: Unit) -> str:
    if state.unit == unit.code and state.row and state.col:
        return f"The ledger has it in {unit.grid.name(state.row, state.col)} of this box."
    return f"The ledger has it in {state.unit}."


def put_rack(
    actor: Actor,
    key: str,
    unit: Unit,
    spots: Sequence[Spot],
    *,
    others: bool = False,
    partly: bool = False,
    why: str = "",
    at: datetime | None = None,
) -> str:
    """One `put_away` event for all that are in hand and, if `others`, one `moved` event for all that the
    ledger has elsewhere; in one transaction. partly: leave out what is wrong.

    Refused: rack_incomplete, no_tube, wrong_temperature_class, and what the ledger refuses.
    """
    if known(key):
        repeated(actor, key, _kind(key))
        return key
    seen = look(actor, unit, spots)
    _complete(seen, others, partly)
    news, moving = seen.of("new"), seen.of("elsewhere") if others else []
    if not news and not moving:
        raise Refused("no_tube", "There is no tube in this rack that could be put away.")
    check_class(unit.code, targets([line.spot.code for line in [*news, *moving]]), why)
    data = {"note": why.strip()} if why.strip() else {}
    acts = [
        act(actor, kind, key=name, at=at, data=data, lines=_lines(unit, some))
        for kind, some, name in [("put_away", news, key), ("moved", moving, _second(key) if news else key)]
        if some
    ]
    try:
        perform_all(actor, acts[::-1])  # what moves makes room first
    except Refused as no:
        raise named(no) from no
    return key


def _kind(key: str) -> str:
    """What the first sending of this form wrote; only these two can be its own."""
    event = ledger.event(key)
    kind = str(event.header.get("kind")) if event else ""
    return kind if kind == "moved" else "put_away"


def _second(key: str) -> str:
    """The id of the other event of one act: always the same for the same form."""
    return str(uuid.uuid5(uuid.UUID(key), "moved"))


def _complete(seen: Look, others: bool, partly: bool) -> None:
    if seen.wrong and not partly:
        first = seen.wrong[0]
        raise Refused(
            "rack_incomplete",
            f"{len(seen.wrong)} of {len(seen.lines)} positions cannot be put away; the first is "
            f"{first.spot.position}: {first.sentence} Settle them, or tick that they are left out.",
        )
    if seen.of("elsewhere") and not others and not seen.of("new"):
        raise Refused("rack_incomplete", "The ledger has these tubes elsewhere. Tick that they move here.")


def _lines(unit: Unit, some: Sequence[Line]) -> list[dict[str, Any]]:
    def line(spot: Spot) -> dict[str, Any]:
        slot: Slot = spot.slot or (0, 0)
        return {"t": spot.code, "role": "subj", "unit": unit.code, "row": slot[0], "col": slot[1]}

    return [line(one.spot) for one in some]
