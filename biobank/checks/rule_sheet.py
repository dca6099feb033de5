"""A rule set as a table: one row for each rule, one column for each value.

Promises: what is written is read back as the same set, from CSV and from XLSX; nothing that is written can be
taken for a formula by a spreadsheet, and a formula in what is read is refused; `read` finds every fault, each
with row, column, sentence and code, or gives rules that are sound.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Any

from openpyxl import Workbook

from biobank.checks.rule_columns import BY_NAME, RULE
from biobank.checks.rule_values import faults, made, said_of
from biobank.checks.starter import Row as Ruled
from biobank.imports.read import Row, Table, read_table
from biobank.plans.columns import Column, Said
from biobank.plans.sheet import Fault, harmless, plain
from custody.core.refusal import Refused

HEADINGS = tuple(one.heading for one in RULE)
MUST = ("code", "kind", "severity", "source", "evidence")
WIDE = {"source", "question", "bands", "what helps if it is broken", "why this source is chosen or not"}


def to_csv(rows: Iterable[Ruled]) -> bytes:
    """UTF-8 with a byte order mark, which is how a spreadsheet knows it."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerows(_lines(rows))
    return text.getvalue().encode("utf-8-sig")


def to_xlsx(rows: Iterable[Ruled]) -> bytes:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "rules"
    for line in _lines(rows):
        sheet.append(list(line))
    sheet.freeze_panes = "B2"
    for n, heading in enumerate(HEADINGS, 1):
        sheet.column_dimensions[sheet.cell(1, n).column_letter].width = 40 if heading in WIDE else 14
    found = io.BytesIO()
    book.save(found)
    return found.getvalue()


def _lines(rows: Iterable[Ruled]) -> Iterator[Sequence[Said]]:
    yield HEADINGS
    for row in rows:
        said = said_of(row)
        yield [harmless(_written(one, said[one.name])) for one in RULE]


def _written(column: Column, value: Any) -> Said:
    """A rule that is not counted says so: a blank cell means yes."""
    return "no" if column.name == "active" and not value else column.write(value)


def read(content: bytes, assays: Collection[str]) -> tuple[list[Ruled], list[Fault]]:
    """The rules in this file, or what is wrong with it; `assays`: codes that may be named.

    Refused: as `read_table`, when it is no table.
    """
    table = read_table(content, formulas=False)
    found = list(_headings(table))
    if found:
        return [], found
    rules: list[Ruled] = []
    lines: dict[str, int] = {}
    for row in table.rows:
        said, wrong = _said(row)
        wrong = wrong or [Fault(row.number, BY_NAME[one.name].heading, one.sentence, one.code)
                          for one in faults(said)]  # fmt: skip
        wrong += _beside(row.number, said, assays, lines)
        found += wrong
        if not wrong:
            rules.append(made(said))
    if not found and not rules:
        found = [Fault(0, "", "There is no rule in this table.", "rule_set_is_empty")]
    return ([], found) if found else (sorted(rules, key=lambda one: one.rule.code), [])


def _headings(table: Table) -> Iterator[Fault]:
    for name in table.columns:
        if name not in HEADINGS:
            yield Fault(1, name[:40], "No such column is known.", "column_unknown")
    for name in MUST:
        if BY_NAME[name].heading not in table.columns:
            yield Fault(1, BY_NAME[name].heading, "This column is missing.", "column_missing")


def _said(row: Row) -> tuple[dict[str, Any], list[Fault]]:
    """The values of one row by the names of their columns, and the cells that are none."""
    wrong = [Fault(row.number, one.column, one.sentence, one.code) for one in row.bad]
    bad, said = {one.column for one in row.bad}, {}
    for column in RULE:
        if column.heading in bad:
            continue
        try:
            said[column.name] = _cell(row, column)
        except Refused as no:
            wrong.append(Fault(row.number, column.heading, no.sentence, no.code))
    return said, wrong


def _cell(row: Row, column: Column) -> Any:
    text = plain(row.cells.get(column.heading, ""), column.kind)
    if not text and column.name in USUAL:
        return USUAL[column.name]
    return column.read(text)


USUAL = {"active": True, "read": "none"}  # what a blank cell means where it cannot mean nothing


def _beside(number: int, said: dict[str, Any], assays: Collection[str], lines: dict[str, int]) -> list[Fault]:
    """What the other rows and the biobank say against this row."""
    code, assay, found = said.get("code", ""), said.get("assay", ""), []
    if assay and assay not in assays:
        found.append(Fault(number, "assay", f"There is no assay {assay}.", "assay_unknown"))
    if code in lines:
        found.append(Fault(number, "code", f"{code} stands in row {lines[code]} too.", "rule_code_taken"))
    elif code:
        lines[code] = number
    return found
