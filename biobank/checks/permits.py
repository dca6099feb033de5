"""Whether a permit covers a tube: to take it when it was drawn, and to hold it now.

Promises: only what is on file counts, and of that only permits to take and to hold: an agreement between
parties is no authority, and a permit to send or to receive is asked about when something is sent
(`biobank.permits.cover`). Without any permit of a sort on file nobody can tell; two queries, however many
tubes. Quantities and the people that a permit names are shown with it and not judged here: which animal was
one too many is not told by a tube, and who fills a tube may do so under the eyes of whom the permit names.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from biobank.models import MATRICES, Agency, Permit
from custody.core.kleene import Answer, both

VERBS = {"take": "taken", "hold": "held"}
WORDS = dict(MATRICES)
Covers = Mapping[str, tuple[Answer, str]]


@dataclass(frozen=True)
class Asked:
    """Who took or holds a tube of a species and matrix, on which day. Empty: not known. until: it may have
    been any day from `on` to this."""

    org: str | None
    species: str
    on: date | None
    matrix: str = ""
    until: date | None = None


@dataclass(frozen=True)
class Register:
    """All permits to take or to hold, by programme and by what they allow."""

    rows: Mapping[tuple[int, str], tuple[Permit, ...]]

    @classmethod
    def load(cls) -> Register:
        agencies = dict(Agency.objects.values_list("pk", "code"))
        found: dict[tuple[int, str], tuple[Permit, ...]] = {}
        for one in Permit.objects.filter(sort="permit", allows__in=list(VERBS)):
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
        near = [one for one in rows if in_time(one, asked) != "fail" and one.org == asked.org]  # type: ignore[attr-defined]
        answers = [
            (both(names_species(one, asked.species), names_part(one, asked.matrix), in_time(one, asked)), one)
            for one in near
        ]
        for answer, one in answers:
            if answer == "pass":
                until = f"until {one.valid_until:%d.%m.%Y}"
                return "pass", f"Permit {one.number} lets {asked.org} {verb} it {until}."
        for answer, one in answers:
            if answer == "cannot_tell":
                lacks = "species" if names_species(one, asked.species) == "cannot_tell" else "matrix"
                if in_time(one, asked) == "cannot_tell":
                    return (
                        "cannot_tell",
                        f"Permit {one.number} is for some of the days that it may have been.",
                    )
                return "cannot_tell", f"The {lacks} is not known, and the permits name some."
        return "fail", f"No permit on file lets {asked.org} {verb} it on {asked.on:%d.%m.%Y}."


def in_time(permit: Permit, asked: Asked) -> Answer:
    """Is it valid on every day that may be meant, on some, or on none?"""
    if asked.on is None:
        return "cannot_tell"
    last = asked.until or asked.on
    if permit.valid_from <= asked.on and last <= permit.valid_until:
        return "pass"
    return "cannot_tell" if permit.valid_from <= last and asked.on <= permit.valid_until else "fail"


def names_species(permit: Permit, species: str) -> Answer:
    """Is this species among those it names (several with commas)? One that names none holds for all."""
    named = {_plain(one) for one in re.split("[,;]", permit.species) if one.strip()}
    if not named:
        return "pass"
    if not species:
        return "cannot_tell"
    return "pass" if _plain(species) in named else "fail"


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def names_part(permit: Permit, matrix: str) -> Answer:
    """Is this matrix among the parts it names? One that names none holds for all."""
    if not permit.parts.split():
        return "pass"
    if not matrix:
        return "cannot_tell"
    return "pass" if matrix in permit.parts.split() else "fail"


def parts_of(permit: Permit) -> list[str]:
    """The parts that it names, in words."""
    return [WORDS.get(code, code) for code in permit.parts.split()]


def day(at_ms: int | None, off_min: int = 0) -> date | None:
    """The calendar day of a moment (UTC ms) where it happened."""
    return None if at_ms is None else datetime.fromtimestamp(at_ms / 1000 + off_min * 60, UTC).date()


def day_in(at_ms: int, tz: str) -> date:
    """The calendar day of a moment (UTC ms) in a time zone."""
    return datetime.fromtimestamp(at_ms / 1000, ZoneInfo(tz)).date()
