"""Who must be told: the agencies that have tubes in a failed unit, and which tubes.

A tube belongs, for this, to the agency that holds it and to the agency whose team drew it (that of the
field day's lead); nothing here knows of agreements.

Promises: a fixed number of queries; tubes are those in the boxes that stood in the unit when the evacuation
began, or stand there now, as those boxes are today, and those that stand in it without a box.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from biobank.evacuation import tree
from biobank.models import Agency, Evacuation, Workup
from custody import queries as ledger
from custody.core.state import TubeState


@dataclass
class Letter:
    """One agency's tubes by box. boxes: box -> its tubes by code."""

    agency: Agency
    boxes: dict[str, list[TubeState]] = field(default_factory=dict)
    held: int = 0
    drawn: int = 0

    @property
    def tubes(self) -> int:
        return sum(len(those) for those in self.boxes.values())


def letters(evacuation: Evacuation, crew: tree.Crew) -> list[Letter]:
    """One for each agency that has a tube in it, by name. 3 queries."""
    agencies = {one.code: one for one in Agency.objects.all()}
    teams = dict(Workup.objects.order_by().values_list("code", "day__lead__agency__code"))
    found: dict[str, Letter] = {}
    for state in ledger.find(unit__in=[crew.unit, *crew.paths]):
        team = teams.get(state.workup or "")
        for code in {state.custodian, team} & set(agencies):
            letter = found.setdefault(str(code), Letter(agencies[str(code)]))
            letter.boxes.setdefault(str(state.unit), []).append(state)
            letter.held += code == state.custodian
            letter.drawn += code == team
    return sorted(found.values(), key=lambda one: one.agency.name)


def letter(evacuation: Evacuation, crew: tree.Crew, agency: str) -> Letter | None:
    """That of one agency; None when it has no tube there."""
    return next((one for one in letters(evacuation, crew) if one.agency.code == agency), None)
