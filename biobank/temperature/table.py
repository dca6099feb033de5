"""A logger's file as numbered lines of cells: text, XLSX, either one packed.

Promises: a line number is what an editor or a spreadsheet shows; a cell of a spreadsheet keeps its kind
(date, number, formula, error) so that nothing is guessed from how it would be shown; sizes are bounded.
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

from openpyxl import load_workbook

from biobank.temperature.profile import DELIMITERS, Mapping
from biobank.temperature.unpack import ZIP, unpacked
from custody.core.refusal import Refused

MOST_LINES = 20_000_000  # of which most may be empty; rows are counted apart
MOST_ROWS = 2_000_000  # unless a setting says otherwise: 3 years 10 months at one reading a minute
MOST_COLUMNS = 200
MOST_BLANK = 50_000  # spreadsheets keep formatted empty rows at the end
BAD_XLSX = (KeyError, ValueError, OSError, TypeError, AttributeError, SyntaxError, IndexError,
            zipfile.BadZipFile)  # fmt: skip
SPREADSHEET = "spreadsheet"


class NumberCell(str):
    """A number of a spreadsheet, written with a point whatever the profile's decimal sign."""


class FormulaCell(str):
    """A formula: what it would show is not in the file for certain."""


class ErrorCell(str):
    """An error such as #DIV/0!."""


Cell = str | datetime | time
Line = tuple[int, list[Any]]


@dataclass
class Table:
    """`lines` may be walked once. total: lines of the file, about; encoding: as read, or `spreadsheet`."""

    lines: Iterator[Line]
    encoding: str
    total: int
    sheets: tuple[str, ...] = ()


def read(content: bytes, mapping: Mapping) -> Table:
    """The lines of this file. Refused: file_kind, sheet_unknown, table_too_wide, table_too_long and
    those of unpacking; the last two while walking the lines."""
    if not content.strip():
        raise Refused("file_kind", "This file is empty.")
    inside = unpacked(content)
    if inside.startswith(ZIP):
        return _spreadsheet(inside, mapping.sheet)
    text, encoding = decoded(inside, mapping.encoding)
    return Table(_bounded(text_lines(text, mapping.delimiter)), encoding, text.count("\n") + 1)


# --- text ---------------------------------------------------------------------------------------


def encoding_of(content: bytes) -> str:
    """The encoding that the bytes show: by their mark, by every second byte being nought, by being UTF-8."""
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    head = content[:4_000]
    if head[1::2].count(0) > 0.4 * len(head[1::2]) and not head[0::2].count(0):
        return "utf-16"
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"  # a degree sign from an older logger program
    return "utf-8"


def decoded(content: bytes, encoding: str = "auto") -> tuple[str, str]:
    """The text and the encoding it was read with. Refused `file_kind` when it is none or does not fit."""
    used = encoding_of(content) if encoding == "auto" else encoding
    marked = content[:2] in (b"\xff\xfe", b"\xfe\xff")
    codec = {"utf-8": "utf-8-sig", "utf-16": "utf-16" if marked else "utf-16-le"}.get(used, used)
    try:
        text = content.decode(codec)
    except UnicodeDecodeError as why:
        raise Refused("file_kind", f"This file is not written in {used}.") from why
    if "\0" in text or text.startswith(("%PDF", "\x89PNG")):
        raise Refused("file_kind", "This is not a text table. Export the readings from the logger as CSV.")
    if not text.strip():
        raise Refused("file_kind", "This file is empty.")
    return text, used


def text_lines(text: str, delimiter: str) -> Iterator[Line]:
    """Numbered lines of cells; a quoted cell may hold line ends (the number is then that of its last)."""
    stream = io.StringIO(text, newline="")
    if delimiter == "spaces":
        yield from ((number, line.split()) for number, line in enumerate(stream, 1))
        return
    table = csv.reader(stream, delimiter=DELIMITERS[delimiter])
    try:
        for cells in table:
            yield table.line_num, cells
    except csv.Error as why:
        raise Refused("file_kind", f"Line {table.line_num} is not a line of a table: {why}.") from why


def _bounded(lines: Iterable[Line]) -> Iterator[Line]:
    for count, line in enumerate(lines):
        if count > MOST_LINES:
            raise Refused("table_too_long", f"A file may have {MOST_LINES:,} lines. Export a shorter time.")
        if len(line[1]) > MOST_COLUMNS:
            raise Refused("table_too_wide", f"Line {line[0]} has more than {MOST_COLUMNS} columns.")
        yield line


# --- spreadsheets -------------------------------------------------------------------------------


def _spreadsheet(content: bytes, name: str) -> Table:
    try:
        book: Any = load_workbook(io.BytesIO(content), read_only=True, data_only=False, keep_links=False)
        names = tuple(one.title for one in book.worksheets)
    except BAD_XLSX as why:
        raise Refused("file_kind", "This .xlsx file is damaged. Open it and save it again.") from why
    if name and name not in names:
        raise Refused("sheet_unknown", f"There is no sheet “{name}” in this file, but {', '.join(names)}.")
    if not names:
        raise Refused("file_kind", "This spreadsheet has no sheet with cells.")
    sheet = book[name or names[0]]
    return Table(_bounded(_sheet_lines(book, sheet)), SPREADSHEET, sheet.max_row or 0, names)


def _sheet_lines(book: Any, sheet: Any) -> Iterator[Line]:
    sheet.reset_dimensions()  # what a file says of its own size may be wrong
    blank = width = 0
    try:
        for number, cells in enumerate(sheet.iter_rows(), 1):
            row = [_cell(cell) for cell in cells]
            while row and row[-1] == "":
                row.pop()
            blank = 0 if row else blank + 1
            if blank > MOST_BLANK:
                break
            width = max(width, len(row))
            yield number, row + [""] * (width - len(row)) if row else row
    except BAD_XLSX as why:
        raise Refused("file_kind", "This .xlsx file is damaged. Open it and save it again.") from why
    finally:
        book.close()


def _cell(cell: Any) -> Cell:
    value, kind = cell.value, getattr(cell, "data_type", "")
    if value is None:
        return ""
    if kind == "f":
        return FormulaCell(value)
    if kind == "e":
        return ErrorCell(value)
    match value:
        case bool():
            return str(value).upper()
        case int() | float():
            return NumberCell(format(Decimal(repr(value)), "f"))
        case datetime() | time():
            return value
        case date():
            return datetime.combine(value, time())
        case timedelta():  # a time of day that was formatted as a length
            return (datetime.min + value).time() if timedelta() <= value < timedelta(days=1) else str(value)
    return str(value)
