"""Where tubes could go: the boxes with room in the class that the plan wants, siblings over two freezers.

Siblings are aliquots of one matrix made from one tube: whoever loses all of them has lost what they were.

Promises: a suggestion, kept nowhere; the same number of queries for any number of tubes and boxes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from biobank.core import codes
from biobank.core.places import WORDS, Room, candidates, class_of, in_one_device, split
from biobank.models import Unit
from biobank.store.classes import PASSING, targets
from custody import queries as ledger
from custody.core.state import TubeState

DEVICES = {"freezer", "tank", "fridge"}


@dataclass
class Proposal:
    """Tubes for one box, from its next free slots on.

    apart: (tube, device) for each whose siblings stand in another device, which is why this one is proposed
    """

    box: str
    device: str
    started: bool
    slot: str = ""
    unit: Unit | None = None
    tubes: list[str] = field(default_factory=list)
    apart: list[tuple[str, str]] = field(default_factory=list)


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


Holder = tuple[str, int | None, bool]  # device, set point, whether tubes only pass through


def rooms() -> dict[str, tuple[Room, str]]:
    """Every box that stands in no place that tubes only pass through, and its agency. 3 queries; no model
    object is made of a box, because there may be ten thousand."""
    said = Unit.objects.values_list("code", "kind", "rows", "cols", "nominal_centi", "agency__code")
    rows = {code: rest for code, *rest in said}
    parent_of, inside, known = ledger.units(), ledger.contents(), dict[str, Holder]()

    def around(code: str, seen: frozenset[str]) -> Holder:
        kind, _, _, centi, _ = rows[code]
        above = parent_of.get(code)
        outer: Holder = (code, None, False)
        if above in rows and above not in seen:
            outer = known.get(above) or known.setdefault(above, around(above, seen | {above}))
        device = code if kind in DEVICES else outer[0]
        return device, outer[1] if centi is None else centi, outer[2] or kind in PASSING

    found: dict[str, tuple[Room, str]] = {}
    for code, (kind, many, across, _, agency) in rows.items():
        if kind == "box" and not (place := around(code, frozenset({code})))[2]:
            held = inside.get(code, 0)
            found[code] = Room(code, place[0], place[1], held, max(0, many * across - held)), agency
    return found


def advise(tubes: Sequence[str], org: str) -> Advice:
    """Where these tubes could go, among the boxes of this agency (when it has none, of all). 8 queries."""
    wanted, states = targets(tubes), ledger.states(tubes)
    every = rooms()
    mine = {code: pair for code, pair in every.items() if pair[1] == org} or every
    there = [states[code] for code in tubes if code in states and states[code].status == "stored"]
    tubes = [code for code in tubes if code not in {state.tube for state in there}]
    advice = Advice(stored=there, unplanned=[code for code in tubes if wanted.get(code) is None])
    family = {code: _family(state) for code, state in states.items() if state.parent}
    stored = _siblings(family, set(tubes), {code: room.device for code, (room, _) in every.items()})
    for target in sorted({one for one in wanted.values() if one is not None}):
        these = [code for code in tubes if wanted.get(code) == target]
        _add(advice, mine, target, these, family, stored)
    _name_slots(advice)
    return advice


def _add(
    advice: Advice,
    mine: dict[str, tuple[Room, str]],
    target: int,
    tubes: list[str],
    family: dict[str, str],
    stored: dict[str, dict[str, int]],
) -> None:
    used = {one.box: len(one.tubes) for one in advice.proposals}
    here = (_less(room, used[code]) if code in used else room for code, (room, _) in mine.items())
    open_ = candidates(here, target)
    chosen = split(open_, tubes, family, stored)
    for tube, code in chosen.items():
        one = _proposal(advice, mine[code][0])
        one.tubes.append(tube)
        there = stored.get(family.get(tube, ""), {})
        if there and one.device not in there:
            one.apart.append((tube, max(there, key=lambda device: there[device])))
    advice.no_room += [(tube, WORDS[class_of(target)]) for tube in tubes if tube not in chosen]
    advice.together += [name.partition("/")[0] for name in in_one_device(open_, chosen, family, stored)]


def _less(room: Room, used: int) -> Room:
    return Room(room.unit, room.device, room.centi, room.held + used, room.free - used)


def _proposal(advice: Advice, room: Room) -> Proposal:
    for one in advice.proposals:
        if one.box == room.unit:
            return one
    advice.proposals.append(Proposal(room.unit, room.device, room.held > 0))
    return advice.proposals[-1]


def _family(state: TubeState) -> str:
    """What siblings share: the tube they were made from, and the matrix."""
    return f"{state.parent}/{state.matrix}"


def _siblings(family: dict[str, str], here: set[str], device: dict[str, str]) -> dict[str, dict[str, int]]:
    """Family -> device -> how many of it are stored there. 1 query."""
    counts: dict[str, dict[str, int]] = {}
    parents = sorted({name.partition("/")[0] for name in family.values()})
    for state in ledger.find(parent__in=parents, unit__isnull=False):
        if state.tube not in here and state.unit in device:
            there = counts.setdefault(_family(state), {})
            there[device[state.unit]] = there.get(device[state.unit], 0) + 1
    return counts


def _name_slots(advice: Advice) -> None:
    """The proposed boxes, and the first free slot of each in its own naming. 2 queries."""
    taken: dict[str, set[tuple[int, int]]] = {}
    named = [one.box for one in advice.proposals]
    for state in ledger.find(unit__in=named, row__isnull=False):
        taken.setdefault(str(state.unit), set()).add(_slot(state))
    units = {unit.code: unit for unit in Unit.objects.select_related("agency").filter(code__in=named)}
    for one in advice.proposals:
        one.unit = units[one.box]
        free = one.unit.grid.next_free(taken.get(one.unit.code, set()))
        one.slot = one.unit.grid.name(*free) if free else ""


def _slot(state: TubeState) -> tuple[int, int]:
    return state.row or 0, state.col or 0


# after tubes were put away -------------------------------------------------------------------------


@dataclass(frozen=True)
class Beside:
    """Siblings that now stand in one device, and a box with room in another one."""

    tube: str
    device: str
    other: Room

    @property
    def sentence(self) -> str:
        return (
            f"All siblings of {codes.show(self.tube)} stand in {self.device} now: one failure takes them "
            f"all. {self.other.unit} in {self.other.device} has room for one of them."
        )


def beside(tubes: Sequence[str]) -> Beside | None:
    """The first of these stored tubes all whose siblings stand in its own device, though another one of the
    class has room. 2 queries when none has a sibling in store, else 6."""
    states = {code: state for code, state in ledger.states(tubes).items() if state.parent and state.unit}
    if not states:
        return None
    parents = sorted({str(state.parent) for state in states.values()})
    kin = ledger.find(parent__in=parents, unit__isnull=False)
    if len(kin) <= len(parents):
        return None
    every, wanted = rooms(), targets(states)
    device = {code: room.device for code, (room, _) in every.items()}
    for tube, state in states.items():
        family = [one for one in kin if _family(one) == _family(state)]
        here = {device.get(str(one.unit)) for one in family}
        target = wanted.get(tube)
        if len(family) < 2 or len(here) > 1 or None in here or target is None:
            continue
        agency = every[str(state.unit)][1]
        own = (room for room, owner in every.values() if owner == agency)
        others = [room for room in candidates(own, target) if room.device not in here]
        if others:
            return Beside(tube, str(next(iter(here))), others[0])
    return None
