"""What is scanned to be given: tubes one by one, boxes, or whole coolers, taken apart into tubes.

Promises: nothing is guessed. A unit's code stands for every tube that the ledger says is in it or in a unit
in it; a code that is neither a tube nor a unit is refused with its line. 3 queries, however many tubes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from django.core.exceptions import ValidationError

from biobank.forms import checked
from biobank.models import Unit
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.state import TubeState

Place = tuple[str, int | None, int | None]


@dataclass(frozen=True)
class Scanned:
    """Tubes in the order of scanning, each once.

    boxes: for those that go in a box or cooler which, and where in it; units: what was scanned as a whole
    """

    tubes: tuple[str, ...]
    boxes: dict[str, Place] = field(default_factory=dict)
    units: tuple[str, ...] = ()


def scanned(text: str) -> Scanned:
    """What these lines mean. Refused: unit_empty, scanned_nothing, and what `codes.tube` says of a code."""
    lines = [part.strip() for line in text.splitlines() for part in line.split(",") if part.strip()]
    units = {one.code: one for one in Unit.objects.filter(code__in=[line.upper() for line in lines])}
    asked = [line.upper() for line in lines if line.upper() in units]
    inside = contents(asked)
    found: dict[str, Place | None] = {}
    for line in lines:
        unit = units.get(line.upper())
        if unit is None:
            found.setdefault(_tube(line), None)
            continue
        if not inside[unit.code]:
            raise Refused("unit_empty", f"{unit} holds no tube that the ledger knows of.")
        found |= {one.tube: (one.unit or "", one.row, one.col) for one in inside[unit.code]}
    if not found:
        raise Refused("scanned_nothing", "Scan at least one tube, box or cooler.")
    return Scanned(tuple(found), {tube: place for tube, place in found.items() if place}, tuple(asked))


def _tube(line: str) -> str:
    try:
        return checked(line)
    except ValidationError as no:
        raise Refused(no.code or "code_malformed", f"{line[:40]}: {no.messages[0]}") from no


def contents(units: Iterable[str]) -> dict[str, list[TubeState]]:
    """Tubes in each of these units or in a unit in it, in the order of their places. 2 queries."""
    wanted = list(units)
    if not wanted:
        return {}
    parents = ledger.units()
    below = {unit: {unit, *_below(unit, parents)} for unit in wanted}
    states = ledger.find(unit__in=sorted(set().union(*below.values())))
    ordered = sorted(states, key=lambda one: (one.unit or "", one.row or 0, one.col or 0, one.tube))
    return {unit: [one for one in ordered if one.unit in below[unit]] for unit in wanted}


def _below(unit: str, parents: dict[str, str | None]) -> set[str]:
    """Every unit that stands in this one, however deep; a loop in the tree ends where it began."""
    found: set[str] = set()
    edge = {unit}
    while edge:
        edge = {one for one, parent in parents.items() if parent in edge} - found - {unit}
        found |= edge
    return found
