"""From what the clock on the wall showed to UTC: zones, the hour that never was, the hour that occurs twice.

Promises: nothing is guessed. In an hour that occurs twice there is one moment at which the first pass ends;
it is taken only when it is the one place where the step between readings fits the recording interval, or
the one place that the order of rows leaves possible. Otherwise a person is asked, stretch by stretch.
One thing cannot be seen: a logger that was off for exactly one pass while its file begins or ends there.
Works to the millisecond for any shift (an hour, half an hour), so no grid of cells can be too coarse.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from itertools import pairwise
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from biobank.temperature.profile import FIRST, IN_FILE
from custody.core.refusal import Refused

FIXED = re.compile(r"(?:UTC)?([+-])(\d\d):?(\d\d)\Z")
CELL = 6 * 3_600_000  # offsets are compared this often, then the change is found to the second
MARGIN = 5  # cells; more than any offset
ENOUGH = 3  # steps that tell the interval
MOST_LOST = 3  # readings that may be lost at the switch when the order of rows alone decides

Ints = np.ndarray


@dataclass(frozen=True)
class Change:
    """The clocks change at `at` (UTC ms) from one offset to another (ms)."""

    at: int
    before: int
    after: int


@dataclass(frozen=True)
class Stretch:
    """Rows first..last (places) of an hour that occurs twice, which nothing tells apart."""

    first: int
    last: int


@dataclass
class Settled:
    """`times` UTC ms for each row. never: rows with a time that never was; asked: rows to be told apart;
    switched: rows at which the second pass begins (the row after the hour: the file's hour is all first)."""

    times: Ints
    never: list[int] = field(default_factory=list)
    asked: list[Stretch] = field(default_factory=list)
    switched: list[int] = field(default_factory=list)


def zone_of(name: str) -> tzinfo:
    """`UTC`, a fixed offset or an IANA zone; `file` (each time has its own offset) is UTC here.

    Raises Refused `zone_unknown`.
    """
    if name.strip() == IN_FILE:
        return UTC
    if fixed := FIXED.match(name.strip()):
        sign, hours, minutes = fixed.groups()
        span = timedelta(hours=int(hours), minutes=int(minutes))
        if span < timedelta(hours=24):
            return timezone(-span if sign == "-" else span)
    try:
        return ZoneInfo(name.strip())
    except (ZoneInfoNotFoundError, ValueError, OSError) as why:
        raise Refused("zone_unknown", f"“{name}” is no time zone. Write UTC, +01:00 or Area/City.") from why


def settle(
    wall: Ints, zone: tzinfo, passes: Mapping[int, str] | None = None, values: Ints | None = None
) -> Settled:
    """UTC for wall times in the order of their rows, oldest first (ms since 1970 as the clock showed them).

    passes: for the place of a stretch's first row, `first` or `second`, as a person answered.
    values: of the same rows; the same time with the same value may be one reading said twice.
    """
    if not len(wall):
        return Settled(wall)
    start, changes = _changes(zone, wall)
    offsets = np.full(len(wall), start, np.int64)
    for change in changes:
        offsets[wall >= change.at + max(change.before, change.after)] = change.after
        inside = _between(wall, change)
        offsets[inside] = change.before
    settled = Settled(wall - offsets)
    _set_apart(wall, changes, settled, dict(passes or {}), _twice(wall, values))
    return settled


def _between(wall: Ints, change: Change) -> Ints:
    """Rows in the hour that occurs twice, or never."""
    low, high = sorted((change.at + change.before, change.at + change.after))
    inside: Ints = (wall >= low) & (wall < high)
    return inside


# --- changes of the clocks ----------------------------------------------------------------------


def offset_at(zone: tzinfo, utc_ms: int) -> int:
    said = datetime.fromtimestamp(utc_ms / 1000, zone).utcoffset() or timedelta()
    return said // timedelta(milliseconds=1)


def _changes(zone: tzinfo, wall: Ints) -> tuple[int, list[Change]]:
    """The offset before the first row, and the changes that rows can be near to."""
    near = np.unique(wall // CELL)
    cells = np.unique(np.concatenate([near + k for k in range(-MARGIN, MARGIN + 1)]))
    probes = [(int(cell) * CELL, offset_at(zone, int(cell) * CELL)) for cell in cells]
    pairs = pairwise(probes)
    return probes[0][1], [_found(zone, a, b) for a, b in pairs if a[1] != b[1]]


def _found(zone: tzinfo, a: tuple[int, int], b: tuple[int, int]) -> Change:
    low, high = a[0] // 1000, b[0] // 1000
    while high - low > 1:
        middle = (low + high) // 2
        if offset_at(zone, middle * 1000) == a[1]:
            low = middle
        else:
            high = middle
    return Change(high * 1000, a[1], b[1])


# --- the hour that occurs twice -----------------------------------------------------------------


def _twice(wall: Ints, values: Ints | None) -> Ints:
    """Rows that may repeat the row before."""
    same: Ints = np.zeros(len(wall), bool)
    if values is not None:
        same[1:] = (wall[1:] == wall[:-1]) & (values[1:] == values[:-1])
    return same


def _set_apart(
    wall: Ints, changes: list[Change], settled: Settled, passes: dict[int, str], twice: Ints
) -> None:
    doubt, hours = np.zeros(len(wall), bool), []
    for change in changes:
        places = np.flatnonzero(_between(wall, change))
        if not len(places):
            continue
        if change.after > change.before:
            settled.never += places.tolist()
        else:
            doubt[places] = True
            hours.append((change, places))
    interval = _sure_step(settled.times, doubt)
    for change, places in hours:
        _one_hour(settled, change, places, interval, passes, twice)
    settled.never.sort()
    settled.asked.sort(key=lambda stretch: stretch.first)


def usual_step(times: Ints) -> int:
    """The median step between readings, ms; 0 when there is none."""
    steps = np.diff(times)
    known = steps[steps > 0]
    return round(float(np.median(known))) if len(known) else 0


def _sure_step(times: Ints, doubt: Ints) -> int:
    """The median step between readings of which nothing is in doubt; 0 with too few to tell."""
    steps = np.diff(times)
    known = steps[(steps > 0) & ~doubt[1:] & ~doubt[:-1]]
    return round(float(np.median(known))) if len(known) >= ENOUGH else 0


def _one_hour(
    settled: Settled, change: Change, places: Ints, interval: int, passes: dict[int, str], twice: Ints
) -> None:
    shift = change.before - change.after
    first, last = int(places[0]), int(places[-1])
    stretches = _stretches(settled.times, places, interval)
    if all(one.first in passes for one in stretches):
        for one in stretches:
            if passes[one.first] != FIRST:
                settled.times[one.first : one.last + 1] += shift
        return
    switch = None
    if last - first + 1 == len(places):  # together, as in a file that is in order
        switch = _switch(settled.times, first, last, shift, interval, twice)
    if switch is None:
        settled.asked += stretches
        return
    settled.times[switch : last + 1] += shift
    settled.switched.append(switch)


def _switch(times: Ints, first: int, last: int, shift: int, interval: int, twice: Ints) -> int | None:
    """The first row of the second pass, last + 1 if there is none, or None when it is not certain.

    `times` are those of the first pass for the rows first..last. A switch at a row adds the shift to the
    step before it; steps elsewhere stay what they are. It may be where the step then is the interval, at an
    end of the file, or inside a silence that is there anyway: certain only when that is one place.
    """
    steps = _steps(times, first, last, shift)
    backward = [
        k for k, step in steps.items() if step is not None and step <= 0 and not _again(k, last, step, twice)
    ]
    if not interval and not backward:
        return None  # too little outside the hour to tell what a usual step is
    interval = interval or usual_step(times[first : last + 1])
    near = min(interval, shift) // 4
    able = backward or [
        k for k, step in steps.items()
        if step is None or abs(step + shift - interval) <= near or abs(step - interval) > near
    ]  # fmt: skip
    if len(able) != 1:
        return None
    before = steps[able[0]]
    known = before is None or 0 < before + shift <= (MOST_LOST + 1) * interval + near
    return able[0] if known else None


def _again(k: int, last: int, step: int, twice: Ints) -> bool:
    """A row of the hour that may be the one before it, said twice."""
    return step == 0 and k <= last and bool(twice[k])


def _steps(times: Ints, first: int, last: int, shift: int) -> dict[int, int | None]:
    """The step before each row first..last+1 if the switch is elsewhere; None at the file's ends."""
    steps: dict[int, int | None] = {k: int(times[k] - times[k - 1]) for k in range(first + 1, last + 1)}
    steps[first] = int(times[first] - times[first - 1]) if first else None
    steps[last + 1] = int(times[last + 1] - times[last]) - shift if last + 1 < len(times) else None
    return steps


def _stretches(times: Ints, places: Ints, interval: int) -> list[Stretch]:
    """The rows of the hour, parted where a row steps back or a reading is lacking."""
    steps = np.diff(times[places])
    part = (steps <= 0) | (steps > 1.5 * interval if interval else False) | (np.diff(places) > 1)
    ends = np.flatnonzero(part)
    heads = [int(places[0]), *(int(places[k + 1]) for k in ends)]
    tails = [*(int(places[k]) for k in ends), int(places[-1])]
    return [Stretch(a, b) for a, b in zip(heads, tails, strict=True)]
