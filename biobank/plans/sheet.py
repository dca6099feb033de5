"""A plan as a table: one row for the plan, one for each tube, one for each kind of aliquots.

Promises: what is written is read back as the same plan, from CSV and from XLSX; nothing that is written can
be taken for a formula by a spreadsheet, and a formula in what is read is refused; `read` finds every fault,
each with row, column, sentence and code, or gives a plan that is sound.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import MISSING, dataclass, field, fields
from datetime import datetime
from typing import Any

from openpyxl import Workbook

from biobank.imports.read import BadCell, Cell, Row, Table, read_table
from biobank.plans.check import faults
from biobank.plans.columns import ALIQUOTS, PLAN, TUBE, Column, Said
from biobank.plans.values import Aliquots, Plan, Planned, in_order
from custody.core.refusal import Refused

WHAT, NUMBER = "what", "number"
KINDS: dict[str, tuple[Column, ...]] = {"plan": PLAN, "tube": TUBE, "aliquots": ALIQUOTS}
HEADINGS = tuple(
    dict.fromkeys([WHAT, *(one.heading for kind in ("tube", "aliquots", "plan") for one in KINDS[kind])])
)
COMMAND = ("=", "+", "-", "@", "\t", "\r", "#", "'")  # the last two: an error word, and our own mark
MARK = "'"
WIDE = {"note", "handling", "purpose", "label", "name", "container", "source of the order of draw"}


@dataclass(frozen=True)
class Fault:
    """What is wrong in a table. Row as a spreadsheet counts it, 0 for the whole table."""

    row: int
    column: str
    sentence: str
    code: str


# --- writing ---


def to_csv(plan: Plan) -> bytes:
    """UTF-8 with a byte order mark, which is how a spreadsheet knows it."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerows(_lines(plan))
    return text.getvalue().encode("utf-8-sig")


def to_xlsx(plan: Plan) -> bytes:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "plan"
    for line in _lines(plan):
        sheet.append(list(line))
    sheet.freeze_panes = "C2"
    for n, heading in enumerate(HEADINGS, 1):
        letter = sheet.cell(1, n).column_letter
        sheet.column_dimensions[letter].width = 28 if heading in WIDE else 12
    found = io.BytesIO()
    book.save(found)
    return found.getvalue()


def _lines(plan: Plan) -> Iterator[Sequence[Said]]:
    yield HEADINGS
    yield _line("plan", plan)
    for tube in plan.tubes:
        yield _line("tube", tube)
        for some in tube.made:
            yield _line("aliquots", some, {NUMBER: tube.number})


def _line(kind: str, value: Any, more: dict[str, Said] | None = None) -> list[Said]:
    said = {one.heading: one.write(getattr(value, one.name)) for one in KINDS[kind]}
    cells = {WHAT: kind} | said | (more or {})
    return [harmless(cells.get(heading, "")) for heading in HEADINGS]


def harmless(said: Said) -> Said:
    """A text that a spreadsheet would take for a formula gets an apostrophe; numbers are what they are."""
    return MARK + said if isinstance(said, str) and said.startswith(COMMAND) else said


# --- reading ---


@dataclass
class _Reading:
    """What was read so far, with the row in which each stands, for faults that are found later."""

    faults: list[Fault] = field(default_factory=list)
    plan: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    tubes: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    aliquots: list[tuple[int, int | None, dict[str, Any]]] = field(default_factory=list)

    def no(self, row: int, column: str, sentence: str, code: str) -> None:
        self.faults.append(Fault(row, column, sentence, code))


def read(content: bytes) -> tuple[Plan | None, list[Fault]]:
    """The plan in this file, or what is wrong with it. Refused: as `read_table`, when it is no table."""
    table = read_table(content, formulas=False)
    reading = _Reading()
    _headings(table, reading)
    if not reading.faults:
        for row in table.rows:
            _read_row(row, reading)
        _whole(reading)
    return (None, sorted(reading.faults, key=lambda one: one.row)) if reading.faults else _plan(reading)


def _headings(table: Table, reading: _Reading) -> None:
    for name in table.columns:
        if name not in HEADINGS:
            reading.no(1, name[:40], "No such column is known.", "column_unknown")
    for name in (WHAT, NUMBER, "label", "code", "name"):
        if name not in table.columns:
            reading.no(1, name, "This column is missing.", "column_missing")


