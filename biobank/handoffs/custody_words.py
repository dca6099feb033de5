"""What the papers of custody say in the same words: parties, seals, signatures, and what they keep back.

Promises: a paper travels, so it names no site, no workup, no animal and no coordinates, whatever somebody
typed into a note; what is left out is said to be left out. What is absent gets a word, never a blank.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from biobank.checks.passport_veil import COORDINATES, OUT
from biobank.models import Agency, Animal, Identifier, Person, Site, Workup
from biobank.templatetags.words import when_offset

NONE, NOT_GIVEN = "none", "not given"
# after US EPA Region V, Manual of Custody, 1978 (905R78115), in our words
CUSTODY = (
    "In custody is what is in somebody's possession; in view of that person; locked up by the holder; in a "
    "secured area with restricted access; or under a custody seal that opening breaks"
)
SOURCE = "after US EPA Region V, Manual of Custody, 1978 (905R78115)"
PLACE = "kept by the programme and not printed; ask its curator with the sample number"
LEAST = 3  # letters of a name that is looked for: shorter ones are in every word


@dataclass(frozen=True)
class Party:
    """One side of a handoff."""

    code: str
    name: str
    address: str
    contact: str


def party(code: str) -> Party:
    """1 query."""
    found = Agency.objects.filter(code=code).first()
    if found is None:
        return Party(code, code, NOT_GIVEN, NOT_GIVEN)
    return Party(code, found.name, found.address or NOT_GIVEN, found.contact or NOT_GIVEN)


def programme_of(person: str) -> str:
    """Code of the programme for which this person acts. 1 query."""
    found = Person.objects.filter(code=person).values_list("programme__code", flat=True).first()
    return found or NOT_GIVEN


@dataclass(frozen=True)
class Seal:
    """The seal of a container as its giver says it. number `none`: there was none."""

    number: str
    by: str
    at: str

    @property
    def words(self) -> str:
        if self.number == NONE:
            return "none: the container was not sealed"
        return f"{self.number}, closed by {self.by}, {self.at}"


def seal_of(header: Mapping[str, Any], known: Mapping[str, str]) -> Seal:
    by = f"{known.get(header['by'], header['by'])} ({header['by']}), {header['org']}"
    return Seal(header["data"].get("seal") or NONE, by, when_zone(header))


def when_zone(header: Mapping[str, Any]) -> str:
    """When it happened, on the 24-hour clock, with offset and zone."""
    return f"{when_offset(header['at'], header['tz'])} ({header['tz']})"


def signed(via: str, by: str, rec_by: str, seq: int, known: Mapping[str, str]) -> str:
    """What stands in the ledger in place of ink."""
    typist = f", typed by {known.get(rec_by, rec_by)}" if rec_by not in {"", by} else ""
    if via.startswith("import"):
        return f"from an imported table{typist}, event {seq}"
    ways = {
        "live": "by own login", "sync": "by a registered device",
        "review": "by a device, let in by a curator",
        "paper": "on paper", "link": "by a one-time link, person not proven",
    }  # fmt: skip
    return f"{ways.get(via, via)}{typist}, event {seq}"


class Discretion:
    """Text that people typed, without what a paper keeps back. Asks the database once, when there is text."""

    def __init__(self) -> None:
        self._kept: dict[str, str] = {}

    def __call__(self, text: str) -> str:
        if text and text not in self._kept:
            self._kept[text] = self._clean(COORDINATES.sub(OUT, text))
        return self._kept.get(text, "")

    def _clean(self, text: str) -> str:
        low = text.casefold()
        for name in sorted((one for one in self._names if one in low), key=len, reverse=True):
            text = _without(text, name)
        return text

    @cached_property
    def _names(self) -> set[str]:
        """5 queries."""
        found = set(Identifier.objects.values_list("text", flat=True))
        for rows in (
            Site.objects.values_list("code", "name"), Workup.objects.values_list("code"),
            Animal.objects.values_list("code", "species"),
        ):  # fmt: skip
            found.update(name for row in rows for name in row if name)
        return {name.casefold() for name in found if len(name) >= LEAST}


def _without(text: str, name: str) -> str:
    """All places where the name stands as a word of its own, in whatever case."""
    low, start, parts = text.casefold(), 0, []
    if len(low) != len(text):  # a letter that folds to two: places would not agree
        return OUT
    while (at := low.find(name, start)) >= 0:
        end = at + len(name)
        whole = not (low[:at][-1:].isalnum() or low[end : end + 1].isalnum())
        parts += [text[start:at], OUT if whole else text[at:end]]
        start = end
    return "".join(parts) + text[start:]
