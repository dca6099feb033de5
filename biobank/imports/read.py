"""A file of the outside world as a table of cells: CSV (comma, semicolon, tab) or XLSX.

Promises: the same table in either form reads the same; a cell is what its writer saw (a formula is its
value), and a cell that has no value to give says so instead of reading as blank; the size of what is
unpacked is bounded. Row numbers are those of a spreadsheet: the heading is row 1.
"""

from __future__ import annotations

import csv
import hashlib
import io
import unicodedata
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any

from openpyxl import load_workbook

from custody.core.refusal import Refused

MOST_BYTES = 5_000_000
MOST_UNPACKED = 60_000_000  # a small zip can hold a very large sheet
MOST_ROWS = 5_000
MOST_BLANK = 20_000  # spreadsheets like to keep formatted empty rows at the end
MOST_COLUMNS = 200
OLD_SPREADSHEET = b"\xd0\xcf\x11\xe0"  # the compound file of .xls and of encrypted .xlsx

Cell = str | datetime  # blank is ""
Cells = tuple[list[Cell], list["BadCell"]]
Numbered = tuple[int, list[Cell], list["BadCell"]]


@dataclass(frozen=True)
class BadCell:
    """A cell that cannot be read, and why."""

    column: str
    sentence: str
    code: str


@dataclass(frozen=True)
class Row:
    number: int
    cells: dict[str, Cell]
    bad: tuple[BadCell, ...] = ()


@dataclass(frozen=True)
class Table:
    """`columns` as headed; `rows` without the blank ones."""

    columns: tuple[str, ...]
    rows: tuple[Row, ...] = field(repr=False)
    sheet: str = ""


