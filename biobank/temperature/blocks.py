"""Readings as sealed logger-day blocks: pack, unpack, and read back as one series.

Promises: packing loses nothing; the seal is over logger, day, times and values, so a changed block is
found; a block whose seal is broken is left out and named, it is never used.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import groupby
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from biobank.models.loggers import DAY_MS, Logger, LoggerImport, ReadingDay
from custody.core.thermal import Series

Ints = NDArray[np.int64]


def seal(logger: str, day: int, gap_ms: int, times: bytes, values: bytes) -> str:
    """SHA-256 of three lines (logger code, day, gap limit), then times and values as they are packed."""
    return hashlib.sha256(f"{logger}\n{day}\n{gap_ms}\n".encode() + times + values).hexdigest()


def pack(logger: Logger, source: LoggerImport, times: Ints, centi: Ints, gap_ms: int) -> Iterator[ReadingDay]:
    """One block for each UTC day in the readings (UTC ms, rising; hundredths of °C)."""
    days = times // DAY_MS
    cuts = np.flatnonzero(np.diff(days)) + 1
    for part, values in zip(np.split(times, cuts), np.split(centi, cuts), strict=True):
        if len(part):
            yield _block(logger, source, int(part[0] // DAY_MS), part, values, gap_ms)


def _block(
    logger: Logger, source: LoggerImport, day: int, times: Ints, centi: Ints, gap_ms: int
) -> ReadingDay:
    packed, values = (times - day * DAY_MS).astype("<i4").tobytes(), centi.astype("<i2").tobytes()
    return ReadingDay(
        logger=logger, source=source, day=day, n=len(times), gap_ms=gap_ms, times=packed, values=values,
        low_centi=int(centi.min()), high_centi=int(centi.max()),
        sha256=seal(logger.code, day, gap_ms, packed, values),
    )  # fmt: skip


@dataclass
class Loaded:
    """One logger's readings over some days. `broken` names days whose seal does not match."""

    times: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    centi: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    gaps: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    broken: list[int] = field(default_factory=list)

    def series(self) -> Series:
        return Series(self.times, self.centi, self.gaps)


Row = tuple[int, int, bytes, bytes, str, str]  # day, gap limit, times, values, seal, logger code


def each(spans: Mapping[int, tuple[int, int]]) -> Iterator[tuple[int, Loaded]]:
    """For each logger id, its readings from one day before a stretch (UTC ms) to one day after. 1 query.

    The extra days hold the readings between which the edges of the stretch are interpolated. One logger
    is in memory at a time; a logger without a block in its stretch is left out.
    """
    if not spans:
        return
    first = min(start for start, _ in spans.values()) // DAY_MS - 1
    last = max(end for _, end in spans.values()) // DAY_MS + 1
    rows = (
        ReadingDay.objects.filter(logger_id__in=list(spans), day__gte=first, day__lte=last)
        .order_by("logger_id", "day", "pk")
        .values_list("logger_id", "day", "gap_ms", "times", "values", "sha256", "logger__code")
    )
    for logger, group in groupby(rows.iterator(chunk_size=500), key=itemgetter(0)):
        start, end = spans[logger]
        kept = [row[1:] for row in group if start // DAY_MS - 1 <= row[1] <= end // DAY_MS + 1]
        yield logger, _unpack(kept)


def load(logger: int, start: int, end: int) -> Loaded:
    """One logger's readings around a stretch. 1 query."""
    return next((loaded for _, loaded in each({logger: (start, end)})), Loaded())


def _unpack(rows: Iterable[Row]) -> Loaded:
    loaded = Loaded()
    times, centi, gaps = [loaded.times], [loaded.centi], [loaded.gaps]
    for day, gap, packed, values, sha, code in rows:
        if seal(code, day, gap, bytes(packed), bytes(values)) != sha:
            loaded.broken.append(day)
            continue
        times.append(np.frombuffer(packed, "<i4").astype(np.int64) + day * DAY_MS)
        centi.append(np.frombuffer(values, "<i2").astype(np.int64))
        gaps.append(np.full(len(times[-1]), gap, np.int64))
    all_times = np.concatenate(times)
    order = np.argsort(all_times, kind="stable")  # a later file may have filled in the middle of a day
    loaded.times, loaded.centi = all_times[order], np.concatenate(centi)[order]
    loaded.gaps = np.concatenate(gaps)[order]
    return loaded
