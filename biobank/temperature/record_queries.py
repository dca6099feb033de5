"""What is known of a logger besides its readings, for its page.

Promises: a fixed number of queries however many records there are; withdrawn ones are shown too; nothing here
writes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from django.db.models import Q

from biobank.models import (
    CalibrationCertificate,
    ClockCheck,
    Logger,
    LoggerPlacement,
    NominalTemperature,
    ReadingConflict,
    ReadingExclusion,
    Unit,
)
from biobank.models.loggers import DAY_MS
from biobank.temperature import blocks, corrections
from biobank.temperature.corrections import Correction, Note
from biobank.temperature.pairs import Pair, pairs_of
from biobank.temperature.queries import span_of

MOST_NOTES = 20
PAIR_DAYS = 31  # two loggers in one unit are compared over the last so many days of the picture


@dataclass(frozen=True)
class Clock:
    """A check, how far the logger was ahead in words, and how much it gained a day since the one before."""

    row: ClockCheck
    ahead: str
    drift: str


@dataclass(frozen=True)
class Both:
    """One reading as it was read and as it counts: UTC ms, hundredths of °C."""

    name: str
    shown: int
    true: int
    raw: int
    corrected: int

    @property
    def moved(self) -> str:
        return ahead_words(self.shown - self.true)


@dataclass
class Known:
    """Everything of one logger, newest first. notes: of the readings shown, the longest first."""

    clocks: list[Clock]
    certificates: list[CalibrationCertificate]
    exclusions: list[ReadingExclusion]
    placements: list[LoggerPlacement]
    changes: list[Any]
    corrected: bool
    conflicts: int
    unsettled: int
    both: list[Both] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    more_notes: int = 0
    pairs: list[Pair] = field(default_factory=list)

    @property
    def now_in(self) -> LoggerPlacement | None:
        return next((one for one in self.placements if one.to_ms is None), None)


def whole(logger: Logger) -> tuple[int, int] | None:
    """From the first reading to just after the last, UTC ms, as read and as they count; None without any.
    6 queries."""
    shown = span_of(logger)
    if shown is None:
        return None
    start, end = corrections.of([logger.pk])[logger.pk].true_span(*shown)
    return min(start, shown[0]), max(end, shown[1])


def known(logger: Logger, span: tuple[int, int] | None) -> Known:
    """At most 29 queries. span: of the picture, UTC ms; None without readings."""
    placements = list(logger.placements.select_related("unit").order_by("-from_ms"))
    choices = list(ReadingConflict.objects.filter(logger=logger).order_by().values_list("choice", flat=True))
    fix = corrections.of([logger.pk])[logger.pk]
    found = Known(
        _clocks(logger), _rows(logger.certificates.defer("document")),
        _rows(logger.exclusions, "approved_by"), placements, _changes(logger),
        fix != Correction(step=fix.step), len(choices), choices.count(""),
    )  # fmt: skip
    if span is not None:
        found.both = _both(logger, fix, span)
        notes = sorted(blocks.load(logger.pk, *span).notes, key=lambda note: note.start - note.end)
        found.notes, found.more_notes = notes[:MOST_NOTES], max(0, len(notes) - MOST_NOTES)
        found.pairs = _pairs(logger, placements, (max(span[0], span[1] - PAIR_DAYS * DAY_MS), span[1]))
    return found


def _rows(rows: Any, *also: str) -> list[Any]:
    return list(rows.select_related("by", "withdrawn_by", *also).order_by("-pk"))


def _clocks(logger: Logger) -> list[Clock]:
    rows = logger.clock_checks.select_related("by", "withdrawn_by").order_by("true_ms", "pk")
    found: list[Clock] = []
    before: ClockCheck | None = None
    for row in rows:
        drift = ""
        if row.withdrawn is None:
            drift = _drift(before, row) if before else ""
            before = row
        found.append(Clock(row, ahead_words(row.ahead_ms), drift))
    return found[::-1]


def _drift(before: ClockCheck, row: ClockCheck) -> str:
    """Seconds a day since the check before, in words."""
    a_day = (row.ahead_ms - before.ahead_ms) / (row.true_ms - before.true_ms) * 86_400
    said = f"{abs(a_day):.1f} s a day"
    return "keeps time" if said == "0.0 s a day" else f"{'gains' if a_day > 0 else 'loses'} {said}"


def ahead_words(ms: int) -> str:
    """`1 min 32 s ahead`, `0.4 s behind`, `right`."""
    if not ms:
        return "right"
    minutes, rest = divmod(abs(ms), 60_000)
    hours, minutes = divmod(minutes, 60)
    seconds = f"{rest / 1000:.3f}".rstrip("0").rstrip(".")
    parts = [
        f"{hours} h" if hours else "",
        f"{minutes} min" if minutes else "",
        f"{seconds} s" if rest else "",
    ]
    return f"{' '.join(part for part in parts if part)} {'ahead' if ms > 0 else 'behind'}"


def _changes(logger: Logger) -> list[Any]:
    """What was said of its placements: who, when, why."""
    rows = LoggerPlacement.history.filter(logger=logger).select_related("history_user", "unit")
    return list(rows.order_by("-history_date", "-history_id")[:30])


def _both(logger: Logger, fix: Correction, span: tuple[int, int]) -> list[Both]:
    """The first and the last reading of a stretch, as read and as they count. Empty: nothing is corrected."""
    raw = blocks.load(logger.pk, *fix.window(*span), raw=True)
    inside = np.flatnonzero((raw.times >= span[0]) & (raw.times < span[1]))
    if not len(inside) or not (fix.checks or fix.certificates or fix.disputed):
        return []
    found = []
    for name, k in (("first", int(inside[0])), ("last", int(inside[-1]))):
        held = blocks.Readings(raw.times[k : k + 1], raw.centi[k : k + 1], raw.gaps[k : k + 1])
        done = fix.apply(held).held
        if len(done):
            found.append(
                Both(name, int(raw.times[k]), int(done.times[0]), int(raw.centi[k]), int(done.centi[0]))
            )
    return found


def _pairs(logger: Logger, own: Sequence[LoggerPlacement], span: tuple[int, int]) -> list[Pair]:
    """This logger beside others that stood in its units in that time."""
    units = {p.unit_id for p in own if p.from_ms < span[1] and (p.to_ms is None or p.to_ms > span[0])}
    there = LoggerPlacement.objects.filter(
        Q(to_ms=None) | Q(to_ms__gt=span[0]), unit_id__in=units, from_ms__lt=span[1]
    ).select_related("logger")
    return [pair for pair in pairs_of(list(there), span) if logger in (pair.governing, pair.other)]


def nominals(unit: Unit) -> list[NominalTemperature]:
    """Dated set points of a unit, newest first. 1 query."""
    rows = unit.nominals.select_related("by", "withdrawn_by").order_by("-from_ms", "-pk")
    return list(rows)


def waiting() -> list[ReadingExclusion]:
    """Exclusions that wait for a second person, oldest first. 1 query."""
    rows = ReadingExclusion.objects.filter(approved=None, withdrawn=None).select_related("logger", "by")
    return list(rows.order_by("made"))
