"""A logger's file, read by a saved mapping into UTC milliseconds and hundredths of °C.

Promises: a file is read whole or not at all; every row that cannot be read is named with its number, a
code and a sentence; nothing is guessed. No Django, no clock, no disk.

Rules, chosen here and stated to the user:
- °C and °F are turned into hundredths of °C by exact fractions, rounded half to even, once.
- Rows must be in time order. The same time with the same value twice counts once; with another value
  it is an error (readings are evidence, they are not averaged).
- Local time: an hour that occurs twice in autumn is told apart by order alone. Where the clock is seen
  to step back once inside that hour, rows before the step are the first pass and rows after it the
  second, provided that the step leaves no silence longer than three recording intervals. Otherwise
  every row of that hour is refused. A local time that never was (spring) is refused: it shows that the
  logger was not set to this zone.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from statistics import median
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from custody.core.refusal import Refused
from custody.core.thermal import GAP_FACTOR

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NUMBER = re.compile(r"[+-]?\d+(\.\d+)?\Z")
FIXED = re.compile(r"(?:UTC)?([+-])(\d\d):?(\d\d)\Z")
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t"}
COLDEST, WARMEST = -27_315, 32_767  # absolute zero; what two bytes hold


@dataclass(frozen=True)
class Mapping:
    """How a kind of file is read. Columns are named by their heading or by number (first is 1).

    header_rows   lines before the first reading; the last of them holds the headings
    time_column   one column, or two joined by ` + ` (date + time); time_format as in strptime
    zone          `UTC`, an offset such as `+01:00`, or an IANA zone; not used if the format has %z
    unit          C or F; decimal `.` or `,`; missing: words that stand for no reading
    """

    time_column: str = "1"
    value_column: str = "2"
    time_format: str = "%Y-%m-%d %H:%M:%S"
    zone: str = "UTC"
    unit: str = "C"
    delimiter: str = "comma"
    decimal: str = "."
    header_rows: int = 1
    missing: tuple[str, ...] = ()

    @classmethod
    def of(cls, spec: dict[str, object]) -> Mapping:
        return cls(**{**spec, "missing": tuple(spec.get("missing", ()))})  # type: ignore[arg-type]

    def spec(self) -> dict[str, object]:
        return {**asdict(self), "missing": list(self.missing)}


@dataclass(frozen=True)
class Problem:
    """One row that cannot be read. `row` counts lines of the file from 1."""

    row: int
    code: str
    sentence: str


@dataclass
class Parsed:
    """What a file says. `times` (UTC ms, rising), `centi` and `lines` (of the file, from 1) belong
    together; they are empty if the file has problems.

    rows      lines with a reading or a missing-word; repeated, missing: of these, counted and left out
    interval_ms  the median step between readings; 0 with fewer than two
    """

    times: list[int] = field(default_factory=list)
    centi: list[int] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    rows: int = 0
    repeated: int = 0
    missing: int = 0
    interval_ms: int = 0
    problems: list[Problem] = field(default_factory=list)


@dataclass(frozen=True)
class _Row:
    number: int
    moment: datetime
    centi: int


def parse(content: bytes, mapping: Mapping) -> Parsed:
    """Read a whole file. Raises Refused `file_kind` when it is no table of this kind at all."""
    zone, parsed = zone_of(mapping.zone), Parsed()
    rows = list(_rows(_text(content), mapping, parsed))
    if not parsed.rows:
        raise Refused("file_kind", "This file has no reading after its headings.")
    timed = _utc(rows, zone, parsed.problems)
    _in_order(timed, parsed)
    if parsed.problems:
        parsed.times, parsed.centi, parsed.lines = [], [], []
        parsed.problems.sort(key=lambda problem: problem.row)
    return parsed


# --- the table ----------------------------------------------------------------------------------


def _text(content: bytes) -> str:
    if not content.strip():
        raise Refused("file_kind", "This file is empty.")
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")  # a degree sign from an older logger program
    if "\0" in text or text.startswith(("%PDF", "PK\x03\x04")):
        raise Refused("file_kind", "This is not a text table. Export the readings from the logger as CSV.")
    return text


def _rows(text: str, mapping: Mapping, parsed: Parsed) -> Iterator[_Row]:
    """Every readable row; problems, missing words and counts go into `parsed`."""
    table = csv.reader(io.StringIO(text, newline=""), delimiter=DELIMITERS[mapping.delimiter])
    heading: list[str] = []
    find: Callable[[list[str]], tuple[str, str]] | None = None
    try:
        for cells in table:
            if table.line_num <= mapping.header_rows:
                heading = cells
                continue
            if not any(cell.strip() for cell in cells):
                continue
            find = find or _finder(heading, cells, mapping)
            parsed.rows += 1
            row = _row(table.line_num, cells, find, mapping, parsed)
            if row:
                yield row
    except csv.Error as why:
        raise Refused("file_kind", f"Line {table.line_num} is not a line of a table: {why}.") from why


def _finder(heading: list[str], first: list[str], mapping: Mapping) -> Callable[[list[str]], tuple[str, str]]:
    names = [name.strip().casefold() for name in heading]

    def place(column: str) -> int:
        wanted = column.strip()
        if wanted.casefold() in names:
            return names.index(wanted.casefold())
        if wanted.isdigit() and 1 <= int(wanted) <= max(len(first), len(names)):
            return int(wanted) - 1
        seen = ", ".join(name.strip() for name in heading if name.strip()) or "none"
        raise Refused("file_kind", f"This file has no column “{wanted}”. Its headings are: {seen}.")

    times = [place(part) for part in mapping.time_column.split(" + ")]
    value = place(mapping.value_column)
    return lambda cells: (" ".join(cells[i].strip() for i in times), cells[value].strip())


def _row(
    number: int,
    cells: list[str],
    find: Callable[[list[str]], tuple[str, str]],
    mapping: Mapping,
    parsed: Parsed,
) -> _Row | None:
    def wrong(code: str, sentence: str) -> None:
        parsed.problems.append(Problem(number, code, sentence))

    try:
        when, value = find(cells)
    except IndexError:
        return wrong("row_short", f"This line has only {len(cells)} columns.")
    if value in mapping.missing:
        parsed.missing += 1
        return None
    try:
        moment = datetime.strptime(when, mapping.time_format)
    except ValueError:
        return wrong("time_malformed", f"“{when}” is not a time written as {mapping.time_format}.")
    try:
        centi = centi_of(value, mapping.unit, mapping.decimal)
    except ValueError:
        return wrong("value_not_number", f"“{value}” is not a number.")
    if not COLDEST <= centi <= WARMEST:
        return wrong("value_range", f"{value} °{mapping.unit} is no temperature that a logger can show.")
    return _Row(number, moment, centi)


@lru_cache(maxsize=65_536)
def centi_of(text: str, unit: str = "C", decimal: str = ".") -> int:
    """A written temperature as hundredths of °C: exact, then rounded half to even. ValueError: no number.

    °F: (F - 32) * 5/9. Minus may be written as U+2212; there are no thousands separators.
    """
    plain = text.replace("−", "-").replace(decimal, ".") if decimal != "." else text.replace("−", "-")
    if not NUMBER.match(plain) or (decimal != "." and "." in text):
        raise ValueError(text)
    value = Fraction(plain)
    return round((value - 32) * 500 / 9 if unit == "F" else value * 100)


# --- time ---------------------------------------------------------------------------------------


def zone_of(name: str) -> tzinfo:
    """`UTC`, a fixed offset or an IANA zone. Raises Refused `zone_unknown`."""
    if fixed := FIXED.match(name.strip()):
        sign, hours, minutes = fixed.groups()
        span = timedelta(hours=int(hours), minutes=int(minutes))
        if span < timedelta(hours=24):
            return timezone(-span if sign == "-" else span)
    try:
        return ZoneInfo(name.strip())
    except (ZoneInfoNotFoundError, ValueError, OSError) as why:
        raise Refused("zone_unknown", f"“{name}” is no time zone. Write UTC, +01:00 or Area/City.") from why


def _ms(moment: datetime) -> int:
    return (moment - EPOCH) // timedelta(milliseconds=1)


@dataclass
class _Timed:
    """A row's possible moments, UTC ms: one, or two in an hour that occurs twice."""

    row: _Row
    first: int
    second: int | None = None