def _read_row(row: Row, reading: _Reading) -> None:
    kind = str(row.cells.get(WHAT, "")).casefold()
    bad = {one.column for one in row.bad}
    for one in row.bad:
        _bad(row, one, reading)
    if kind not in KINDS:
        if WHAT not in bad:
            sentence = f"“{kind[:20]}” is none of {', '.join(KINDS)}."
            reading.no(row.number, WHAT, sentence, "row_kind_unknown")
        return
    columns = {one.heading: one for one in KINDS[kind]}
    _strangers(row, kind, columns, reading)
    usual = _usual(kind)
    said = {one.name: _cell(row, one, reading, usual) for one in columns.values() if one.heading not in bad}
    _keep(row, kind, said, reading)


def _bad(row: Row, one: BadCell, reading: _Reading) -> None:
    reading.no(row.number, one.column, one.sentence, one.code)


def _strangers(row: Row, kind: str, columns: dict[str, Column], reading: _Reading) -> None:
    belongs = {WHAT, *columns} | ({NUMBER} if kind == "aliquots" else set())
    for heading, cell in row.cells.items():
        if cell != "" and heading not in belongs:
            reading.no(
                row.number, heading, f"A row of kind {kind} has no {heading}.", "cell_not_for_this_row"
            )


def _usual(kind: str) -> dict[str, Any]:
    """What a blank cell means where it cannot mean nothing."""
    value = {"plan": Plan, "tube": Planned, "aliquots": Aliquots}[kind]
    return {one.name: one.default for one in fields(value) if one.default is not MISSING}


def _cell(row: Row, column: Column, reading: _Reading, usual: dict[str, Any]) -> Any:
    """None after a fault: the reading has failed anyway."""
    cell = row.cells.get(column.heading, "")
    if cell == "" and column.needed and column.name in usual:
        return usual[column.name]
    try:
        return column.read(plain(cell, column.kind))
    except Refused as no:
        reading.no(row.number, column.heading, no.sentence, no.code)
        return None


def plain(cell: Cell, kind: str = "text") -> str:
    """A cell without the apostrophe that `harmless` gives. Refused: formula_refused, cell_is_date."""
    if isinstance(cell, datetime):
        raise Refused("cell_is_date", "The spreadsheet holds a date here. Format the cell as text.")
    if cell.startswith(MARK):
        return cell[1:]
    signs = ("=", "@") if kind == "number" else ("=", "+", "-", "@")
    if cell.startswith(signs):
        raise Refused(
            "formula_refused",
            "This could be read as a formula. Write its value; a text that begins with = + - or @ "
            "stands behind an apostrophe.",
        )
    return cell


def _keep(row: Row, kind: str, said: dict[str, Any], reading: _Reading) -> None:
    if kind == "plan":
        reading.plan.append((row.number, said))
    elif kind == "tube":
        reading.tubes.append((row.number, said))
    else:
        number = next(one for one in TUBE if one.name == "number")
        reading.aliquots.append((row.number, _cell(row, number, reading, {}), said))


def _whole(reading: _Reading) -> None:
    """What only the table as a whole can show."""
    if not reading.plan:
        reading.no(0, WHAT, "There is no row of kind plan.", "plan_row_missing")
    for row, _ in reading.plan[1:]:
        reading.no(
            row, WHAT, "There is a row of kind plan already: one table, one plan.", "plan_row_repeated"
        )
    numbers = [said.get("number") for _, said in reading.tubes]
    for n, (row, _) in enumerate(reading.tubes):
        if numbers[n] is not None and numbers[n] in numbers[:n]:
            reading.no(row, NUMBER, f"Number {numbers[n]} is there twice.", "number_taken")
    for row, number, _ in reading.aliquots:
        if number is not None and number not in numbers:
            reading.no(row, NUMBER, f"There is no tube {number} to make them from.", "tube_not_in_table")


def _plan(reading: _Reading) -> tuple[Plan | None, list[Fault]]:
    (row, said), tubes = reading.plan[0], []
    for line, one in reading.tubes:
        made = [(n, Aliquots(**some)) for n, number, some in reading.aliquots if number == one["number"]]
        tubes.append((line, [n for n, _ in made], Planned(**one, made=tuple(some for _, some in made))))
    tubes.sort(key=lambda one: in_order_key(one[2]))
    plan = Plan(**said, tubes=in_order([tube for _, _, tube in tubes]))
    found = [
        Fault(
            row if one.tube is None
            else tubes[one.tube][0] if one.aliquots is None
            else tubes[one.tube][1][one.aliquots],
            one.column, one.sentence, one.code,
        )
        for one in faults(plan)
    ]  # fmt: skip
    return (None, found) if found else (plan, [])


def in_order_key(tube: Planned) -> tuple[int, int]:
    return tube.order_of_draw, tube.number
