"""What a person should look at before a file is accepted: each remark in words, and what to do.

Promises: pure; says nothing about whether readings are right, only what is unusual. Limits are common
practice, no source: a jump of more than 40 K in one step, two days without any change, values at which
sensors are known to end (85 and -127 °C of digital sensors, powers of two, rows of nines: from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from biobank.temperature.held import ERROR
from biobank.temperature.rows import Parsed
from custody.core.thermal import GAP_FACTOR

JUMP = 4_000  # hundredths of a degree in one step
STUCK_MS, STUCK_ROWS = 2 * 86_400_000, 48
SLACK_MS = 5 * 60_000  # a clock may be a little ahead
LONGEST = 5  # gaps that are listed
FEW = 8  # of fewer readings the median step is not taken for an interval. Common practice, no source
SENTINELS = (8_500, -12_700, -20_000, 32_767, -9_999, 9_999, 20_480, -20_480, 25_500, -27_315)
OF_LATE = 1_262_304_000_000  # 1 Jan 2010: a clock that lost its time often starts earlier

DO = {  # level, and what to do
    "no_serial": ("caution", "Make sure that this is the file of this logger."),
    "logger_without_serial": ("caution", "Compare it with the number on the logger, and note it there."),
    "newest_first": ("note", "Nothing to do."),
    "after_end": ("note", "Make sure that they hold no readings."),
    "sensor_error": ("caution", "Look at the probe and its cable."),
    "clocks_back": ("note", "Look at the picture there: it should show no gap."),
    "in_the_future": ("caution", "Look at the zone, the order of day and month, and the logger's clock."),
    "long_ago": ("caution", "A clock that lost its battery starts at an old date. Do not accept such times."),
    "interval_differs": ("caution", "Is it this logger's file? If so, note its new interval."),
    "said_twice": ("note", "Nothing to do."),
    "jump": ("caution", "Right where a shipper was filled; else look at the probe, the unit, the column."),
    "no_change": ("caution", "A sensor that does not move may be broken, or at the end of its range."),
    "sensor_end": (
        "caution",
        "Sensors show such values when they fail: name it as such below.",
    ),
    "not_placed": ("caution", "Note where it stood; until then these readings count for nothing."),
    "partly_placed": ("note", "Right before it was placed and after it was taken out."),
}

Span = tuple[int, int | None, str]  # from, to (UTC ms), where a logger stood


@dataclass(frozen=True)
class Remark:
    """code; level `caution` or `note`; what is unusual; what to do."""

    code: str
    level: str
    sentence: str
    do: str


@dataclass(frozen=True)
class Gap:
    """Silence from one reading to the next, UTC ms."""

    start_ms: int
    end_ms: int

    @property
    def length_ms(self) -> int:
        return self.end_ms - self.start_ms


@dataclass
class Report:
    """Facts of a file and what to look at. Times UTC ms, temperatures hundredths of °C."""

    first_ms: int
    last_ms: int
    low_centi: int | None
    high_centi: int | None
    interval_ms: int
    gaps: int
    longest: list[Gap] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)


def report(
    parsed: Parsed,
    *,
    now_ms: int,
    interval_ms: int,
    say: Callable[[int], str],
    placed: Sequence[Span] | None = None,
    serial: str = "",
) -> Report | None:
    """What a parsed file looks like; None without readings.

    interval_ms  the logger's setting; say: words for a UTC ms; placed: where the logger stood, if that is to
    be looked at; serial: the logger's own number.
    """
    if not parsed.times:
        return None
    times, centi = np.asarray(parsed.times, np.int64), np.asarray(parsed.centi, np.int64)
    good = centi != ERROR
    if not good.any():
        first, last, every = parsed.times[0], parsed.times[-1], parsed.interval_ms
        return Report(first, last, None, None, every, 0, [], _of_reading(parsed, serial))
    gaps = _gaps(times, GAP_FACTOR * interval_of(parsed, interval_ms))
    longest = sorted(gaps, key=lambda gap: -gap.length_ms)[:LONGEST]
    found = Report(
        parsed.times[0], parsed.times[-1], int(centi[good].min()), int(centi[good].max()),
        parsed.interval_ms, len(gaps), longest,
    )  # fmt: skip
    found.remarks += _of_reading(parsed, serial)
    found.remarks += _of_times(parsed, times, now_ms, interval_ms, say)
    found.remarks += _of_values(times[good], centi[good], say)
    if placed is not None:
        found.remarks += _of_places(times, placed)
    return found


def interval_of(parsed: Parsed, set_ms: int) -> int:
    """The recording interval of a download, ms: the median step. Of a few readings that is no interval but
    may be a silence: then the logger's own setting (set_ms) counts if it is shorter."""
    if len(parsed.times) < FEW:
        return min(parsed.interval_ms or set_ms, set_ms)
    return parsed.interval_ms


def _gaps(times: Any, limit: int) -> list[Gap]:
    return [Gap(int(times[k]), int(times[k + 1])) for k in np.flatnonzero(np.diff(times) > limit)]