def fingerprint(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def read_table(content: bytes, sheet: str = "", formulas: bool = True) -> Table:
    """The table in this file. `sheet` names one of an XLSX file; empty is the first.

    formulas  False: a cell of an XLSX file that holds a formula is a bad cell, whatever its value.
    Refused: file_empty, file_too_large, file_kind, sheet_unknown, heading_missing, column_repeated,
    table_too_long, table_too_wide.
    """
    if not content.strip():
        raise Refused("file_empty", "This file is empty.")
    if len(content) > MOST_BYTES:
        raise Refused(
            "file_too_large", f"A table may have {MOST_BYTES // 1_000_000} MB. Split it, say by year."
        )
    if content.startswith(OLD_SPREADSHEET):
        raise Refused("file_kind", "This is an old or locked spreadsheet. Save it as .xlsx without password.")
    if content.startswith(b"PK"):
        return _from_xlsx(content, sheet, formulas)
    return _from_csv(content)


def _from_csv(content: bytes) -> Table:
    text = _text(content)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
        lines = list(_bounded(reader))
    except csv.Error as why:
        raise Refused("file_kind", "This is not a table with quoted fields that can be read.") from why
    columns = _headed([_plain(cell) for cell in lines[0]] if lines else [])
    return _table(columns, (_numbered(n, cells) for n, cells in enumerate(lines[1:], 2)))


def _numbered(n: int, cells: Sequence[str]) -> Numbered:
    return n, [_plain(cell) for cell in cells], []


def _text(content: bytes) -> str:
    """UTF-8 text, with or without a byte order mark. No guessing: a wrong guess changes names silently."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as why:
        raise Refused("file_kind", "This is neither .xlsx nor text in UTF-8. Save it as CSV UTF-8.") from why
    if "\0" in text:
        raise Refused("file_kind", "This is not a text file. Save the table as CSV UTF-8 or .xlsx.")
    return text


def _delimiter(text: str) -> str:
    """Of comma, semicolon and tab the one that makes the most columns of the heading."""

    def columns(sign: str) -> int:
        return len(next(csv.reader(io.StringIO(text, newline=""), delimiter=sign), []))

    return max([",", ";", "\t"], key=columns)


def _from_xlsx(content: bytes, sheet: str, allowed: bool) -> Table:
    _check_zip(content)
    values, formulas = _book(content, True), _book(content, False)
    try:
        name = sheet or values.sheetnames[0]
        if name not in values.sheetnames:
            raise Refused("sheet_unknown", f"There is no sheet {name!r}, but {', '.join(values.sheetnames)}.")
        lines = list(_bounded(_cells(values[name])))
        said = list(_bounded(_cells(formulas[name])))
    except (ValueError, KeyError, SyntaxError, AttributeError, TypeError, zipfile.BadZipFile) as why:
        raise Refused("file_kind", "This .xlsx file is damaged. Open it and save it again.") from why
    finally:
        values.close()
        formulas.close()
    columns = _headed([str(_cell(cell)) for cell in lines[0]] if lines else [])
    pairs = enumerate(zip(lines[1:], said[1:], strict=True), 2)
    rows = ((n, *_read_cells(columns, *pair, allowed)) for n, pair in pairs)
    return _table(columns, rows, name)


def _check_zip(content: bytes) -> None:
    try:
        unpacked = sum(one.file_size for one in zipfile.ZipFile(io.BytesIO(content)).infolist())
    except zipfile.BadZipFile as why:
        raise Refused("file_kind", "This file is damaged; it is neither .xlsx nor CSV.") from why
    if unpacked > MOST_UNPACKED:
        raise Refused("file_too_large", "This file unpacks to more than a table of samples can need.")


def _book(content: bytes, values: bool) -> Any:
    """A workbook; openpyxl answers a foreign zip with any of these."""
    try:
        return load_workbook(io.BytesIO(content), read_only=True, data_only=values, keep_links=False)
    except (KeyError, ValueError, OSError, TypeError, AttributeError, SyntaxError, zipfile.BadZipFile) as why:
        raise Refused("file_kind", "This is not an .xlsx file. Save it as .xlsx or CSV UTF-8.") from why


def _cells(sheet: Any) -> Iterator[Sequence[Any]]:
    sheet.reset_dimensions()  # what a file says of its own size may be wrong
    found: Iterator[Sequence[Any]] = sheet.iter_rows(max_col=MOST_COLUMNS + 1)
    return found


def _read_cells(
    columns: Sequence[str], values: Sequence[Any], said: Sequence[Any], allowed: bool = True
) -> Cells:
    """The cells' values, and those that have none: errors, and formulas that were never worked out."""
    bad = []
    for name, value, formula in zip(columns, values, said, strict=False):
        if getattr(value, "data_type", "") == "e":
            bad.append(BadCell(name, f"This cell shows the error {value.value}.", "cell_is_error"))
        elif getattr(formula, "data_type", "") == "f" and not allowed:
            bad.append(
                BadCell(name, "This cell holds a formula. Write its value instead.", "formula_refused")
            )
        elif getattr(formula, "data_type", "") == "f" and value.value is None:
            sentence = "This formula has no saved value. Open the file in a spreadsheet and save it again."
            bad.append(BadCell(name, sentence, "formula_without_value"))
    return [_cell(value) for value in values], bad


def _cell(cell: Any) -> Cell:
    """Dates stay dates, whole numbers lose the .0 that spreadsheets give them, all else is text."""
    value = cell.value
    match value:
        case None:
            return ""
        case bool():
            return str(value).upper()
        case float() if value.is_integer():
            return str(int(value))
        case datetime():
            return value
        case date():
            return datetime.combine(value, time())
    return _plain(str(value))


def _plain(text: str) -> str:
    return unicodedata.normalize("NFC", text.strip())


def _bounded(lines: Iterable[Sequence[Any]]) -> Iterator[Sequence[Any]]:
    """The rows, as long as there are not too many; one that holds nothing counts towards the larger limit."""
    full = 0
    for n, cells in enumerate(lines):
        width = _width(cells)
        full += width > 0
        if full > MOST_ROWS + 1 or n > MOST_ROWS + MOST_BLANK:
            raise Refused("table_too_long", f"A table may have {MOST_ROWS} rows. Split it, by year perhaps.")
        if width > MOST_COLUMNS:
            raise Refused("table_too_wide", f"A table may have {MOST_COLUMNS} columns.")
        yield cells


def _width(cells: Sequence[Any]) -> int:
    """The number of the last cell that holds something; a sheet's rows are padded to one width."""
    for n in range(len(cells), 0, -1):
        if getattr(cells[n - 1], "value", cells[n - 1]) not in (None, ""):
            return n
    return 0


def _headed(names: Sequence[str]) -> tuple[str, ...]:
    """The headings; empty ones at the end are dropped, those between are kept as empty."""
    columns = list(names)
    while columns and not columns[-1]:
        columns.pop()
    if not columns:
        raise Refused("heading_missing", "The first row must hold the names of the columns.")
    repeated = [name for n, name in enumerate(columns) if name and name in columns[:n]]
    if repeated:
        raise Refused("column_repeated", f"Two columns are called {repeated[0]!r}.")
    return tuple(columns)


def _table(columns: tuple[str, ...], rows: Iterable[Numbered], sheet: str = "") -> Table:
    found = tuple(_row(n, columns, cells, bad) for n, cells, bad in rows if bad or any(cells))
    return Table(tuple(name for name in columns if name), found, sheet)


def _row(number: int, columns: tuple[str, ...], cells: list[Cell], bad: list[BadCell]) -> Row:
    if any(cells[len(columns) :]):
        bad = [*bad, BadCell("", "This row has more cells than there are columns.", "row_too_wide")]
    filled = [*cells, *[""] * len(columns)]
    return Row(number, {name: cell for name, cell in zip(columns, filled, strict=False) if name}, tuple(bad))
