"""Where tubes could go: the boxes with room in the class that the plan wants, siblings over two freezers.

Promises: a suggestion, kept nowhere; the same number of queries for any number of tubes and boxes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from biobank.core.places import WORDS, Room, candidates, class_of, in_one_device, split
from biobank.models import Unit
from biobank.store import queries
from biobank.store.classes import PASSING, set_point, targets
from custody import queries as ledger
from custody.core.state import TubeState

DEVICES = {"freezer", "tank", "fridge"}


@dataclass
class Proposal:
    """Tubes for one box, from its next free slots on."""

    unit: Unit
    device: str
    started: bool
    slot: str = ""
    tubes: list[str] = field(default_factory=list)


@dataclass
class Advice:
    """Where each tube could go.

    stored     these have a place already
    unplanned  no plan says how cold
    no_room    no box of the class has room; with the words of the class
    together   parents whose aliquots would all stand in one freezer
    """

    proposals: list[Proposal] = field(default_factory=list)
    stored: list[TubeState] = field(default_factory=list)
    unplanned: list[str] = field(default_factory=list)
    no_room: list[tuple[str, str]] = field(default_factory=list)
    together: list[str] = field(default_factory=list)


def rooms(tops: Iterable[queries.Node] | None = None) -> dict[str, tuple[Room, Unit]]:
    """Every box that has a set point and stands in no place that tubes only pass through. 3 queries."""
    found: dict[str, tuple[Room, Unit]] = {}

    def walk(node: queries.Node, path: tuple[Unit, ...]) -> None:
        path = (node.unit, *path)
        if node.unit.kind == "box" and not any(one.kind in PASSING for one in path):
            device = next((one.code for one in path if one.kind in DEVICES), path[-1].code)
            room = Room(node.unit.code, device, set_point(path), node.tubes, node.free)
            found[node.unit.code] = room, node.unit
        for child in node.children:
            walk(child, path)

    for top in queries.tree() if tops is None else tops:
        walk(top, ())
    return found


def advise(tubes: Sequence[str], org: str) -> Advice:
    """Where these tubes could go, among the boxes of this agency (when it has none, of all). 7 queries."""
    wanted, states = targets(tubes), ledger.states(tubes)
    every = rooms()
    mine = {code: pair for code, pair in every.items() if pair[1].agency.code == org} or every
    there = [states[code] for code in tubes if code in states and states[code].status == "stored"]
    tubes = [code for code in tubes if code not in {state.tube for state in there}]
    advice = Advice(stored=there, unplanned=[code for code in tubes if wanted.get(code) is None])
    family = {code: state.parent for code, state in states.items() if state.parent}
    stored = _siblings(family, set(tubes), {code: room.device for code, (room, _) in every.items()})
    for target in sorted({one for one in wanted.values() if one is not None}):
        these = [code for code in tubes if wanted.get(code) == target]
        _add(advice, mine, target, these, family, stored)
    _name_slots(advice)
    return advice


def _add(
    advice: Advice,
    mine: dict[str, tuple[Room, Unit]],
    target: int,
    tubes: list[str],
    family: dict[str, str],
    stored: dict[str, dict[str, int]],
) -> None:
    used = {one.unit.code: len(one.tubes) for one in advice.proposals}
    open_ = candidates((_less(room, used.get(code, 0)) for code, (room, _) in mine.items()), target)
    chosen = split(open_, tubes, family, stored)
    for tube, code in chosen.items():
        _proposal(advice, *mine[code]).tubes.append(tube)
    advice.no_room += [(tube, WORDS[class_of(target)]) for tube in tubes if tube not in chosen]
    advice.together += in_one_device(open_, chosen, family, stored)


def _less(room: Room, used: int) -> Room:
    return Room(room.unit, room.device, room.centi, room.held + used, room.free - used)


def _proposal(advice: Advice, room: Room, unit: Unit) -> Proposal:
    for one in advice.proposals:
        if one.unit.code == unit.code:
            return one
    advice.proposals.append(Proposal(unit, room.device, room.held > 0))
    return advice.proposals[-1]


def _siblings(family: dict[str, str], here: set[str], device: dict[str, str]) -> dict[str, dict[str, int]]:
    """Parent -> device -> how many of its aliquots are stored there. 1 query."""
    counts: dict[str, dict[str, int]] = {}
    for state in ledger.find(parent__in=sorted(set(family.values())), unit__isnull=False):
        if state.tube not in here and state.unit in device:
            there = counts.setdefault(str(state.parent), {})
            there[device[state.unit]] = there.get(device[state.unit], 0) + 1
    return counts


def _name_slots(advice: Advice) -> None:
    """The first free slot of each proposed box, in its own naming. 1 query."""
    taken: dict[str, set[tuple[int, int]]] = {}
    for state in ledger.find(unit__in=[one.unit.code for one in advice.proposals], row__isnull=False):
        taken.setdefault(str(state.unit), set()).add(_slot(state))
    for one in advice.proposals:
        free = one.unit.grid.next_free(taken.get(one.unit.code, set()))
        one.slot = one.unit.grid.name(*free) if free else ""


def _slot(state: TubeState) -> tuple[int, int]:
    return state.row or 0, state.col or 0