def _count(number: int, one: str, more: str = "") -> str:
    return f"{number:,} {one if number == 1 else more or one + 's'}"


def _remark(code: str, sentence: str) -> Remark:
    level, do = DO[code]
    return Remark(code, level, sentence, do)


def _of_reading(parsed: Parsed, serial: str) -> list[Remark]:
    found = []
    if not parsed.serial:
        also = f"The logger has {serial}." if serial else "For this logger none is noted either."
        found.append(_remark("no_serial", f"The profile finds no serial number in this file. {also}"))
    elif not serial:
        said = f"The file is of {parsed.serial}; for this logger no serial number is noted."
        found.append(_remark("logger_without_serial", said))
    if parsed.backwards:
        found.append(_remark("newest_first", "The file has the newest reading first. It was turned round."))
    if parsed.after_end:
        said = _count(parsed.after_end, "line")
        found.append(_remark("after_end", f"{said} from the end of the table on: not read."))
    if parsed.errors:
        said = _count(parsed.errors, "row")
        found.append(_remark("sensor_error", f"The sensor failed in {said}. They count as no data."))
    if parsed.switches:
        lines = ", ".join(map(str, parsed.switches))
        said = f"The clocks went back; the second pass of that hour begins at line {lines}."
        found.append(_remark("clocks_back", said))
    return found


def _of_times(
    parsed: Parsed, times: Any, now_ms: int, interval_ms: int, say: Callable[[int], str]
) -> list[Remark]:
    found = []
    ahead = int((times > now_ms + SLACK_MS).sum())
    if ahead:
        said = f"{_count(ahead, 'reading')} in the future, the last at {say(int(times[-1]))}."
        found.append(_remark("in_the_future", said))
    if times[0] < OF_LATE:
        found.append(_remark("long_ago", f"The first reading is of {say(int(times[0]))}."))
    if parsed.interval_ms and parsed.interval_ms != interval_ms:
        said = (
            f"One reading every {_length(parsed.interval_ms)}; the logger is set to {_length(interval_ms)}."
        )
        found.append(_remark("interval_differs", said))
    if parsed.repeated:
        said = _count(parsed.repeated, "row")
        found.append(_remark("said_twice", f"{said} said the same as another and were counted once."))
    return found


def _length(ms: int) -> str:
    minutes, rest = divmod(ms / 1000, 60)
    return f"{minutes:g} min" if not rest else f"{ms / 1000:g} s"


def _of_values(times: Any, centi: Any, say: Callable[[int], str]) -> list[Remark]:
    found = []
    jumps = np.flatnonzero(np.abs(np.diff(centi)) > JUMP)
    if len(jumps):
        k = int(jumps[0])
        said = f"{_count(len(jumps), 'jump')} of more than 40 K from one reading to the next, first at "
        steps = f"{say(int(times[k + 1]))}: {_c(centi[k])} to {_c(centi[k + 1])}."
        found.append(_remark("jump", said + steps))
    if stuck := _stuck(times, centi):
        a, b = stuck
        said = f"From {say(int(times[a]))} to {say(int(times[b]))} always {_c(centi[a])}."
        found.append(_remark("no_change", said))
    for value in SENTINELS:
        count = int((centi == value).sum())
        if count and _lonely(centi, value):
            said = f"{_count(count, 'reading')} of {_c(value)}, far from what is beside them."
            found.append(_remark("sensor_end", said))
    return found


def _lonely(centi: Any, value: int) -> bool:
    """Each run of the value begins or ends with a jump, or it is all there is."""
    steps = np.abs(np.diff(centi))
    at = np.flatnonzero(centi == value)
    edges = [k for k in at if (k and steps[k - 1]) or (k < len(steps) and steps[k])]
    return all(max(steps[k - 1] if k else 0, steps[k] if k < len(steps) else 0) > JUMP / 4 for k in edges)


def _c(centi: int) -> str:
    return f"{centi / 100:.2f} °C".replace("-", "−")


def _stuck(times: Any, centi: Any) -> tuple[int, int] | None:
    """First and last place of the longest stretch without a change, when it is long."""
    ends = np.flatnonzero(np.diff(centi))
    heads, tails = np.append(0, ends + 1), np.append(ends, len(centi) - 1)
    lengths = times[tails] - times[heads]
    k = int(np.argmax(lengths))
    if lengths[k] >= STUCK_MS and tails[k] - heads[k] + 1 >= STUCK_ROWS:
        return int(heads[k]), int(tails[k])
    return None


def _of_places(times: Any, placed: Sequence[Span]) -> list[Remark]:
    inside = np.zeros(len(times), bool)
    for start, end, _ in placed:
        inside |= (times >= start) & (times < end if end is not None else True)
    outside = int((~inside).sum())
    if not outside:
        return []
    if outside == len(times):
        return [_remark("not_placed", "All this time the logger stood in no unit, as far as is noted.")]
    said = f"{_count(outside, 'reading')} of times at which the logger stood in no unit."
    return [_remark("partly_placed", said)]
