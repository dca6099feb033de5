"""Where each label lies on its page, in millimetres, and where its symbols lie on the printer's dots.

Promises: pure geometry; a stock whose labels do not fit its page, or whose symbols do not fit its label,
is refused before anything is printed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from custody.core.refusal import Refused

INCH = 25.4
QR_MODULES = 21  # version 1 (ISO/IEC 18004)
MATRIX_MODULES = 14  # Data Matrix 14 x 14 (ISO/IEC 16022), with its own border
EDGE_MM = 0.75  # kept free on every side of a label: no printer hits the edge exactly
GAP_MM = 1.0  # between a symbol and text


@dataclass(frozen=True)
class Stock:
    """A kind of label paper, as data. Millimetres; dots are those of the printer at `dpi`.

    page         width and height; for a label printer the page is the label
    label        width and height of one label
    columns,rows of labels on a page; `pitch` from one label's corner to the next one's
    corner       left and top of the first label; `shift` a printer's own saved offset
    qr_dots, matrix_dots  dots per module; code128_dots  dots per bar, 0 for none
    code_pt, text_pt      size of the human-readable code and of the other lines
    """

    code: str
    name: str
    page: tuple[float, float]
    label: tuple[float, float]
    columns: int = 1
    rows: int = 1
    pitch: tuple[float, float] = (0, 0)
    corner: tuple[float, float] = (0, 0)
    shift: tuple[float, float] = (0, 0)
    dpi: int = 203
    qr_dots: int = 3
    matrix_dots: int = 3
    code128_dots: int = 0
    code_pt: float = 8
    text_pt: float = 5

    @property
    def per_page(self) -> int:
        return self.columns * self.rows

    def mm(self, dots: int) -> float:
        """Length of so many printer dots."""
        return dots * INCH / self.dpi

    @property
    def qr_mm(self) -> float:
        return self.mm(QR_MODULES * self.qr_dots)

    @property
    def matrix_mm(self) -> float:
        return self.mm(MATRIX_MODULES * self.matrix_dots)


@dataclass(frozen=True)
class Cell:
    """One label's place: page from 0, left and top in mm."""

    page: int
    left: float
    top: float


def cells(stock: Stock, count: int, start: int = 0) -> Iterator[Cell]:
    """Places of `count` labels, row by row, leaving out the first `start` (already used) of page 0."""
    for n in range(start, start + count):
        page, place = divmod(n, stock.per_page)
        row, column = divmod(place, stock.columns)
        yield Cell(
            page,
            stock.corner[0] + column * stock.pitch[0] + stock.shift[0],
            stock.corner[1] + row * stock.pitch[1] + stock.shift[1],
        )


def check(stock: Stock, start: int = 0) -> None:
    """Refused `stock_does_not_fit` or `symbol_does_not_fit`."""
    if not 0 <= start < stock.per_page:
        raise Refused("stock_does_not_fit", f"A page of {stock.name} has {stock.per_page} labels.")
    _check_page(stock)
    wide = 2 * EDGE_MM + stock.qr_mm + GAP_MM + stock.matrix_mm
    if wide > stock.label[0] or 2 * EDGE_MM + stock.qr_mm > stock.label[1]:
        raise Refused("symbol_does_not_fit", f"The symbols are too large for a label of {stock.name}.")


def _check_page(stock: Stock) -> None:
    for side, count in ((0, stock.columns), (1, stock.rows)):
        size, pitch = stock.label[side], stock.pitch[side]
        end = stock.corner[side] + (count - 1) * pitch + size
        if count < 1 or end > stock.page[side] + 1e-6 or (count > 1 and pitch < size - 1e-6):
            raise Refused("stock_does_not_fit", f"The labels of {stock.name} do not fit on its page.")


def snapped(stock: Stock, mm: float) -> float:
    """The nearest place on the printer's dot grid, in mm: a module then covers whole dots."""
    return round(mm * stock.dpi / INCH) * INCH / stock.dpi
