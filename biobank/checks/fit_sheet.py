"""A selection of verdicts as CSV, as a spreadsheet, and as paper.

Promises: the three say the same, worked out anew when they were asked for; no text can be taken for a
formula; who sees the catalogue alone gets no place, no moment and no event in any of them.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from openpyxl import Workbook
from openpyxl.utils import get_column_letter

from biobank.checks import fit_words as words
from biobank.checks.fit_lists import Row
from biobank.core import codes
from biobank.handoffs.paper import pdf
from biobank.plans.sheet import harmless
from biobank.templatetags.words import matrix_words

MOST, MOST_PAPER = 5_000, 1_000  # rows
HEADINGS = [
    "tube", "content", "assay", "answer", "allowed_by_override", "sentence", "did_not_pass", "volume_ul",
    "drawn_year", "measured_percent", "assumed_percent", "no_data_percent", "rule_set", "as_of_utc", "now",
]  # fmt: skip
WIDE = {"sentence": 70, "did_not_pass": 90, "tube": 14, "assay": 24, "answer": 16, "as_of_utc": 22}


@dataclass(frozen=True)
class Line:
    """One tube as it is written down."""

    row: Row
    full: bool

    @property
    def tube(self) -> str:
        return codes.show(self.row.kept.tube)

    @property
    def word(self) -> str:
        return words.WORD_WORDS.get(self.row.word, "not judged")

    @property
    def measured(self) -> str:
        return self.share("measured")

    @property
    def assumed(self) -> str:
        return self.share("assumed")

    @property
    def none(self) -> str:
        return self.share("none")

    def share(self, name: str) -> str:
        found = [one.percent for one in self.row.coverage if one.name == name]
        return found[0].removesuffix(" %") if found else "0"

    def asof(self) -> str:
        """A moment, or the year alone: a discarded tube is judged as of when it went."""
        at = datetime.fromtimestamp(self.row.verdict.asof_ms / 1000, UTC) if self.row.verdict else None
        if at is None:
            return ""
        return f"{at:%Y-%m-%dT%H:%M:%SZ}" if self.full else str(at.year)

    def cells(self) -> list[Any]:
        row = self.row
        matrix = row.tube.matrix if row.tube else row.kept.matrix
        return [harmless(cell) if isinstance(cell, str) else cell for cell in (
            self.tube, matrix_words(matrix), str(row.verdict.assay) if row.verdict else "",
            self.word, "yes" if row.allowed and row.by else "no",
            row.sentence, "; ".join(row.failed), row.volume_ul, row.year,
            self.measured, self.assumed, self.none,
            row.verdict.rule_set if row.verdict else "", self.asof(), row.status,
        )]  # fmt: skip


def lines(rows: Iterable[Row], full: bool) -> Iterator[Line]:
    return (Line(row, full) for row in rows)


def to_csv(said: Iterable[Line]) -> bytes:
    """UTF-8 with a byte order mark, which is how a spreadsheet knows it."""
    text = io.StringIO()
    sheet = csv.writer(text, lineterminator="\r\n")
    sheet.writerow(HEADINGS)
    sheet.writerows(one.cells() for one in said)
    return text.getvalue().encode("utf-8-sig")


def to_xlsx(said: Iterable[Line]) -> bytes:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "verdicts"
    sheet.append(HEADINGS)
    for one in said:
        sheet.append(one.cells())
    sheet.freeze_panes = "B2"
    for n, heading in enumerate(HEADINGS, 1):
        sheet.column_dimensions[get_column_letter(n)].width = WIDE.get(heading, 13)
    found = io.BytesIO()
    book.save(found)
    return found.getvalue()


def to_pdf(said: Sequence[Line], assay: Any, chosen: Sequence[tuple[str, str]]) -> bytes:
    """On A4, lying. `chosen`: what the selection was made by, as (name, value)."""
    counts = words.tally(one.row.word for one in said)
    sure = [one.row.verdict for one in said if one.row.verdict]
    return pdf("print/fit.html", {
        "lines": said, "assay": assay, "chosen": chosen, "rule_set": sure[0].rule_set if sure else "",
        "counts": [(words.WORD_WORDS[word], many) for word, many in counts],
    })  # fmt: skip
