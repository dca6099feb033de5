"""The storage tree, how full it is, and what is in one unit.

Promises: a fixed number of queries however many units and tubes there are; where things stand comes from
the ledger, what they are from the rows of the biobank. A loop of units (possible only in what devices
sent) is shown once, never followed for ever.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from django.db.models import Q

from biobank.core import acted, codes
from biobank.core.grid import Grid
from biobank.core.places import RANK, WORDS, Room, class_of
from biobank.core.swapping import outwards
from biobank.models import Unit
from custody import queries as ledger
from custody.core.state import TubeState, UnitStay

LOOSE = {"bench", "cooler", "fridge", "shipper"}  # where tubes stand without a box
COLD_GAS_CENTI = -15000  # at and below -150 °C a unit is cooled by nitrogen
MANY = 400  # units; of more, boxes are counted where they stand and not drawn one by one
SHOWN = 100  # of other units; of more, those that hold boxes alone are not drawn either
Box = tuple[str, int, int]  # code, rows, columns


@dataclass
class Node:
    """A unit in the tree. `tubes` and `slots` count this unit and all that it holds; `boxes` those in it that
    are no nodes of their own."""

    unit: Unit
    tubes: int = 0
    slots: int = 0
    boxes: int = 0
    children: list[Node] = field(default_factory=list)

    @property
    def percent(self) -> int:
        return min(100, round(100 * self.tubes / self.slots)) if self.slots else 0

    @property
    def free(self) -> int:
        return max(0, self.slots - self.tubes)

    def walk(self) -> Iterable[Node]:
        yield self
        for child in self.children:
            yield from child.walk()


def unit_by_code(text: str) -> Unit | None:
    """A unit by its code; scanners and people disagree about capitals. 1 query, 2 for an odd code."""
    units, code = Unit.objects.select_related("agency"), text.strip()
    # by its index first: without capitals the whole table is read
    return units.filter(code=code.upper()).first() or units.filter(code__iexact=code).first()


def meant(text: str) -> str:
    """The code that this text must mean when a scanner typed it for another keyboard layout: a unit's, or a
    tube's for who refuses it. A text with nothing odd in it stays as it is.

    1 query for an odd text, else none. Refused: scanner_layout.
    """
    if not acted.strange(text):
        return text
    guesses = list(acted.guesses(text))
    units = list(Unit.objects.filter(code__in=guesses).values_list("code", flat=True)[:2])
    found = units or [guess for guess in guesses if codes.is_valid(guess)]
    if len(found) != 1:
        raise acted.layout(text)
    return str(found[0])


def tree() -> list[Node]:
    """The tops of the storage tree with all below them, by code. 3 queries."""
    rows = list(Unit.objects.select_related("agency"))
    return grown(rows, ledger.units(), ledger.contents([row.code for row in rows]))


def folded() -> list[Node]:
    """The same; in a large store without its boxes, and in a very large one without its racks, but for what
    stands in nothing. 5 queries."""
    if Unit.objects.count() <= MANY:
        return tree()
    parent_of, inside = ledger.units(), ledger.contents()
    kinds = dict(Unit.objects.values_list("code", "kind"))
    drawn = {code for code, kind in kinds.items() if kind != "box"}
    if len(drawn) > SHOWN:
        drawn &= {parent_of.get(code) for code in drawn}
    drawn |= {code for code in kinds if parent_of.get(code) not in kinds}
    boxes = Unit.objects.filter(kind="box").values_list("code", "rows", "cols")
    rows = Unit.objects.select_related("agency").filter(code__in=drawn)
    return grown(rows, parent_of, inside, boxes)


def grown(
    rows: Iterable[Unit],
    parent_of: Mapping[str, str | None],
    inside: Mapping[str, int],
    boxes: Iterable[Box] = (),
) -> list[Node]:
    """Nodes from units, what each stands in, and how many tubes are in each itself. boxes: also those that
    shall be counted only."""
    nodes = {row.code: Node(row, inside.get(row.code, 0), (row.rows or 0) * (row.cols or 0)) for row in rows}
    for code, many, across in boxes:
        holder = None if code in nodes else _holder(code, nodes, parent_of)
        if holder:
            holder.boxes += 1
            holder.tubes += inside.get(code, 0)
            holder.slots += many * across
    below: dict[str | None, list[Node]] = {}
    for code, node in nodes.items():
        above = parent_of.get(code)
        below.setdefault(above if above in nodes else None, []).append(node)
    left = set(nodes)
    tops = [_grow(node, below, left) for node in below.get(None, [])]
    while left:  # a loop: begin it at its first code
        tops.append(_grow(nodes[min(left)], below, left))
    return tops


def _holder(code: str, nodes: Mapping[str, Node], parent_of: Mapping[str, str | None]) -> Node | None:
    """The nearest node outwards from a unit that is none."""
    seen, at = {code}, parent_of.get(code)
    while at is not None and at not in nodes and at not in seen:
        seen.add(at)
        at = parent_of.get(at)
    return nodes.get(at or "")


def _grow(node: Node, below: Mapping[str | None, list[Node]], left: set[str]) -> Node:
    left.discard(node.unit.code)
    for child in below.get(node.unit.code, []):
        if child.unit.code in left:
            node.children.append(_grow(child, below, left))
    node.tubes += sum(child.tubes for child in node.children)
    node.slots += sum(child.slots for child in node.children)
    return node


def trail(tops: Iterable[Node], code: str) -> list[Node]:
    """From the top of the tree down to this unit; empty when it is not in the tree."""
    for top in tops:
        if top.unit.code == code:
            return [top]
        if found := trail(top.children, code):
            return [top, *found]
    return []


@dataclass
class Empty:
    """The boxes of one freezer in one class, and what is free in them."""

    words: str
    device: str
    boxes: list[Room] = field(default_factory=list)

    @property
    def free(self) -> int:
        return sum(room.free for room in self.boxes)

    @property
    def started(self) -> list[Room]:
        """Boxes that hold something and have room, the fullest first."""
        return sorted((room for room in self.boxes if room.held and room.free), key=lambda room: room.free)

    @property
    def untouched(self) -> list[Room]:
        return [room for room in self.boxes if not room.held]

    @property
    def full(self) -> int:
        return sum(not room.free for room in self.boxes)


@dataclass(frozen=True)
class Place:
    """One tube in a unit, and what the box calls its slot (empty: no slot of this box)."""

    state: TubeState
    slot: str


@dataclass(frozen=True)
class Inside:
    """One unit and all that its page shows."""

    unit: Unit
    trail: list[Node]
    tubes: list[Place]
    stays: list[UnitStay]

    @property
    def node(self) -> Node:
        return self.trail[-1]

    @property
    def nominal_centi(self) -> int | None:
        """The set point that rules here: its own, or that of the nearest unit around it."""
        given = [one.unit.nominal_centi for one in self.trail if one.unit.nominal_centi is not None]
        return given[-1] if given else None

    @property
    def nitrogen(self) -> bool:
        """Whether nitrogen cools it: a tank, something in a tank, or as cold as only nitrogen keeps it."""
        cold = self.nominal_centi is not None and self.nominal_centi <= COLD_GAS_CENTI
        return cold or any(one.unit.kind == "tank" for one in self.trail)

    @property
    def dry_ice(self) -> bool:
        return any(one.unit.kind in {"shipper", "cooler"} for one in self.trail)


def inside(unit: Unit) -> Inside:
    """What stands in a unit. At most 8 queries."""
    path = _around(unit)
    grid = unit.grid if unit.kind == "box" else None
    tubes = [Place(state, slot_name(grid, state)) for state in ledger.find(unit=unit.code)]
    tubes.sort(key=lambda one: (one.state.row or 0, one.state.col or 0, one.state.tube))
    return Inside(unit, path, tubes, ledger.unit_stays([unit.code]).get(unit.code, []))


def _around(unit: Unit) -> list[Node]:
    """What a unit stands in, outermost first, and last itself with all below it. 3 queries.

    Boxes that stand in something else in it are drawn while they are few.
    """
    parent_of = ledger.units()
    below, direct = _below(unit.code, parent_of)
    above = [code for code in outwards(unit.code, parent_of)[::-1] if code not in below]
    drawn = (
        Q(code__in=[*above, *direct]) | (~Q(kind="box") & Q(code__in=below)) if len(below) > MANY else None
    )
    rows = Unit.objects.select_related("agency").filter(drawn or Q(code__in=[*above, *below]))
    nodes = {row.code: row for row in rows if row.code != unit.code}
    boxes: Iterable[Box] = ()
    if drawn is not None:
        boxes = Unit.objects.filter(kind="box", code__in=below).values_list("code", "rows", "cols")
    tops = grown(
        [unit, *(row for code, row in nodes.items() if code in below)], parent_of,
        ledger.contents([unit.code, *below]), boxes,
    )  # fmt: skip
    mine = next(node for node in tops if node.unit.code == unit.code)
    return [*(Node(nodes[code]) for code in above if code in nodes), mine]


def _below(code: str, parent_of: Mapping[str, str | None]) -> tuple[set[str], list[str]]:
    """All that stand in a unit, and those that stand right in it."""
    held: dict[str, list[str]] = {}
    for one, above in parent_of.items():
        if above is not None:
            held.setdefault(above, []).append(one)
    found: set[str] = set()
    todo = list(held.get(code, []))
    while todo:
        one = todo.pop()
        if one not in found and one != code:
            found.add(one)
            todo += held.get(one, [])
    return found, held.get(code, [])


def slot_name(grid: Grid | None, state: TubeState) -> str:
    if grid is None or not state.row or not state.col or state.row > grid.rows or state.col > grid.cols:
        return ""
    return grid.name(state.row, state.col)


def room_by_class(rooms: Iterable[tuple[Room, Unit]]) -> list[Empty]:
    """Free places by temperature class and freezer, the coldest first."""
    found: dict[tuple[int, str], Empty] = {}
    for room, _ in rooms:
        rank = -1 if room.centi is None else RANK[class_of(room.centi)]
        one = found.setdefault((-rank, room.device), Empty(_class_words(room.centi), room.device))
        one.boxes.append(room)
    return [found[key] for key in sorted(found)]


def _class_words(centi: int | None) -> str:
    return "not known" if centi is None else WORDS[class_of(centi)]


def box_codes() -> list[str]:
    """Places that take tubes, for a field that suggests them; of very many no boxes. 2 queries."""
    kinds = [*LOOSE] if Unit.objects.count() > MANY else ["box", *LOOSE]
    return list(Unit.objects.filter(kind__in=kinds).order_by("code").values_list("code", flat=True))


def holder_codes() -> list[str]:
    """Every unit that can hold others, for a field that suggests them. 1 query."""
    return list(Unit.objects.exclude(kind="box").order_by("code").values_list("code", flat=True))
