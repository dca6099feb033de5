"""Where tubes should go: temperature classes, which box is filled first, siblings over two freezers.

Promises: suggestions only, from values; nothing here knows of events. A unit counts as the coldest class
whose limit its set point keeps, so a suggestion never makes a place colder than it is said to be.

Classes after the storage temperatures of MIABIS (room temperature, 2 to 10, -18 to -35, -60 to -85, below
-135 °C); what lies between two counts as the warmer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

# coldest last; (name, set point at most, in hundredths of °C)
CLASSES = [("ambient", None), ("cold", 1000), ("frozen", -1800), ("deep", -6000), ("nitrogen", -13500)]
WORDS = {
    "ambient": "room temperature",
    "cold": "2 to 10 °C",
    "frozen": "−18 to −35 °C",
    "deep": "−60 to −85 °C",
    "nitrogen": "below −135 °C",
}
RANK = {name: rank for rank, (name, _) in enumerate(CLASSES)}


@lru_cache(maxsize=1_000)  # a store has ten thousand boxes and few set points
def class_of(centi: int) -> str:
    """The class of a set point or of a plan's target, in hundredths of °C."""
    kept = [name for name, most in CLASSES if most is None or centi <= most]
    return kept[-1]


def warmer(centi: int | None, target: int | None) -> bool:
    """Whether a set point is of a warmer class than the target; False when either is not known."""
    if centi is None or target is None:
        return False
    return RANK[class_of(centi)] < RANK[class_of(target)]


class Room(NamedTuple):
    """A box with free places. device: the freezer, tank or fridge whose failure would take it."""

    unit: str
    device: str
    centi: int | None
    held: int
    free: int


def candidates(rooms: Iterable[Room], target: int) -> list[Room]:
    """Boxes with room in the target's class, or when it has none in the nearest colder one; the order in
    which they are filled: started boxes first, of these the fullest, then by code."""
    fits = [room for room in rooms if room.free > 0 and room.centi is not None]
    ranks = sorted(
        {
            RANK[class_of(room.centi)]
            for room in fits
            if room.centi is not None and not warmer(room.centi, target)
        }
    )
    nearest = [room for room in fits if ranks and RANK[class_of(room.centi or 0)] == ranks[0]]
    return sorted(nearest, key=lambda room: (room.held == 0, room.free, room.unit))


def fill(rooms: Sequence[Room], tubes: Sequence[str]) -> dict[str, str]:
    """Tube -> box, filling the boxes in this order; tubes beyond the last free place are left out."""
    places = (room.unit for room in rooms for _ in range(room.free))
    return dict(zip(tubes, places, strict=False))


def split(
    rooms: Sequence[Room],
    tubes: Sequence[str],
    family: Mapping[str, str],
    stored: Mapping[str, Mapping[str, int]],
) -> dict[str, str]:
    """Tube -> box, so that siblings stand in two devices and no single failure takes them all.

    family  tube -> what its siblings share (the parent); a tube without one is filled in as it comes
    stored  that -> device -> how many siblings stand there already
    rooms in the order in which they are filled. Tubes for which there is no room are left out. With one
    device all go into it: whoever shows this says so.
    """
    rooms = _enough(rooms, len(tubes))
    left = {room.unit: room.free for room in rooms}
    counts = {name: dict(there) for name, there in stored.items()}
    chosen: dict[str, str] = {}
    for tube in tubes:
        there = counts.setdefault(family.get(tube, tube), {})
        room = _next_room([room for room in rooms if left[room.unit]], there)
        if room is not None:
            chosen[tube] = room.unit
            left[room.unit] -= 1
            there[room.device] = there.get(room.device, 0) + 1
    return chosen


def _enough(rooms: Iterable[Room], wanted: int) -> list[Room]:
    """The first boxes of each device, as many as have room for all that are wanted: more are never filled."""
    free: dict[str, int] = {}
    found = []
    for room in rooms:
        if free.get(room.device, 0) < wanted:
            free[room.device] = free.get(room.device, 0) + room.free
            found.append(room)
    return found


def _next_room(rooms: Sequence[Room], there: Mapping[str, int]) -> Room | None:
    """The first box of whichever of two devices holds fewer siblings; devices that hold some come first."""
    open_ = list(dict.fromkeys(room.device for room in rooms))
    pair = sorted(open_, key=lambda device: (-there.get(device, 0), open_.index(device)))[:2]
    if not pair:
        return None
    best = min(pair, key=lambda device: (there.get(device, 0), open_.index(device)))
    return next(room for room in rooms if room.device == best)


def in_one_device(rooms: Sequence[Room], chosen: Mapping[str, str], family: Mapping[str, str],
                  stored: Mapping[str, Mapping[str, int]]) -> list[str]:  # fmt: skip
    """The families of two or more, all of which would stand in one device."""
    device = {room.unit: room.device for room in rooms}
    where: dict[str, list[str]] = {}
    for tube, unit in chosen.items():
        where.setdefault(family.get(tube, tube), []).append(device[unit])
    for name, there in stored.items():
        if name in where:
            where[name] += [one for one, many in there.items() for _ in range(many)]
    return sorted(name for name, those in where.items() if len(those) > 1 and len(set(those)) == 1)
