"""Where tubes were, and which logger or set point governed there.

Promises: the number of queries does not grow with the number of tubes; a tube is in pieces from when it had
content to when it was gone; time in nobody's unit is a piece of which nothing is known.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from biobank.models import LoggerPlacement, NominalTemperature, Unit
from biobank.temperature.places import NEVER, Kept, Piece, Placed, Tree, merged
from custody import queries as ledger
from custody.core import fold
from custody.core.state import Happening, UnitStay

BORN = {"drawn", "aliquoted"}
GONE = {"discarded", "not_collected"}
Histories = Mapping[str, Sequence[Happening]]


COLD = {"freezer": "frozen", "tank": "frozen", "fridge": "cold"}  # what it is when no set point says so
FEW = 400  # units; to look for what so many stood in takes longer than to read the whole tree


def tree(units: Iterable[str] | None = None) -> Tree:
    """The storage tree with its set points and governing loggers, or the part of it in which these units
    ever stood. At most 7 queries, and 4 more for each step outwards."""
    stays = ledger.unit_stays() if units is None else _outwards(units)
    placed: dict[str, list[Placed]] = {}
    rows = LoggerPlacement.objects.filter(governing=True).order_by("from_ms")
    for unit, start, end, logger in rows.values_list("unit__code", "from_ms", "to_ms", "logger_id"):
        placed.setdefault(unit, []).append(Placed(start, NEVER if end is None else end, logger))
    known = Unit.objects.all() if len(stays) > FEW else Unit.objects.filter(code__in=stays)
    said = list(known.values_list("code", "nominal_centi", "kind"))
    nominals = {code: nominal for code, nominal, _ in said}
    return Tree(
        stays, nominals, placed, _kept(), {code: COLD[kind] for code, _, kind in said if kind in COLD}
    )


def _kept() -> dict[str, list[Kept]]:
    """Dated set points, by unit."""
    found: dict[str, list[Kept]] = {}
    rows = NominalTemperature.objects.filter(withdrawn=None).order_by("from_ms")
    for unit, start, end, nominal in rows.values_list("unit__code", "from_ms", "to_ms", "nominal_centi"):
        found.setdefault(unit, []).append(Kept(start, NEVER if end is None else end, nominal))
    return found


def _outwards(units: Iterable[str]) -> dict[str, list[UnitStay]]:
    found: dict[str, list[UnitStay]] = {}
    todo = set(units)
    while todo:
        if len(todo) > FEW:
            return ledger.unit_stays()
        more = ledger.unit_stays(todo)
        found |= more
        todo = {stay.parent for stays in more.values() for stay in stays if stay.parent} - set(found)
    return found


def stood(told: Histories) -> set[str]:
    """Every unit that one of these tubes ever stood in."""
    return {stay.unit for code, said in told.items() for stay in fold.stays(code, said)}


def life(said: Sequence[Happening], now_ms: int) -> tuple[int, int] | None:
    """From when a tube had content to when it was gone, or now; None: never filled."""
    live = [one for one in said if not one.voided]
    born = [one.at_ms for one in live if one.kind in BORN and one.line.get("role") != "from"]
    gone = [one.at_ms for one in live if one.kind in GONE]
    start, end = min(born, default=now_ms), min([*gone, now_ms])
    return (start, end) if start < end else None


def pieces_of(code: str, said: Sequence[Happening], places: Tree, now_ms: int) -> list[Piece]:
    """A tube's life cut where logger or set point changes. In nobody's unit: nothing is known of it."""
    span = life(said, now_ms)
    if span is None:
        return []
    clock, end = span
    found: list[Piece] = []
    for stay in fold.stays(code, said):
        a, b = max(stay.start_ms, clock), min(now_ms if stay.end_ms is None else stay.end_ms, end)
        if a < b:
            found += [*places.over(None, clock, a), *places.over(stay.unit, a, b)]
            clock = b
    return merged([*found, *places.over(None, clock, end)])
