"""From readings to sealed days: what is new beside what is stored, the next revision, what differs.

Promises: a stored block stays as it is; a day of which more is known gets its next revision. The same
readings in any order, cut in any way, make the same blocks. A value that differs never takes the place of
the stored one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from biobank.models import Logger, LoggerImport, ReadingBlock, ReadingConflict
from biobank.temperature import blocks
from custody.core.refusal import Refused

BATCH = 500


@dataclass(frozen=True)
class Conflict:
    """A reading whose moment (UTC ms) is stored with another value (hundredths of °C). line: of its file."""

    at_ms: int
    stored_centi: int
    said_centi: int
    line: int | None = None

    def row(self, logger: Logger, source: LoggerImport | None) -> ReadingConflict:
        return ReadingConflict(
            logger=logger, source=source, at_ms=self.at_ms, stored_centi=self.stored_centi,
            said_centi=self.said_centi, line=self.line,
        )  # fmt: skip


@dataclass(frozen=True)
class Day:
    """One UTC day of new readings: what they say (`first`: place of the first of them among all), what is
    stored and under which revision (0: nothing), and both as one."""

    day: int
    first: int
    said: blocks.Readings
    stored: blocks.Readings
    merged: blocks.Merged
    revision: int

    @property
    def changes(self) -> bool:
        return bool(self.merged.new or self.merged.narrower)

    def conflicts(self, lines: Sequence[int] = ()) -> list[Conflict]:
        """lines: of all the readings, if they have any."""
        said, stored = self.said, self.stored
        places = [(int(k), int(np.searchsorted(stored.times, said.times[k]))) for k in self.merged.conflicts]
        return [
            Conflict(
                int(said.times[k]), int(stored.centi[j]), int(said.centi[k]),
                lines[self.first + k] if lines else None,
            )
            for k, j in places
        ]  # fmt: skip


def days(logger: Logger, said: blocks.Readings) -> list[Day]:
    """New readings (rising) beside the stored ones, by day. 1 query. Refused `reading_seal_broken`."""
    if not len(said):
        return []
    cut = blocks.by_day(said)
    held, revisions, broken = blocks.stored(logger.pk, cut[0][0], cut[-1][0])
    if broken:
        raise Refused("reading_seal_broken", f"Stored readings of {logger.code} no longer match their seal.")
    found, first = [], 0
    for day, part in cut:
        before = held.get(day, blocks.NONE)
        found.append(Day(day, first, part, before, blocks.merge(before, part), revisions.get(day, 0)))
        first += len(part)
    return found


def write(logger: Logger, changed: Sequence[Day], source: LoggerImport | None) -> None:
    """The next revision of these days; the ones before stay, no longer current. In the caller's
    transaction, with the logger's row locked."""
    revised = [day.day for day in changed if day.revision]
    for k in range(0, len(revised), BATCH):
        before = ReadingBlock.objects.filter(logger=logger, current=True, day__in=revised[k : k + BATCH])
        before.update(current=False)
    pk = source.pk if source else None
    made = (
        blocks.block(logger.pk, logger.code, day.day, day.merged.held, day.revision + 1, pk)
        for day in changed
    )
    ReadingBlock.objects.bulk_create(made, batch_size=200)


def unsaid(logger: Logger, conflicts: Sequence[Conflict]) -> list[Conflict]:
    """Those that nobody has said before. 1 query when there are any."""
    if not conflicts:
        return []
    at = [one.at_ms for one in conflicts]
    rows = ReadingConflict.objects.filter(logger=logger, at_ms__gte=min(at), at_ms__lte=max(at))
    known = set(rows.values_list("at_ms", "said_centi"))
    return [one for one in conflicts if (one.at_ms, one.said_centi) not in known]


def keep(logger: Logger, fresh: Sequence[Conflict], source: LoggerImport | None) -> None:
    """As conflicts to settle."""
    ReadingConflict.objects.bulk_create([one.row(logger, source) for one in fresh], batch_size=BATCH)
