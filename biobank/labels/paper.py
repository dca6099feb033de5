"""Labels of tubes as a PDF.

Promises: as `pdf.py`; the tube's number and code are never cut.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from biobank.core import codes
from biobank.core.sheet import (
    BAR_MM,
    EDGE_MM,
    MATRIX_MODULES,
    QR_MODULES,
    Cell,
    Stock,
    cells,
    check,
    copy_line,
    tube_lines,
)
from biobank.labels import symbols
from biobank.labels.content import LabelContent, copy, lines
from biobank.labels.pdf import Sheet, pdf_of


def labels_pdf(
    labels: Sequence[LabelContent], stock: Stock, *, start: int = 0, title: str = "Labels"
) -> bytes:
    """All labels on this stock, the first on place `start` of the first page.

    Refused: nothing_to_print, stock_does_not_fit, symbol_does_not_fit, label_text_not_printable (from
    LabelContent).
    """
    check(stock, start)
    placed = zip(cells(stock, len(labels), start), labels, strict=True)
    return pdf_of([_sheet(there, stock) for _, there in groupby(placed, lambda one: one[0].page)], title)


def _sheet(placed: Iterator[tuple[Cell, LabelContent]], stock: Stock) -> Sheet:
    sheet = Sheet(stock)
    for cell, label in placed:
        if not stock.caps_only:
            _tube(sheet, cell, label)
        if stock.cap:
            _cap(sheet, cell, label)
    return sheet


def _tube(sheet: Sheet, cell: Cell, label: LabelContent) -> None:
    stock = sheet.stock
    _symbols(sheet, cell, label)
    beside, under = lines(label, stock.beside_letters, stock.under_letters, stock.under > 1)
    sheet.lines += tube_lines(stock, cell, codes.show(label.code), beside, under)
    if label.copy:
        sheet.lines.append(copy_line(stock, cell, copy(label)))


def _symbols(sheet: Sheet, cell: Cell, label: LabelContent) -> None:
    stock, left, top = sheet.stock, cell.left + EDGE_MM, cell.top
    side = QR_MODULES * stock.qr_dots
    sheet.mask(symbols.qr_mask(label.code, stock.qr_dots), side, side, left, top + stock.qr_top)
    bits, side = symbols.matrix_mask(label.code, stock.matrix_dots), MATRIX_MODULES * stock.matrix_dots
    sheet.mask(bits, side, side, cell.left + stock.matrix_left, top + EDGE_MM)
    if label.hazard:
        side = stock.sign_dots
        sheet.mask(symbols.hazard_mask(side), side, side, left, top + stock.sign_top)
    if stock.code128_dots:
        bars(sheet, cell, label.code)


def bars(sheet: Sheet, cell: Cell, code: str) -> None:
    """Code 128 along the lower edge, in the middle."""
    stock, rows = sheet.stock, symbols.code128(code)
    wide, tall = len(rows[0]) * stock.code128_dots, round(stock.dots(BAR_MM))
    left = cell.left + (stock.label[0] - stock.mm(wide)) / 2
    top = cell.top + stock.label[1] - EDGE_MM - stock.mm(tall)
    sheet.mask(symbols.packed(rows, stock.code128_dots, tall), wide, tall, left, top)


def _cap(sheet: Sheet, cell: Cell, label: LabelContent) -> None:
    """The QR code, and of the code the tube's number: the set's letters do not fit."""
    stock = sheet.stock
    assert stock.cap is not None
    (left, top), side = stock.cap.qr_place(stock.dpi), QR_MODULES * stock.cap.dots
    bits = symbols.qr_mask(label.code, stock.cap.dots)
    sheet.mask(bits, side, side, cell.left + left, cell.top + top)
    line = stock.cap.number(f"{codes.number_of(label.code):03d}", stock.dpi)
    sheet.lines.append(line._replace(left=cell.left + line.left, top=cell.top + line.top))