def _utc(rows: list[_Row], zone: tzinfo, problems: list[Problem]) -> list[_Timed]:
    found = []
    for row in rows:
        if row.moment.tzinfo:
            found.append(_Timed(row, _ms(row.moment)))
            continue
        first, second = row.moment.replace(tzinfo=zone), row.moment.replace(tzinfo=zone, fold=1)
        offsets = first.utcoffset(), second.utcoffset()
        if offsets[0] == offsets[1]:
            found.append(_Timed(row, _ms(first.astimezone(UTC))))
        elif offsets[0] > offsets[1]:  # type: ignore[operator]
            found.append(_Timed(row, _ms(first.astimezone(UTC)), _ms(second.astimezone(UTC))))
        else:
            said = f"{row.moment:%Y-%m-%d %H:%M} never was in {zone}: the clocks went forward over it. "
            problems.append(Problem(row.number, "time_never_was", f"{said}{NOT_LOCAL}"))
    _tell_apart(found, zone, problems)
    return found


NOT_LOCAL = "The logger was not on this local time; if it stayed on standard time, give its fixed offset."


def _tell_apart(timed: list[_Timed], zone: tzinfo, problems: list[Problem]) -> None:
    """Settle the rows of each hour that occurs twice by the one step back, or refuse them."""
    gap = GAP_FACTOR * _interval([t.first for t in timed if t.second is None])
    start = 0
    while start < len(timed):
        end = start
        while end < len(timed) and timed[end].second is not None and _same_night(timed[start], timed[end]):
            end += 1
        if end == start:
            start += 1
            continue
        _settle(timed[start:end], gap, zone, problems)
        start = end


