"""Readings as sealed logger-day blocks: pack, unpack, merge, and read back as one series.

Promises: packing loses nothing; the seal is over logger, day, times, values and gap limits as plain
numbers, so that a changed block is found and another way to compress never changes a seal; a block whose
seal is broken is left out and named, it is never used. Merging the same readings in any order gives the
same block.

A packed block (`codec` 1) is zlib over three rows of bytes, each number's first bytes, then its second
bytes and so on: differences of differences of the times (int32, ms since the day began), differences of the
values (int16, hundredths of °C, wrapping), differences of the gap limits (int32, ms). Own form, no standard.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import groupby, pairwise
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from biobank.models.loggers import DAY_MS
from biobank.models.readings import LiveReading, ReadingBlock
from biobank.temperature import corrections
from biobank.temperature.corrections import Correction, Note
from biobank.temperature.held import ERROR as ERROR
from biobank.temperature.held import NONE as NONE
from biobank.temperature.held import Ints as Ints
from biobank.temperature.held import Readings as Readings
from biobank.temperature.held import of as of
from custody.core.thermal import Series

CODEC = 1


# --- bytes ----------------------------------------------------------------------------------------


def seal(logger: str, day: int, held: Readings) -> str:
    """SHA-256 of two lines (logger code, day), then times as int64, values as int16, gap limits as int32, all
    little-endian."""
    plain = held.times.astype("<i8").tobytes() + held.centi.astype("<i2").tobytes()
    return hashlib.sha256(
        f"{logger}\n{day}\n".encode() + plain + held.gaps.astype("<i4").tobytes()
    ).hexdigest()


def _planes(numbers: NDArray[np.signedinteger]) -> bytes:
    return numbers.view(np.uint8).reshape(len(numbers), -1).T.tobytes()


def _row(packed: bytes, n: int, kind: str) -> NDArray[np.signedinteger]:
    width = np.dtype(kind).itemsize
    return np.ascontiguousarray(np.frombuffer(packed, np.uint8).reshape(width, n).T).view(kind).ravel()


def encode(day: int, held: Readings) -> bytes:
    """The packed form of one day's readings."""
    since = held.times - day * DAY_MS
    steps = np.diff(since, n=2, prepend=[0, 0]).astype("<i4")
    jumps = np.diff(held.centi.astype("<i2"), prepend=np.zeros(1, "<i2"))
    limits = np.diff(held.gaps, prepend=0).astype("<i4")
    return zlib.compress(_planes(steps) + _planes(jumps) + _planes(limits), 6)


def decode(day: int, n: int, codec: int, payload: bytes) -> Readings:
    """What `encode` packed. ValueError: not such a block."""
    if codec != CODEC:
        raise ValueError(f"a block packed in way {codec} cannot be read")
    try:
        plain = zlib.decompress(payload)
    except zlib.error as why:
        raise ValueError("a block that is no packed block") from why
    if len(plain) != n * 10:
        raise ValueError("a block of another length")
    times = np.cumsum(np.cumsum(_row(plain[: 4 * n], n, "<i4"), dtype=np.int64)) + day * DAY_MS
    centi = np.cumsum(_row(plain[4 * n : 6 * n], n, "<i2"), dtype=np.int16).astype(np.int64)
    gaps = np.cumsum(_row(plain[6 * n :], n, "<i4"), dtype=np.int64)
    return Readings(times, centi, gaps)


# --- merging --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Merged:
    """Stored readings and those of a file as one. conflicts: places in the file whose stored value differs,
    which leave the stored one; new: how many moments were not stored; narrower: how many gap limits fell."""

    held: Readings
    new: int
    narrower: int
    conflicts: Ints


