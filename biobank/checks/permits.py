"""Whether a permit covers a tube: to take it when it was drawn, and to hold it now.

Promises: only what is on file counts; without any permit of a sort on file nobody can tell; two queries,
however many tubes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime

from biobank.models import Agency, Permit
from custody.core.kleene import Answer

VERBS = {"take": "taken", "hold": "held"}
Covers = Mapping[str, tuple[Answer, str]]


@dataclass(frozen=True)
class Asked:
    """Who took or holds a tube of a species, on which day. Empty: not known."""

    org: str | None
    species: str
    on: date | None


@dataclass(frozen=True)
class Register:
    """All permits, by programme and by what they allow."""

    rows: Mapping[tuple[int, str], tuple[Permit, ...]]

    @classmethod
    def load(cls) -> Register:
        agencies = dict(Agency.objects.values_list("pk", "code"))
        found: dict[tuple[int, str], tuple[Permit, ...]] = {}
        for one in Permit.objects.all():
            one.org = agencies[one.agency_id]  # type: ignore[attr-defined]
            key = (one.programme_id, one.allows)
            found[key] = (*found.get(key, ()), one)
        return cls(found)

    def covers(self, programme: int | None, asked: Mapping[str, Asked]) -> Covers:
        """For each of "take" and "hold": the answer and a sentence."""
        return {verb: self._one(programme, verb, one) for verb, one in asked.items()}

    def _one(self, programme: int | None, verb: str, asked: Asked) -> tuple[Answer, str]:
        rows = self.rows.get((programme, verb), ()) if programme is not None else ()
        if not rows:
            return "cannot_tell", f"No permit to {verb} is on file."
        if asked.org is None or asked.on is None:
            return "cannot_tell", f"By whom or when it was {VERBS[verb]} is not known."
        near = [one for one in rows if one.valid_from <= asked.on <= one.valid_until and one.org == asked.org]  # type: ignore[attr-defined]
        for one in near:
            if _names(one, asked.species):
                until = f"until {one.valid_until:%d.%m.%Y}"
                return "pass", f"Permit {one.number} lets {asked.org} {verb} it {until}."
        if not asked.species and near:
            return "cannot_tell", "The species is not known, and the permits name some."
        return "fail", f"No permit on file lets {asked.org} {verb} it on {asked.on:%d.%m.%Y}."


def _names(permit: Permit, species: str) -> bool:
    return not permit.species or permit.species.casefold() == species.casefold()


def day(at_ms: int | None, off_min: int = 0) -> date | None:
    """The calendar day of a moment (UTC ms) where it happened."""
    return None if at_ms is None else datetime.fromtimestamp(at_ms / 1000 + off_min * 60, UTC).date()