def _same_night(a: _Timed, b: _Timed) -> bool:
    return abs(b.first - a.first) < 86_400_000


def _settle(hour: list[_Timed], gap: int, zone: tzinfo, problems: list[Problem]) -> None:
    steps = [k for k in range(1, len(hour)) if hour[k].first <= hour[k - 1].first]
    if len(steps) == 1:
        at = steps[0]
        if (hour[at].second or 0) - hour[at - 1].first <= gap:
            for row in hour[at:]:
                row.first = row.second or row.first
            return
    for timed in hour:
        said = f"{timed.row.moment:%Y-%m-%d %H:%M} occurred twice in {zone}; the order of rows does not say "
        problems.append(Problem(timed.row.number, "time_ambiguous", f"{said}which it was. Export with UTC."))


def _interval(times: list[int]) -> int:
    steps = [b - a for a, b in pairwise(times) if b > a]
    return round(median(steps)) if steps else 0


def _in_order(timed: list[_Timed], parsed: Parsed) -> None:
    for one in timed:
        last = parsed.times[-1] if parsed.times else None
        if last is None or one.first > last:
            parsed.times.append(one.first)
            parsed.centi.append(one.row.centi)
            parsed.lines.append(one.row.number)
        elif one.first < last:
            sentence = "This time is earlier than the line before. Rows must be in the order of time."
            parsed.problems.append(Problem(one.row.number, "out_of_order", sentence))
        elif one.row.centi == parsed.centi[-1]:
            parsed.repeated += 1
        else:
            sentence = "This time has another value on the line before. One of the two is wrong."
            parsed.problems.append(Problem(one.row.number, "same_time_twice", sentence))
    parsed.interval_ms = _interval(parsed.times)
