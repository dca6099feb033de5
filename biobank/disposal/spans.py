"""When boxes and tubes were out of the cold, worked out from what the ledger says of places.

Promises: a fixed number of queries however many units and tubes (a few more for each generation of units); a
unit's set point is the one it has today, where it stood is taken moment by moment.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, cast

from biobank.core.grid import Grid, Naming
from biobank.core.out import FOREVER, Away, Piece, aways, band_of
from biobank.models import Unit
from biobank.temperature.places import Tree
from custody import queries as ledger
from custody.core import fold
from custody.core.state import Happening, Stay, UnitStay

SENT, ANSWERS = {"handed_off", "shipped"}, {"received", "refused", "withdrawn"}


# hundredths of °C of what says no set point of its own: nitrogen boils at −196 °C, and a freezer freezes
UNSAID = {"tank": -19600, "freezer": -1800}


class Spot(NamedTuple):
    """A unit, as much of it as is needed here; a store has many thousands."""

    kind: str
    nominal_centi: int | None
    agency: str
    rows: int | None
    cols: int | None
    naming: str

    @property
    def centi(self) -> int | None:
        return UNSAID.get(self.kind) if self.nominal_centi is None else self.nominal_centi

    @property
    def grid(self) -> Grid | None:
        """The slots of a box; None for anything else."""
        return Grid(self.rows, self.cols, cast(Naming, self.naming)) if self.rows and self.cols else None


@dataclass(frozen=True)
class Places:
    """Every unit with what it stands in and what stands in it now; the stays of those that were asked for."""

    units: Mapping[str, Spot]
    parents: Mapping[str, str | None]
    inside: Mapping[str, Sequence[str]]
    stays: dict[str, list[UnitStay]] = field(default_factory=dict)

    def path(self, code: str) -> list[str]:
        """A unit and what it stands in now, outwards."""
        found = [code]
        while (up := self.parents.get(found[-1])) and up not in found:
            found.append(up)
        return found

    def cold(self, code: str) -> bool:
        """Whether a unit stands where it is kept frozen."""
        given = (one.centi for up in self.path(code) if (one := self.units.get(up)))
        return bool(band_of(next((centi for centi in given if centi is not None), None)))

    def below(self, tops: Iterable[str]) -> dict[str, str]:
        """Every unit in one of these, and they themselves -> which of these."""
        found: dict[str, str] = {}
        for top in tops:
            todo = [top]
            while todo:
                code = todo.pop()
                if code not in found:
                    found[code] = top
                    todo += self.inside.get(code, [])
        return found

    def learn(self, codes: Iterable[str]) -> None:
        """The stays of these units, of what they stood in, and so on. At most 4 queries a generation."""
        while fresh := set(codes) - set(self.stays):
            got = ledger.unit_stays(fresh)
            self.stays.update(got)
            codes = {stay.parent for stays in got.values() for stay in stays if stay.parent}

    def tree(self) -> Tree:
        return Tree(self.stays, {code: one.centi for code, one in self.units.items()}, {})


def places() -> Places:
    """2 queries."""
    fields = ("code", "kind", "nominal_centi", "agency__code", "rows", "cols", "naming")
    rows = Unit.objects.values_list(*fields).order_by()
    parents, inside = ledger.units(), dict[str, list[str]]()
    for code, parent in parents.items():
        if parent is not None:
            inside.setdefault(parent, []).append(code)
    return Places({row[0]: Spot(*row[1:]) for row in rows}, parents, inside)


def box_aways(known: Places, boxes: Sequence[str]) -> dict[str, list[Away]]:
    """When each of these boxes was out."""
    known.learn(boxes)
    tree = known.tree()
    return {code: aways(Piece(p.start, p.end, p.nominal) for p in tree.timeline(code)) for code in boxes}


def first_cold(known: Places, boxes: Sequence[str]) -> dict[str, int]:
    """When each of these boxes came into the cold for the first time; without those that never did."""
    known.learn(boxes)
    tree = known.tree()
    starts = {code: [p.start for p in tree.timeline(code) if band_of(p.nominal)] for code in boxes}
    return {code: min(some) for code, some in starts.items() if some}


@dataclass(frozen=True)
class Trip:
    """One tube's time out. thawed: a thaw was counted after it went out; unit: the place that it left."""

    tube: str
    away: Away
    unit: str
    row: int | None
    col: int | None
    thawed: bool


def trips(known: Places, tubes: Iterable[str]) -> list[Trip]:
    """Every time that one of these tubes was out, by tube and time."""
    said = ledger.histories(tubes)
    stays = {code: fold.stays(code, one) for code, one in said.items()}
    known.learn({stay.unit for ones in stays.values() for stay in ones})
    tree = known.tree()
    return [trip for code, ones in stays.items() if ones for trip in _trips(code, ones, said[code], tree)]


def _trips(code: str, stays: Sequence[Stay], said: Sequence[Happening], tree: Tree) -> list[Trip]:
    pieces = [
        Piece(p.start, p.end, p.nominal)
        for stay in stays
        for p in tree.over(stay.unit, stay.start_ms, FOREVER if stay.end_ms is None else stay.end_ms)
    ]
    pieces += _on_the_way(stays, said)
    thaws = [one.at_ms for one in said if one.kind == "thawed" and not one.voided]
    return [_trip(code, away, stays, thaws) for away in aways(pieces)]


def _on_the_way(stays: Sequence[Stay], said: Sequence[Happening]) -> list[Piece]:
    """From each handoff to its answer, when the tube travelled in no unit of ours."""
    live = [one for one in said if not one.voided]
    ends = {one.ref: max(one.at_ms, one.ref_at_ms or 0) for one in live if one.kind in ANSWERS}
    sent = [(one.at_ms, ends.get(one.id, FOREVER)) for one in live if one.kind in SENT]
    return [Piece(start, end, None, True) for start, end in sent if start < end and not _held(stays, start)]


def _held(stays: Sequence[Stay], at_ms: int) -> bool:
    return any(one.start_ms <= at_ms and (one.end_ms is None or one.end_ms > at_ms) for one in stays)


def _trip(code: str, away: Away, stays: Sequence[Stay], thaws: Sequence[int]) -> Trip:
    left = [stay for stay in stays if stay.start_ms < away.since_ms][-1]
    thawed = any(at >= away.since_ms and (away.until_ms is None or at <= away.until_ms) for at in thaws)
    return Trip(code, away, left.unit, left.row, left.col, thawed)
