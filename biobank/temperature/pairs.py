"""Two loggers in one unit: where what the one read does not agree with the other.

Promises: both are corrected first; the readings of the second are compared with the line of the governing one
at the same moments, only where that line is measured; what could not be compared is no agreement, and the
number of compared readings is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from django.db.models import Q

from biobank.models import Logger, LoggerPlacement, Unit
from biobank.temperature import blocks
from biobank.temperature.blocks import Loaded
from biobank.temperature.held import Ints
from biobank.temperature.places import NEVER

WITHOUT_CERTIFICATE = (
    100  # hundredths of °C, for two loggers of which one has none. Common practice, no source
)


@dataclass(frozen=True)
class Pair:
    """Two loggers that stood in one unit from start to end (UTC ms).

    allowed   how far they may differ, hundredths of °C: the two uncertainties; without a certificate 1.0 °C
    compared, apart  readings that could be compared, and those further apart than allowed
    worst     the largest difference (other - governing), hundredths of °C, and when; None: nothing compared
    """

    governing: Logger
    other: Logger
    start: int
    end: int
    allowed: int
    certified: bool
    compared: int
    apart: int
    worst: tuple[int, int] | None

    @property
    def differ(self) -> bool:
        return self.apart > 0


def disagreements(unit: Unit, span: tuple[int, int]) -> list[Pair]:
    """The pairs of loggers of this unit that differ somewhere in this stretch (UTC ms)."""
    return [pair for pair in pairs(unit, span) if pair.differ]


def pairs(unit: Unit, span: tuple[int, int]) -> list[Pair]:
    """Every two loggers that stood in the unit at the same time, compared. 8 queries."""
    return pairs_of(_there(unit, span), span)


def _there(unit: Unit, span: tuple[int, int]) -> list[LoggerPlacement]:
    rows = LoggerPlacement.objects.filter(
        Q(to_ms=None) | Q(to_ms__gt=span[0]), unit=unit, from_ms__lt=span[1]
    )
    return list(rows.select_related("logger").order_by("from_ms", "pk"))


def pairs_of(there: Sequence[LoggerPlacement], span: tuple[int, int]) -> list[Pair]:
    """The same of placements that are known already; compared is what stood in one unit. 7 queries."""
    together = [
        (a, b, *stretch)
        for a, b in combinations(sorted(there, key=lambda one: not one.governing), 2)
        if a.unit_id == b.unit_id and a.logger_id != b.logger_id
        if (stretch := _both(a, b, span))
    ]
    spans: dict[int, tuple[int, int]] = {}
    for a, b, start, end in together:
        for pk in (a.logger_id, b.logger_id):
            first, last = spans.get(pk, (start, end))
            spans[pk] = (min(first, start), max(last, end))
    loaded = dict(blocks.each(spans))
    return [_compared(a.logger, b.logger, start, end, loaded) for a, b, start, end in together]


def _both(a: LoggerPlacement, b: LoggerPlacement, span: tuple[int, int]) -> tuple[int, int] | None:
    start = max(a.from_ms, b.from_ms, span[0])
    end = min(*(NEVER if one.to_ms is None else one.to_ms for one in (a, b)), span[1])
    return (start, end) if start < end else None


def _compared(governing: Logger, other: Logger, start: int, end: int, loaded: Mapping[int, Loaded]) -> Pair:
    a, b = loaded.get(governing.pk, Loaded()), loaded.get(other.pk, Loaded())
    known = a.uncertainty is not None and b.uncertainty is not None
    allowed = (a.uncertainty or 0) + (b.uncertainty or 0) if known else WITHOUT_CERTIFICATE
    times, apart = _difference(a, b, start, end)
    worst = None
    if len(times):
        k = int(np.argmax(np.abs(apart)))
        worst = (int(apart[k]), int(times[k]))
    return Pair(
        governing, other, start, end, allowed, known, len(times), int(np.sum(np.abs(apart) > allowed)), worst
    )


def _difference(a: Loaded, b: Loaded, start: int, end: int) -> tuple[Ints, Ints]:
    """At which readings of b, within the stretch, a is measured; and b - a there, hundredths of °C."""
    at = b.times[(b.times >= start) & (b.times < end)]
    said = b.centi[(b.times >= start) & (b.times < end)]
    if not len(a.times) or not len(at):
        return at[:0], said[:0]
    place = np.searchsorted(a.times, at, side="right") - 1
    on = (place >= 0) & ((a.times[place] == at) | a.series().linked[place])
    line = a.centi[place].astype(np.float64) if a.step else np.interp(at, a.times, a.centi)
    return at[on], np.rint(said[on] - line[on]).astype(np.int64)
