"""A logger's file, read by a profile into UTC milliseconds and hundredths of °C.

Promises: a file is read whole or not at all; every row that cannot be read is named with its number, a
code and a sentence; nothing is guessed. No Django, no clock, no disk.

Rules, chosen here and stated to the user:
- °C, °F and K are turned into hundredths of °C exactly, rounded half to even, once.
- Rows must be in the order of time, all oldest first or all newest first. The same time with the same value
  twice counts once; with another value it is an error (readings are evidence, they are not averaged).
- Local time: see `clock`. What order and interval do not decide is asked; a time that never was is refused,
  because it shows that the logger was not set to this zone.
- A question about the file that nobody has answered (`Mapping.ask`) keeps it from being read.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np

from biobank.temperature import clock, table
from biobank.temperature.cells import centi_of
from biobank.temperature.clock import zone_of
from biobank.temperature.profile import DELIMITERS, Mapping, normal_serial
from biobank.temperature.rows import MOST_PROBLEMS, Asked, Parsed, Problem, Progress, Reading
from custody.core.refusal import Refused

__all__ = ["DELIMITERS", "Asked", "Mapping", "Parsed", "Problem", "centi_of", "parse", "zone_of"]


def parse(
    content: bytes,
    mapping: Mapping,
    *,
    serial: str = "",
    progress: Progress | None = None,
    most_rows: int = table.MOST_ROWS,
) -> Parsed:
    """Read a whole file. `serial` is the logger's own number, to be found in the file if the profile says
    where; progress(done, total) is called now and then with lines.

    Raises Refused `file_kind` when it is no table of this kind at all, `zone_unknown`, and those of
    `table.read`.
    """
    parsed = Parsed(unit=mapping.unit, zone_used="" if "zone" in mapping.ask else mapping.zone)
    if mapping.ask:
        parsed.problems = [Problem(0, "profile_open", OPEN.get(one, OPEN[""])) for one in mapping.ask]
        table.read(content, mapping)
        return parsed
    zone = zone_of(mapping.zone)
    reading = Reading(mapping, parsed)
    reading.take(table.read(content, mapping), progress, most_rows)
    if not parsed.rows:
        raise Refused("file_kind", "This file has no reading after its headings.")
    _check_serial(reading, serial)
    _in_time(reading, zone)
    if parsed.problems:
        parsed.times, parsed.centi, parsed.lines = [], [], []
        parsed.problems.sort(key=lambda problem: problem.row)
    return parsed


OPEN = {
    "zone": "Say which time the logger's clock shows: UTC, a fixed offset or a zone.",
    "dates": "Say which way the dates are written: they can be read in more than one way.",
    "unit": "Say in which unit the temperatures are: more than one is possible.",
    "value": "Say which column holds the temperature: more than one may.",
    "": "A question about this file is not answered yet.",
}


def _check_serial(reading: Reading, own: str) -> None:
    said = reading.parsed.serial
    if said and own and normal_serial(said) != normal_serial(own):
        sentence = f"The file is of the logger with the serial number {said}; this logger has {own}."
        reading.parsed.problems.append(Problem(reading.serial_line, "serial_differs", sentence))


# --- time ---------------------------------------------------------------------------------------


def _in_time(reading: Reading, zone: Any) -> None:
    """Wall times to UTC, in order; problems and counts go into what was parsed."""
    parsed = reading.parsed
    if not reading.wall:
        return
    wall, lines = np.asarray(reading.wall, np.int64), np.asarray(reading.lines, np.int64)
    centi = np.asarray(reading.centi, np.int64)
    offsets = None if reading.offsets[0] is None else _offsets(reading)
    steps = np.diff(wall if offsets is None else wall - offsets)
    parsed.backwards = bool((steps < 0).sum() > (steps > 0).sum())
    if parsed.backwards:
        wall, lines, centi = wall[::-1], lines[::-1], centi[::-1]
        offsets = None if offsets is None else offsets[::-1]
    if offsets is None:
        times, sure = _settled(reading, wall, lines, centi, zone)
        _in_order(parsed, times[sure], centi[sure], lines[sure])
    else:
        parsed.zone_used = "the offset beside each time"
        _in_order(parsed, wall - offsets, centi, lines)


def _offsets(reading: Reading) -> Any:
    for line, offset in zip(reading.lines, reading.offsets, strict=True):
        if offset is None:
            reading.wrong(line, "time_malformed", "This time has no offset, others of this file have.")
    return np.asarray([offset or 0 for offset in reading.offsets], np.int64)


def _settled(reading: Reading, wall: Any, lines: Any, centi: Any, zone: Any) -> tuple[Any, Any]:
    """UTC, and which rows are sure."""
    mapping, parsed = reading.mapping, reading.parsed
    place = {int(line): k for k, line in enumerate(lines)} if mapping.passes else {}
    passes = {place[line]: which for line, which in mapping.passes if line in place}
    settled = clock.settle(wall, zone, passes, centi)
    sure = np.ones(len(wall), bool)
    sure[settled.never] = False
    for k in settled.never[:MOST_PROBLEMS]:
        said = f"{_at(wall[k]):%Y-%m-%d %H:%M} never was in {zone}: the clocks went forward over it. "
        parsed.problems.append(Problem(int(lines[k]), "time_never_was", f"{said}{NOT_LOCAL}"))
    for one in settled.asked:
        asked = _asked(one, wall, lines)
        parsed.asked.append(asked)
        said = f"{_named(asked)} occurred twice in {zone}; the order of rows does not say which it was."
        parsed.problems.append(Problem(asked.line, "time_ambiguous", f"{said} Say it, or export with UTC."))
        sure[one.first : one.last + 1] = False
    parsed.switches = [int(lines[min(k, len(lines) - 1)]) for k in settled.switched]
    return settled.times, sure


NOT_LOCAL = "The logger was not on this local time; if it stayed on standard time, give its fixed offset."


def _asked(one: clock.Stretch, wall: Any, lines: Any) -> Asked:
    first, last = one.first, one.last
    return Asked(int(lines[first]), int(lines[last]), _at(wall[first]), _at(wall[last]), last - first + 1)


def _named(asked: Asked) -> str:
    start = f"{asked.start:%Y-%m-%d %H:%M}"
    return start if asked.rows == 1 else f"{start} to {asked.end:%H:%M} ({asked.rows} rows)"


def _at(wall_ms: int) -> datetime:
    return datetime.fromtimestamp(int(wall_ms) / 1000, UTC)


def _in_order(parsed: Parsed, times: Any, centi: Any, lines: Any) -> None:
    """Drop what is said twice; name what is earlier, or differs, than the reading before."""
    place = np.arange(len(times))
    before = np.concatenate([[times[0] - 1], np.maximum.accumulate(times)[:-1]]) if len(times) else times
    new = times > before
    held = np.maximum.accumulate(np.where(new, place, 0))  # the reading that a repeated one repeats
    for k in np.flatnonzero(times < before)[:MOST_PROBLEMS]:
        sentence = "This time is earlier than the reading before. Rows must be in the order of time."
        parsed.problems.append(Problem(int(lines[k]), "out_of_order", sentence))
    same = np.flatnonzero(times == before)
    for k in same[centi[same] != centi[held[same]]][:MOST_PROBLEMS]:
        sentence = "This time is there before with another value. One of the two is wrong."
        parsed.problems.append(Problem(int(lines[k]), "same_time_twice", sentence))
    parsed.repeated = len(same)
    parsed.times, parsed.centi, parsed.lines = times[new].tolist(), centi[new].tolist(), lines[new].tolist()
    parsed.interval_ms = clock.usual_step(times[new])
