"""Which of the programme's blood limits is in force for a species on a day.

Promises: a limit for the very species goes before one for all; of the same species the newest date counts,
and of the same date the row that was written last. While the species is not known, the strictest of all
that are in force counts.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from biobank.core import blood
from biobank.models import BloodLimit


def same_species(text: str) -> str:
    """Species as they are compared: capitals and spaces make no difference."""
    return " ".join(text.split()).casefold()


def in_force(rows: Iterable[BloodLimit], day: date) -> dict[str, BloodLimit]:
    """By species (empty: all), the row that counts on this day."""
    reached = sorted((one for one in rows if one.since <= day), key=lambda one: (one.since, one.pk))
    return {same_species(one.species): one for one in reached}


def of_species(rows: Iterable[BloodLimit], species: str | None, day: date) -> list[BloodLimit]:
    """What counts for this species, at most one row; all that are in force where it is not known (None)."""
    found = in_force(rows, day)
    if species is None:
        return list(found.values())
    row = found.get(same_species(species)) or found.get("")
    return [row] if row else []


def strictest(rows: Iterable[BloodLimit], mass_g: int) -> tuple[BloodLimit, blood.Limit]:
    """The row that allows least for this mass, and what it allows. Refused: mass_not_plausible."""
    each = [(row, blood.limit(row.rule, mass_g)) for row in rows]
    return min(each, key=lambda one: one[1].ul)
