"""Where boxes of a failing unit can go: places of its class or colder, and how many boxes each takes.

Nobody says how many boxes a rack or shelf takes. So a place is taken to hold as many as once stood in it at
the same time, less those with tubes in them now; an empty box makes way. It says so wherever it is shown.

Promises: a suggestion, kept nowhere; a fixed number of queries. A unit that is being evacuated itself is
no place, and coolers, shippers and benches are only on the way.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from biobank.core.places import RANK, WORDS, class_of
from biobank.core.rank import Berth, assign, berths_for, most_at_once
from biobank.models import Evacuation, Unit
from biobank.store import queries
from biobank.store.classes import PASSING, set_point
from biobank.store.suggest import DEVICES
from custody import queries as ledger

HOLDS = {"rack", "shelf", "drawer", "canister", "goblet", *DEVICES}


@dataclass
class Place:
    """A rack, shelf or freezer in which boxes stand, or could.

    boxes  how many more boxes it takes, as far as anybody can tell; slots: free places in its boxes
    never  no box ever stood in it: nothing tells how many it takes
    """

    unit: str
    name: str
    device: str
    centi: int
    boxes: int
    slots: int
    never: bool = False
    given: int = 0

    @property
    def words(self) -> str:
        return WORDS[class_of(self.centi)]


@dataclass
class Room:
    """All places that are cold enough, in the order in which they are used, and which box goes where."""

    places: list[Place] = field(default_factory=list)
    carriers: list[tuple[Unit, int]] = field(default_factory=list)
    to: dict[str, str] = field(default_factory=dict)
    left_over: int = 0

    @property
    def used(self) -> list[Place]:
        return [one for one in self.places if one.given]


def room_for(unit: Unit, centi: int | None, boxes: list[str]) -> Room:
    """Where these boxes of this unit go, the first ones into the nearest class first. At most 9 queries."""
    found, carriers = _places(unit)
    room = Room(carriers=carriers)
    if centi is None:
        room.left_over = len(boxes)
        return room
    berths = _berths(found, centi)
    room.to = assign(boxes, berths)
    room.left_over = len(boxes) - len(room.to)
    room.places = _in_order(found, [one.unit for one in berths], centi)
    for place in room.places:
        place.given = sum(to == place.unit for to in room.to.values())
    need = RANK[class_of(centi)]
    room.carriers = [one for one in room.carriers if RANK[class_of(one[1])] >= need]
    return room


def berths_of(unit: Unit, centi: int | None) -> list[Berth]:
    """Places for boxes of this unit, in the order in which they are used. At most 9 queries."""
    return [] if centi is None else _berths(_places(unit)[0], centi)


def _berths(places: Iterable[Place], centi: int) -> list[Berth]:
    return berths_for((Berth(one.unit, one.device, one.centi, one.boxes) for one in places), centi)


def _places(unit: Unit) -> tuple[list[Place], list[tuple[Unit, int]]]:
    """Whatever boxes could stand in outside this unit, and what carries them."""
    shut, once = {unit.code, *failing()}, _once()
    found: list[Place] = []
    carriers: list[tuple[Unit, int]] = []
    for top in queries.tree():
        _walk(top, (), shut, once, found, carriers)
    return found, carriers


def failing() -> list[str]:
    """Units that are being emptied now. 1 query."""
    return list(Evacuation.objects.filter(ended=None).values_list("unit__code", flat=True))


def _once() -> dict[str, int]:
    """How many units stood in each unit at the same time, at most. At most 4 queries."""
    inside: dict[str, list[tuple[int, int | None]]] = {}
    for stays in ledger.unit_stays().values():
        for stay in stays:
            if stay.parent is not None:
                inside.setdefault(stay.parent, []).append((stay.start_ms, stay.end_ms))
    return {code: most_at_once(those) for code, those in inside.items()}


def _walk(
    node: queries.Node,
    path: tuple[Unit, ...],
    shut: set[str],
    once: dict[str, int],
    found: list[Place],
    carriers: list[tuple[Unit, int]],
) -> None:
    if node.unit.code in shut:
        return
    path = (node.unit, *path)
    centi = set_point(path)
    if centi is not None and node.unit.kind in {"cooler", "shipper"}:
        carriers.append((node.unit, centi))
    if node.unit.kind == "box" or any(one.kind in PASSING for one in path):
        return
    if centi is not None and (place := _place(node, path, centi, once)):
        found.append(place)
    for child in node.children:
        _walk(child, path, shut, once, found, carriers)


def _place(node: queries.Node, path: tuple[Unit, ...], centi: int, once: dict[str, int]) -> Place | None:
    """What boxes stand in, or an empty freezer; None for what holds other racks and shelves."""
    boxes = [child for child in node.children if child.unit.kind == "box"]
    others = len(node.children) - len(boxes)
    device = next((one.code for one in path if one.kind in DEVICES), path[-1].code)
    held = sum(1 for box in boxes if box.tubes)
    most = max(once.get(node.unit.code, 0) - others, len(boxes))
    if not most and (node.children or node.unit.kind not in HOLDS):
        return None
    slots = sum(box.free for box in boxes)
    return Place(node.unit.code, node.unit.name, device, centi, max(0, most - held), slots, not most)


def _in_order(places: Iterable[Place], order: list[str], centi: int) -> list[Place]:
    """Those that are used first, then the other cold ones: full, or nobody knows how many they take."""
    need, rank = RANK[class_of(centi)], {code: at for at, code in enumerate(order)}
    cold = [one for one in places if RANK[class_of(one.centi)] >= need]
    return sorted(cold, key=lambda one: (rank.get(one.unit, len(order)), not one.never, one.unit))
