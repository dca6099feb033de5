"""What the ledger says was drawn of an animal, over all its workups.

Promises: read from the ledger's histories, so corrections and voids count; a tube counts once, however
often somebody said that it was filled; animals that were merged are one animal.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from biobank.core.blood import BLOOD, Draw
from biobank.models import Animal, Tube, Workup
from custody import queries as ledger
from custody.core.state import TubeState


@dataclass(frozen=True)
class Taken:
    """A tube of blood and the draw that filled it."""

    tube: str
    workup: str
    draw: Draw


def others(workups: Iterable[Workup]) -> dict[int, list[str]]:
    """Codes of the other workups of the same animal, for each workup (by pk). 2 queries."""
    there = list(workups)
    root = _Roots()
    wanted = {root(one.animal_id) for one in there if one.animal_id}
    alike = Workup.objects.filter(animal__in=_kin(root, wanted)).values_list("code", "animal_id")
    by_animal: dict[int, list[str]] = {}
    for code, animal in alike:
        by_animal.setdefault(root(animal), []).append(code)
    return {
        one.pk: [code for code in by_animal.get(root(one.animal_id), []) if code != one.code]
        for one in there
        if one.animal_id
    }


class _Roots:
    """From an animal to the one it was merged into at last (by pk). 1 query: merges are few."""

    def __init__(self) -> None:
        rows = Animal.objects.filter(merged_into__isnull=False)
        self.into: dict[int, int] = dict(rows.values_list("pk", "merged_into_id"))

    def __call__(self, animal: int) -> int:
        seen = {animal}
        while (into := self.into.get(animal)) and into not in seen:
            seen.add(into)
            animal = into
        return animal


def _kin(root: _Roots, wanted: set[int]) -> set[int]:
    return wanted | {animal for animal in root.into if root(animal) in wanted}


def taken(own: Iterable[str], other: Iterable[str] = (), since_ms: int = 0) -> list[Taken]:
    """All blood drawn in one's own workups, and in others since a moment, oldest first. At most 6 queries."""
    mine = set(own)
    codes = mine | set(other)
    there = ledger.find(workup__in=codes, parent__isnull=True, matrix__in=BLOOD, drawn_ms__isnull=False)
    found = [one for one in there if one.workup in mine or (one.drawn_ms or 0) >= since_ms]
    said = _said_ul(found)
    nominal = nominal_of(one.tube for one in found if said.get(one.tube) is None)
    draws = [
        Taken(one.tube, one.workup or "", Draw(one.drawn_ms or 0, said.get(one.tube), nominal.get(one.tube)))
        for one in found
    ]
    return sorted(draws, key=lambda one: one.draw.at_ms)


def _said_ul(found: Iterable[TubeState]) -> dict[str, int | None]:
    """By tube, the volume that was said when it was filled: of the draw that counts, the first."""
    at = {one.tube: one.drawn_ms for one in found}
    volumes: dict[str, int | None] = {}
    for code, history in ledger.histories(at).items() if at else ():
        for one in history:
            if one.kind == "drawn" and not one.voided and one.at_ms == at[code]:
                volumes.setdefault(code, one.line.get("ul"))
    return volumes


def nominal_of(tubes: Iterable[str]) -> dict[str, int | None]:
    """What these tubes are made for, µL, where a plan says so. 1 query, none for no tubes."""
    wanted = list(tubes)
    rows = Tube.objects.filter(code__in=wanted).values_list("code", "planned__volume_ul") if wanted else ()
    return dict(rows)
