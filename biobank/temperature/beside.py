"""Loggers that stood in a unit and did not govern it: a second line, and how far it was from the first.

Promises: compared is only where both measured; two that differ by more than their calibrations allow are
said to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from django.db.models import Q

from biobank.models import LoggerPlacement, Unit
from biobank.temperature import blocks
from biobank.temperature.blocks import Loaded
from biobank.temperature.places import NEVER
from biobank.temperature.reduce import Curve
from biobank.temperature.spans import Span
from biobank.temperature.trace import Part
from custody.core.thermal import Series

APART = 100  # hundredths of °C, where a calibration is not known on both sides. Common practice, no source


@dataclass(frozen=True)
class Other:
    """A logger in the unit that does not govern, and by how much it differed where both measured (centi).

    allowed  the sum of both uncertainties of calibration, or APART
    """

    placement: LoggerPlacement
    readings: int = 0
    compared: int = 0
    most: int = 0
    at_ms: int = 0
    mean: int = 0
    allowed: int = APART

    @property
    def apart(self) -> bool:
        return abs(self.most) > self.allowed


@dataclass(frozen=True)
class Beside:
    """A placement and what its logger read; None: it was not read, or read nothing."""

    placement: LoggerPlacement
    loaded: Loaded | None

    def part(self, span: Span) -> Part | None:
        if self.loaded is None:
            return None
        end = NEVER if self.placement.to_ms is None else self.placement.to_ms
        return self.loaded.series(), max(self.placement.from_ms, span.start), min(end, span.end)


def beside(unit: Unit, span: Span, read: bool) -> list[Beside]:
    """Every logger that stood there in the span without governing. 1 query, and 7 to read them."""
    rows = LoggerPlacement.objects.filter(
        Q(to_ms=None) | Q(to_ms__gt=span.start), unit=unit, governing=False, from_ms__lt=span.end
    )
    placed = list(rows.select_related("logger").order_by("from_ms"))
    wanted = {one.logger_id: (span.start, span.end) for one in placed}
    held = dict(blocks.each(wanted)) if read else {}
    return [Beside(one, held.get(one.logger_id)) for one in placed]


def compared(one: Beside, curves: Sequence[Curve], span: Span, uncertainty: int | None) -> Other:
    """At each reading of the other logger, against the governing line where it is whole.

    uncertainty  of the governing logger's calibration, hundredths of °C; None: not known
    """
    part = one.part(span)
    if part is None or one.loaded is None:
        return Other(one.placement)
    times, differs = _differences(*part, curves)
    good = np.flatnonzero(~np.isnan(differs))
    if not len(good):
        return Other(one.placement, len(times))
    worst = good[int(np.argmax(np.abs(differs[good])))]
    mine = one.loaded.uncertainty
    return Other(
        one.placement, len(times), len(good), round(float(differs[worst])), int(times[worst]),
        round(float(differs[good].mean())),
        APART if mine is None or uncertainty is None else mine + uncertainty,
    )  # fmt: skip


def _differences(
    series: Series, start: int, end: int, curves: Sequence[Curve]
) -> tuple[np.ndarray, np.ndarray]:
    """The other one's readings: when, and how much warmer than the line was then (nan: there was none)."""
    inside = (series.times_ms >= start) & (series.times_ms < end)
    times, centi = series.times_ms[inside], series.centi[inside].astype(np.float64)
    found = np.full(len(times), np.nan)
    for curve in curves:
        place = np.clip(np.searchsorted(curve.times, times, side="right") - 1, 0, len(curve) - 1)
        known = (times >= curve.times[0]) & (times <= curve.times[-1]) & curve.linked[place]
        line = curve.centi[place] if curve.step else np.interp(times, curve.times, curve.centi)
        found = np.where(known, centi - line, found)
    return times, found