def merge(stored: Readings, said: Readings) -> Merged:
    """Both, rising. Of a moment that both know, the shorter gap limit counts, so that order does not
    matter."""
    place = np.searchsorted(stored.times, said.times)
    there = np.zeros(len(said), bool)
    inside = place < len(stored)
    there[inside] = stored.times[place[inside]] == said.times[inside]
    at = place[there]
    differs = np.flatnonzero(there)[stored.centi[at] != said.centi[there]]
    gaps = stored.gaps.copy()
    gaps[at] = np.minimum(gaps[at], said.gaps[there])
    fresh = said.part(~there)
    times = np.concatenate([stored.times, fresh.times])
    order = np.argsort(times, kind="stable")
    held = Readings(
        times[order],
        np.concatenate([stored.centi, fresh.centi])[order],
        np.concatenate([gaps, fresh.gaps])[order],
    )
    return Merged(held, len(fresh), int(np.sum(gaps != stored.gaps)), differs)


def by_day(held: Readings) -> list[tuple[int, Readings]]:
    """Epoch days and their readings."""
    days = held.times // DAY_MS
    cuts = [0, *(np.flatnonzero(np.diff(days)) + 1).tolist(), len(held)]
    return [(int(days[a]), held.part(slice(a, b))) for a, b in pairwise(cuts) if a < b]


def block(
    logger_pk: int, code: str, day: int, held: Readings, revision: int, source: int | None
) -> ReadingBlock:
    """The row of one day; not saved."""
    good = held.centi[held.centi != ERROR]
    steps = np.diff(held.times)
    on = (steps <= held.gaps[:-1]) & (held.centi[:-1] != ERROR) & (held.centi[1:] != ERROR)
    return ReadingBlock(
        logger_id=logger_pk, source_id=source, day=day, revision=revision, n=len(held),
        first_ms=int(held.times[0]), last_ms=int(held.times[-1]),
        low_centi=int(good.min()) if len(good) else None, high_centi=int(good.max()) if len(good) else None,
        covered_ms=int(steps[on].sum()), codec=CODEC, payload=encode(day, held), sha256=seal(code, day, held),
    )  # fmt: skip


# --- reading --------------------------------------------------------------------------------------


@dataclass
class Loaded:
    """One logger's readings over some days, corrected. `broken` names days whose seal does not match.

    A sensor error is no reading here: it is left out, and the line over it is cut.
    notes        what is to be said of them: excluded, in dispute, clock unchecked, no valid certificate…
    uncertainty  of the certificates that were used, hundredths of °C; None: some reading has no valid one
    """

    times: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    centi: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    gaps: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    broken: list[int] = field(default_factory=list)
    step: bool = False
    notes: list[Note] = field(default_factory=list)
    uncertainty: int | None = None

    def series(self) -> Series:
        return Series(self.times, self.centi, self.gaps, step=self.step)


Row = tuple[int, int, int, bytes, str, str]  # day, n, codec, payload, seal, logger code
COLUMNS = ("day", "n", "codec", "payload", "sha256", "logger__code")


