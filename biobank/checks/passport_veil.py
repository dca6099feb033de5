"""What a passport keeps back: it leaves the house, so it names no place, no time of day and no person.

Promises: days are days (for who may see tubes) or years (for who sees the catalogue alone), never finer;
text that people typed or that a rule worded passes `clean` before it is printed. What is taken out is said to
be taken out.
"""

from __future__ import annotations

import re
from functools import cached_property

from biobank.models import Animal, Identifier, Person, Site, Unit, Workup
from biobank.templatetags.words import local

OUT = "(left out)"
MONTHS = "Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec"
DAY = rf"(?:\d{{1,2}}\.? (?:{MONTHS})[a-z]* (\d{{4}})|(\d{{4}})-\d{{2}}-\d{{2}})"
CLOCK = r"(?:[ T]?\d{1,2}:\d{2}(?::\d{2})?(?:\.\d+)?(?: ?(?:UTC[+−-]?[\d:]*|Z\b))?)"
COORDINATES = re.compile(
    r"[-−+]?\d{1,3}(?:[.,]\d{2,})?\s*°\s*(?:\d+(?:[.,]\d+)?\s*['′]\s*(?:\d+(?:[.,]\d+)?\s*[\"″]\s*)?)?[NSEW]\b"
    r"|[-−+]?\d{1,2}\.\d{3,}\s*[,;/]\s*[-−+]?\d{1,3}\.\d{3,}"
)
TIMES = re.compile(rf"({DAY})?{CLOCK}")
DAYS = re.compile(DAY)


class Veil:
    """For one reader. full: may see tubes, not the catalogue alone; tz: the programme's zone."""

    def __init__(self, full: bool, tz: str) -> None:
        self.full, self.tz = full, tz

    def day(self, moment: int | None) -> str:
        """UTC ms as `3 May 2026`, or as `2026` for the catalogue."""
        at = local(moment, self.tz)
        if at is None:
            return "not known"
        return f"{at.day} {at:%b %Y}" if self.full else f"{at:%Y}"

    def timeless(self, text: str) -> str:
        """The same without times of day; for the catalogue also without days."""
        text = TIMES.sub(lambda hit: hit[1] or OUT, text)
        return text if self.full else DAYS.sub(lambda hit: hit[1] or hit[2], text)

    def clean(self, text: str) -> str:
        """Without times of day, coordinates, and the names and codes of units, sites, workups and people."""
        if not text:
            return ""
        text = self.timeless(COORDINATES.sub(OUT, text))
        found = [name for name in self.names if name.casefold() in text.casefold()]
        for name in sorted(found, key=len, reverse=True):
            text = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", OUT, text, flags=re.I)
        return text

    @cached_property
    def names(self) -> set[str]:
        """Everything that is never named. 6 queries, asked when there is text to look through."""
        found: set[str] = set()
        for rows in (
            Unit.objects.values_list("code", "name"), Site.objects.values_list("code", "name"),
            Person.objects.values_list("code", "name"), Workup.objects.values_list("code"),
            Identifier.objects.values_list("text"),
        ):  # fmt: skip
            found.update(name for row in rows for name in row)
        if not self.full:
            found.update(Animal.objects.values_list("code", flat=True))
        return {name for name in found if len(name) > 1}
