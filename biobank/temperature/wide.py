"""Years of readings from what is known of whole days, without unpacking them.

Promises: a day's lowest and highest are those of its readings; a day that a limit, the edge of the span or a
move of the logger cuts through is unpacked, so an excursion has the same moments as with all readings. Where
something corrects a logger's readings, or too many days must be unpacked, the answer is None: read them all.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from operator import itemgetter

import numpy as np

from biobank.models import (
    CalibrationCertificate,
    ClockCheck,
    LiveReading,
    Logger,
    ReadingBlock,
    ReadingConflict,
    ReadingExclusion,
)
from biobank.temperature import blocks
from biobank.temperature.places import Piece
from biobank.temperature.reduce import Bars, by_days, joined
from biobank.temperature.trace import Band, Part
from custody.core.thermal import Series

DAY = 86_400_000
UNPACKED = 400  # days; to unpack more is no faster than to read all


@dataclass
class Days:
    """What is known of a span: bars to draw, and the words.

    parts  readings of the unpacked days, for the excursions; readings  how many there are of the whole span
    low, high  (centi, UTC ms of noon of that day); gaps  whole days without a reading (UTC ms)
    """

    bars: Bars
    parts: list[Part] = field(default_factory=list)
    readings: int = 0
    measured_ms: int = 0
    low: tuple[int, int] | None = None
    high: tuple[int, int] | None = None
    gaps: list[tuple[int, int]] = field(default_factory=list)
    broken: list[int] = field(default_factory=list)


@dataclass(frozen=True)
class _Day:
    low: int
    high: int
    n: int
    covered: int


def days(pieces: Sequence[Piece], bands: Sequence[Band], columns: int) -> Days | None:
    """Pieces with a logger, in time order, and bands with limits that cover them. At most 8 queries."""
    loggers = {piece.logger for piece in pieces if piece.logger is not None}
    if not pieces or corrected(loggers):
        return None
    known = _known(loggers, pieces[0].start // DAY, pieces[-1].end // DAY)
    wanted = {
        logger: _wanted(known.get(logger, {}), [p for p in pieces if p.logger == logger], bands)
        for logger in loggers
    }
    if sum(map(len, wanted.values())) > UNPACKED:
        return None
    series, broken = _unpacked(wanted)
    found = _put_together(pieces, known, series, columns)
    found.broken = broken
    return found


def corrected(loggers: Iterable[int | None]) -> bool:
    """Whether any reading of these is another than the stored one. 5 queries."""
    mine = {"logger_id__in": list(loggers)}
    return (
        ClockCheck.objects.filter(**mine, withdrawn=None).exists()
        or CalibrationCertificate.objects.filter(**mine, withdrawn=None).exists()
        or ReadingExclusion.objects.filter(**mine, withdrawn=None).exists()
        or ReadingConflict.objects.filter(**mine).exists()
        or Logger.objects.filter(pk__in=mine["logger_id__in"], between="step").exists()
    )


def _known(loggers: Iterable[int | None], first: int, last: int) -> dict[int, dict[int, _Day]]:
    found: dict[int, dict[int, _Day]] = {}
    rows = ReadingBlock.objects.filter(
        logger_id__in=list(loggers), current=True, day__gte=first, day__lte=last, low_centi__isnull=False
    ).order_by("logger_id", "day")
    for logger, day, *rest in rows.values_list(
        "logger_id", "day", "low_centi", "high_centi", "n", "covered_ms"
    ):
        found.setdefault(logger, {})[day] = _Day(*rest)
    live = LiveReading.objects.filter(logger_id__in=list(loggers), at_ms__gte=first * DAY)
    live = live.exclude(centi=blocks.ERROR)
    for logger, at, centi in live.order_by("logger_id", "at_ms").values_list("logger_id", "at_ms", "centi"):
        here, day = found.setdefault(logger, {}), at // DAY
        old = here.get(day) or _Day(centi, centi, 0, 0)
        here[day] = _Day(min(old.low, centi), max(old.high, centi), old.n + 1, old.covered)
    return found


def _wanted(known: Mapping[int, _Day], pieces: Sequence[Piece], bands: Sequence[Band]) -> set[int]:
    """Days to unpack: those that an edge cuts, those beyond a limit, and the days beside them."""
    found: set[int] = set()
    for piece in pieces:
        found |= {edge // DAY for edge in (piece.start, piece.end)}
    for band in bands:
        first, last = band.start_ms // DAY, (band.end_ms - 1) // DAY
        for day, one in known.items():
            above = band.above is not None and one.high > band.above
            below = band.below is not None and one.low < band.below
            if first <= day <= last and (above or below):
                found |= {day - 1, day, day + 1}
    return found & known.keys()


def _unpacked(wanted: Mapping[int, set[int]]) -> tuple[dict[int, Series], list[int]]:
    """The readings of these days. 2 queries."""
    every = {day for days in wanted.values() for day in days}
    rows = ReadingBlock.objects.filter(logger_id__in=list(wanted), current=True, day__in=sorted(every))
    series: dict[int, Series] = {}
    broken: list[int] = []
    named = rows.order_by("logger_id", "day").values_list("logger_id", *blocks.COLUMNS)
    held = {logger: list(group) for logger, group in groupby(named, key=itemgetter(0))}
    live = {logger: (min(one) * DAY, max(one) * DAY + DAY) for logger, one in wanted.items() if one}
    waiting = blocks._live(live) if live else {}
    for logger, mine in wanted.items():
        parts = []
        for _, day, n, codec, payload, sha, code in held.get(logger, []):
            if day in mine:
                one = blocks.opened(day, n, codec, bytes(payload), sha, code)
                broken += [day] if one is None else []
                parts += [one] if one is not None else []
        both = blocks.Readings(
            *(np.concatenate([getattr(p, name) for p in [blocks.NONE, *parts]]) for name in FIELDS)
        )
        both = blocks._with(both, waiting[logger]) if logger in waiting else both
        series[logger] = blocks.usable(both, []).series()
    return series, sorted(set(broken))


FIELDS = ("times", "centi", "gaps")


def _put_together(
    pieces: Sequence[Piece],
    known: Mapping[int, Mapping[int, _Day]],
    series: Mapping[int, Series],
    columns: int,
) -> Days:
    """One row of days over all pieces; a day that two loggers share is one bar."""
    row: dict[int, tuple[int, int]] = {}
    found = Days(by_days([], [], [], columns))
    for piece in pieces:
        assert piece.logger is not None
        mine = known.get(piece.logger, {})
        first, last = piece.start // DAY, (piece.end - 1) // DAY
        for day in range(first, last + 1):
            if (one := mine.get(day)) is None:
                continue
            a, b = max(piece.start, day * DAY), min(piece.end, day * DAY + DAY)
            if b - a < DAY:
                one = _part_of(series[piece.logger], a, b)
            if one is not None:
                low, high = row.get(day, (one.low, one.high))
                row[day] = (min(low, one.low), max(high, one.high))
                found.readings += one.n
                found.measured_ms += min(one.covered, b - a)
        found.parts.append((series[piece.logger], piece.start, piece.end))
    ordered = sorted(row)
    found.bars = by_days(ordered, [row[d][0] for d in ordered], [row[d][1] for d in ordered], columns)
    if ordered:
        coldest, warmest = min(ordered, key=lambda d: row[d][0]), max(ordered, key=lambda d: row[d][1])
        found.low = (row[coldest][0], coldest * DAY + DAY // 2)
        found.high = (row[warmest][1], warmest * DAY + DAY // 2)
    found.gaps = _holes(ordered, pieces[0].start, pieces[-1].end)
    return found


def _part_of(series: Series, a: int, b: int) -> _Day | None:
    inside = (series.times_ms >= a) & (series.times_ms < b)
    if not inside.any():
        return None
    values = series.centi[inside]
    return _Day(int(values.min()), int(values.max()), len(values), round(float(series.measured(a, b)[0])))


def _holes(ordered: Sequence[int], start: int, end: int) -> list[tuple[int, int]]:
    """What lies between the days with readings, to the ends of the span."""
    spans = joined(((day * DAY, day * DAY + DAY) for day in ordered), 0)
    edges = [start, *(edge for span in spans for edge in span), end]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]
