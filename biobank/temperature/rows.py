"""The rows of a logger's file: wall times, offsets, values and what is wrong, line by line.

Promises: the first hundreds of mistakes are each named with their line, then reading stops; a value and a
time are worked out once however often they are written. Time zones and order are the business of `parse`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time
from typing import Any

from biobank.temperature import table
from biobank.temperature.cells import COLDEST, WARMEST, centi_of, ms_of_day, time_reader, wall_of
from biobank.temperature.held import ERROR
from biobank.temperature.profile import UNITS, Mapping, begins, caught, holds, normal_serial, words_of
from custody.core.refusal import Refused

MOST_PROBLEMS = 1_000  # then reading stops: it is another kind of file
MOST_HEADING = 500  # lines in which the words of the headings are looked for
EVERY = 5_000  # rows between two calls of `progress`
STOPPED = "Reading stopped here: too much is wrong. This may be another kind of file."
SHORTER = "Export a shorter time."
Progress = Callable[[int, int], object]


@dataclass(frozen=True)
class Problem:
    """One row that cannot be read. `row` counts lines of the file from 1; 0 is the file as a whole."""

    row: int
    code: str
    sentence: str


@dataclass(frozen=True)
class Asked:
    """Rows of an hour that occurs twice, which a person must tell apart: lines, wall times, how many.

    `line` is the key of the answer in Mapping.passes.
    """

    line: int
    to_line: int
    start: datetime
    end: datetime
    rows: int


@dataclass
class Parsed:
    """What a file says. `times` (UTC ms, rising), `centi` and `lines` (of the file, from 1) belong
    together; they are empty if the file has problems.

    rows      lines with a reading or a missing-word; repeated, missing: of these, counted and left out
    errors    readings at which the sensor failed; they stand in `centi` as held.ERROR
    interval_ms  the median step between readings; 0 with fewer than two
    serial    as the file says it; empty when it says none or the profile does not say where
    zone_used, unit, encoding: as read; backwards: newest first in the file
    switches  lines at which the second pass of an hour that occurs twice was found to begin
    asked     stretches of such hours that a person must tell apart
    after_end lines below the declared end of the table, not read
    """

    times: list[int] = field(default_factory=list)
    centi: list[int] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    rows: int = 0
    repeated: int = 0
    missing: int = 0
    interval_ms: int = 0
    problems: list[Problem] = field(default_factory=list)
    errors: int = 0
    serial: str = ""
    zone_used: str = ""
    unit: str = "C"
    encoding: str = ""
    backwards: bool = False
    switches: list[int] = field(default_factory=list)
    asked: list[Asked] = field(default_factory=list)
    after_end: int = 0


class Reading:
    """The rows of one file as they are read: wall times, offsets, values, line numbers."""

    def __init__(self, mapping: Mapping, parsed: Parsed) -> None:
        self.mapping, self.parsed = mapping, parsed
        self.when = time_reader(mapping.time_format)
        self.absent = set(mapping.missing)
        self.failed = set(mapping.errors)
        self.centis: dict[str, int] = {word: ERROR for word in mapping.errors}
        self.lines: list[int] = []
        self.wall: list[int] = []
        self.offsets: list[int | None] = []
        self.centi: list[int] = []
        self.heading: list[str] = []
        self.places: list[int] = []
        self.value = self.serial = -1
        self.serial_line = 0

    def wrong(self, line: int, code: str, sentence: str) -> None:
        if len(self.parsed.problems) >= MOST_PROBLEMS:
            raise TooMany
        self.parsed.problems.append(Problem(line, code, sentence))

    def take(self, found: table.Table, progress: Progress | None, most_rows: int) -> None:
        """Walk the lines. Reading stops at the declared end, or when too much is wrong."""
        self.parsed.encoding = found.encoding
        lines = iter(found.lines)
        self._head(lines)
        try:
            for line, cells in lines:
                if not any(cells):
                    continue
                if self.mapping.footer_words and begins(self.mapping.footer_words, joined(cells)):
                    self.parsed.after_end = 1 + sum(1 for _ in lines)
                    break
                self._row(line, cells)
                if self.parsed.rows % EVERY == 0 and progress:
                    progress(line, max(line, found.total))
                if self.parsed.rows > most_rows:
                    raise Refused("table_too_long", f"A file may have {most_rows:,} rows. {SHORTER}")
        except TooMany:
            self.parsed.problems.append(Problem(line, "too_many_problems", STOPPED))

    def _head(self, lines: Any) -> None:
        """What stands above the first reading: the headings, and the serial number."""
        words = self.mapping.header_words
        if not words and not self.mapping.header_rows:
            return
        for line, cells in lines:
            self._look_for_serial(line, cells)
            self.heading = [str(cell).strip() for cell in cells]
            if holds(words, joined(cells)) if words else line >= self.mapping.header_rows:
                return
            if words and line > MOST_HEADING:
                break
        if words:
            raise Refused("file_kind", f"No line of this file holds the words “{words}” of the headings.")

    def _look_for_serial(self, line: int, cells: Sequence[Any]) -> None:
        if self.mapping.serial_words and not self.parsed.serial:
            self.parsed.serial = caught(self.mapping.serial_words, joined(cells))
            self.serial_line = line

    def _find(self, cells: Sequence[Any]) -> None:
        width = max(len(cells), len(self.heading))
        self.places = [self._place(part, width) for part in self.mapping.time_column.split(" + ")]
        self.value = self._place(self.mapping.value_column, width)
        if self.mapping.serial_column:
            self.serial = self._place(self.mapping.serial_column, width)

    def _place(self, column: str, width: int) -> int:
        wanted, names = column.strip(), [name.casefold() for name in self.heading]
        if wanted.casefold() in names:
            return names.index(wanted.casefold())
        if wanted.isdecimal() and 1 <= int(wanted) <= width:
            return int(wanted) - 1
        seen = ", ".join(name for name in self.heading[:20] if name) or "none"
        raise Refused("file_kind", f"This file has no column “{wanted}”. Its headings are: {seen}.")

    def _row(self, line: int, cells: list[Any]) -> None:
        if not self.places:
            if not any(str(cell).strip() for cell in cells):
                return
            self._find(cells)
        parsed, places = self.parsed, self.places
        try:
            raw = cells[self.value]
            when = cells[places[0]] if len(places) == 1 else [cells[k] for k in places]
        except IndexError:
            return self._short(line, cells)
        parsed.rows += 1
        if self.serial >= 0:
            self._row_serial(line, cells)
        value = raw.strip() if type(raw) is str else raw
        if value in self.absent:
            parsed.missing += 1
            return
        try:
            wall, offset = self._when(when)
        except (ValueError, OverflowError):
            return self.wrong(line, "time_malformed", self._no_time(when))
        try:
            centi = self.centis[value]
        except KeyError:
            worked_out = self._centi(line, value)
            if worked_out is None:
                return
            centi = worked_out
        parsed.errors += centi == ERROR
        self.lines.append(line)
        self.wall.append(wall)
        self.offsets.append(offset)
        self.centi.append(centi)

    def _short(self, line: int, cells: Sequence[Any]) -> None:
        if any(str(cell).strip() for cell in cells):
            self.parsed.rows += 1
            self.wrong(line, "row_short", f"This line has only {len(cells)} columns.")

    def _when(self, raw: Any) -> tuple[int, int | None]:
        if type(raw) is str:
            return self.when(raw.strip())
        if isinstance(raw, list):
            return self._joined_when(raw)
        if isinstance(raw, datetime):
            return wall_of(raw)
        if isinstance(raw, table.NumberCell):
            return self.when(raw)
        raise ValueError(raw)

    def _joined_when(self, parts: list[Any]) -> tuple[int, int | None]:
        """A date and a time of day; a spreadsheet may hold either as text or as a date of its own."""
        if all(type(one) is str for one in parts):
            return self.when(" ".join(one.strip() for one in parts))
        day, at = parts
        if isinstance(day, datetime) and isinstance(at, (time, datetime)):
            clock_time = at if isinstance(at, time) else at.time()
            return wall_of(day)[0] // 86_400_000 * 86_400_000 + ms_of_day(clock_time), None
        raise ValueError(parts)

    def _no_time(self, raw: Any) -> str:
        said = " ".join(str(one) for one in raw) if isinstance(raw, list) else str(raw)
        return f"“{said[:60]}” is not a time written like {words_of(self.mapping.time_format)}."

    def _centi(self, line: int, value: Any) -> int | None:
        if isinstance(value, table.FormulaCell):
            self.wrong(line, "formula_refused", "This cell holds a formula. Write its value instead.")
            return None
        if isinstance(value, table.ErrorCell):
            self.wrong(line, "cell_is_error", f"This cell shows the error {value}.")
            return None
        if value in self.failed:
            return ERROR
        plain = isinstance(value, table.NumberCell)
        try:
            centi = centi_of(str(value), self.mapping.unit, "." if plain else self.mapping.decimal)
        except ValueError:
            self.wrong(line, "value_not_number", f"“{str(value)[:60]}” is not a number.")
            return None
        if not COLDEST <= centi <= WARMEST:
            unit = UNITS[self.mapping.unit]
            self.wrong(line, "value_range", f"{value} {unit} is no temperature that a logger can show.")
            return None
        if not plain and len(self.centis) < 200_000:
            self.centis[value] = centi
        return centi

    def _row_serial(self, line: int, cells: Sequence[Any]) -> None:
        said = str(cells[self.serial]).strip() if self.serial < len(cells) else ""
        if not said or normal_serial(said) == normal_serial(self.parsed.serial):
            return
        if self.parsed.serial:
            sentence = f"This row is of {said}; the rows before are of {self.parsed.serial}."
            self.wrong(line, "serial_differs", sentence)
        else:
            self.parsed.serial, self.serial_line = said, line


class TooMany(Exception):
    """So much is wrong that reading on helps nobody."""


def joined(cells: Sequence[Any]) -> str:
    return "\t".join(str(cell).strip() for cell in cells)
