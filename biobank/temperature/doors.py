"""When somebody had a unit open, as far as the ledger knows: put in, taken out, moved or counted there.

Promises: an act in a box counts for its rack and its freezer, as they stood at that moment; one event is one
opening, however many tubes it names. An opening without an act is not known here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from biobank.temperature.places import ALWAYS, NEVER, Placed, Tree
from custody import queries as ledger
from custody.core import fold
from custody.core.state import Happening, Stay, UnitStay

KINDS = {"put_away", "moved", "pulled", "counted"}
MOST = 1500  # tubes whose histories are read; acts on more are said not to be drawn


@dataclass(frozen=True)
class Opening:
    """At that moment (UTC ms) somebody did this in a unit. event: its id, empty for a unit that was moved."""

    at_ms: int
    kind: str
    by: str = ""
    event: str = ""


@dataclass
class Doors:
    """Openings in order of time. cut: there were more acts than were read."""

    openings: list[Opening] = field(default_factory=list)
    cut: bool = False

    @property
    def moments(self) -> list[int]:
        return [one.at_ms for one in self.openings]


def doors(unit: str, stays: Mapping[str, Sequence[UnitStay]], start_ms: int, end_ms: int) -> Doors:
    """Acts at a unit and at all that stood in it, in [start, end). At most 6 queries.

    stays: in what every unit stood.
    """
    within = Tree(stays, {}, {unit: [Placed(ALWAYS, NEVER, 1)]})
    told, cut = ledger.handled(start_ms, end_ms, KINDS, MOST)
    found = {one.event: one for one in _tubes(told, within, start_ms, end_ms)}
    moved = {(one.at_ms, one.kind): one for one in _units(stays, within, start_ms, end_ms)}
    both = [*found.values(), *moved.values()]
    return Doors(sorted(both, key=lambda one: (one.at_ms, one.event)), cut)


def _inside(within: Tree, unit: str | None, at_ms: int) -> bool:
    return any(piece.logger is not None for piece in within.over(unit, at_ms, at_ms + 1))


def _tubes(told: Mapping[str, Sequence[Happening]], within: Tree, start: int, end: int) -> Iterator[Opening]:
    for code, said in told.items():
        stays = fold.stays(code, said)
        for one in said:
            if one.kind not in KINDS or one.voided or not start <= one.at_ms < end:
                continue
            if any(_inside(within, unit, one.at_ms) for unit in _where(one, stays)):
                yield Opening(one.at_ms, one.kind, one.by, one.id)


def _where(one: Happening, stays: Sequence[Stay]) -> set[str]:
    """The units at which this act happened: where the tube came to, was taken from, or was counted."""
    if one.kind == "counted":
        return {str(one.data.get("unit"))}
    found = {stay.unit for stay in stays if one.at_ms in (stay.start_ms, stay.end_ms)}
    return found | {str(one.line[name]) for name in ("unit", "to") if one.line.get(name)}


def _units(stays: Mapping[str, Sequence[UnitStay]], within: Tree, start: int, end: int) -> Iterator[Opening]:
    """A box that was carried in or out opened the door too."""
    for ones in stays.values():
        before: str | None = None
        for stay in ones:
            if start <= stay.start_ms < end and any(
                _inside(within, unit, stay.start_ms) for unit in (before, stay.parent)
            ):
                yield Opening(stay.start_ms, "moved")
            before = stay.parent