def each(spans: Mapping[int, tuple[int, int]], raw: bool = False) -> Iterator[tuple[int, Loaded]]:
    """For each logger id, its corrected readings from one day before a stretch (UTC ms) to one day after.
    7 queries.

    The extra days hold the readings between which the edges of the stretch are interpolated. One logger
    is in memory at a time; a logger without a reading in its stretch is left out. raw: as they were read.
    """
    if not spans:
        return
    known = corrections.of(spans)
    if raw:
        known = {logger: Correction(step=one.step) for logger, one in known.items()}
    shown = {logger: known[logger].window(*span) for logger, span in spans.items()}
    live = _live(shown)
    for logger, group in groupby(_rows(shown), key=itemgetter(0)):
        start, end = shown[logger]
        kept = [row[1:] for row in group if start // DAY_MS - 1 <= row[1] <= end // DAY_MS + 1]
        held, broken = _unpack(kept, live.pop(logger, NONE))
        yield logger, _counted(known[logger], held, broken, spans[logger], raw)
    for logger, held in live.items():
        yield logger, _counted(known[logger], held, [], spans[logger], raw)


def _counted(
    known: Correction, held: Readings, broken: list[int], span: tuple[int, int], raw: bool
) -> Loaded:
    if raw:
        loaded = usable(held, broken)
    else:
        done = known.apply(held)
        loaded = usable(done.held, broken)
        loaded.notes, loaded.uncertainty = corrections.within(done.notes, *span), done.uncertainty
    loaded.step = known.step
    return loaded


def _rows(spans: Mapping[int, tuple[int, int]]) -> Iterator[tuple]:
    first = min(start for start, _ in spans.values()) // DAY_MS - 1
    last = max(end for _, end in spans.values()) // DAY_MS + 1
    rows = ReadingBlock.objects.filter(
        logger_id__in=list(spans), current=True, day__gte=first, day__lte=last
    ).order_by("logger_id", "day")
    return rows.values_list("logger_id", *COLUMNS).iterator(chunk_size=500)


def _live(spans: Mapping[int, tuple[int, int]]) -> dict[int, Readings]:
    """Readings that wait for their day to be sealed."""
    first, last = min(a for a, _ in spans.values()) - DAY_MS, max(b for _, b in spans.values()) + DAY_MS
    rows = LiveReading.objects.filter(logger_id__in=list(spans), at_ms__gte=first, at_ms__lte=last)
    found: dict[int, Readings] = {}
    wanted = rows.order_by("logger_id", "at_ms").values_list(
        "logger_id", "at_ms", "centi", "logger__interval_s"
    )
    for logger, group in groupby(wanted, key=itemgetter(0)):
        said = list(group)
        found[logger] = of([row[1] for row in said], [row[2] for row in said], 3000 * said[0][3])
    return found


def load(logger: int, start: int, end: int, raw: bool = False) -> Loaded:
    """One logger's readings around a stretch, corrected, or raw: as they were read. 7 queries."""
    return next((loaded for _, loaded in each({logger: (start, end)}, raw)), Loaded())


def stored(
    logger: int, first_day: int, last_day: int
) -> tuple[dict[int, Readings], dict[int, int], list[int]]:
    """A logger's current blocks over some days: readings by day, revision by day, days with a broken seal.
    1 query."""
    rows = ReadingBlock.objects.filter(logger_id=logger, current=True, day__gte=first_day, day__lte=last_day)
    held, revisions, broken = {}, {}, []
    for day, n, codec, payload, sha, code, revision in rows.values_list(*COLUMNS, "revision"):
        revisions[day] = revision
        found = opened(day, n, codec, bytes(payload), sha, code)
        if found is None:
            broken.append(day)
        else:
            held[day] = found
    return held, revisions, broken


def opened(day: int, n: int, codec: int, payload: bytes, sha: str, code: str) -> Readings | None:
    """A block's readings; None when it does not match its seal."""
    try:
        held = decode(day, n, codec, payload)
    except ValueError:
        return None
    return held if seal(code, day, held) == sha else None


def _unpack(rows: Iterable[Row], live: Readings) -> tuple[Readings, list[int]]:
    parts, broken = [], []
    for day, n, codec, payload, sha, code in rows:
        found = opened(day, n, codec, bytes(payload), sha, code)
        if found is None:
            broken.append(day)
        else:
            parts.append(found)
    held = Readings(
        *(np.concatenate([getattr(p, name) for p in [NONE, *parts]]) for name in ("times", "centi", "gaps"))
    )
    return (_with(held, live) if len(live) else held), broken


def _with(held: Readings, live: Readings) -> Readings:
    """Sealed readings and those that wait. Where they differ nothing is known: sealing makes it a conflict,
    and until then no order of coming may decide."""
    both = merge(held, live)
    if len(both.conflicts):
        both.held.centi[np.searchsorted(both.held.times, live.times[both.conflicts])] = ERROR
    return both.held


def usable(held: Readings, broken: list[int]) -> Loaded:
    """Readings as a series takes them: without sensor errors, and no line over one."""
    wrong = held.centi == ERROR
    gaps = np.where(np.append(wrong[1:], False), 0, held.gaps) if len(held) else held.gaps
    return Loaded(held.times[~wrong], held.centi[~wrong], gaps[~wrong], broken)
