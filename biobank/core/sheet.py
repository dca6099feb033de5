"""Where each label lies on its page, in millimetres, and where its parts lie on the label.

Promises: pure geometry; a symbol's module covers whole printer dots; a stock whose labels do not fit its
page, or whose symbols or lines do not fit its label, is refused before anything is printed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from typing import NamedTuple

from custody.core.refusal import Refused

INCH = 25.4
POINT = 72 / INCH  # points in a millimetre
QR_MODULES = 21  # version 1 (ISO/IEC 18004)
MATRIX_MODULES = 14  # Data Matrix 14 x 14 (ISO/IEC 16022), with its own border
CODE128_MODULES = 134  # the longest nine-character code of ours: start, nine, check, stop
QUIET_MODULES = 10  # light on both sides of Code 128 (from memory: ISO/IEC 15417)
EDGE_MM = 0.75  # kept free on every side of a label: no printer hits the edge exactly
GAP_MM = 1.0  # between a symbol and another mark
CAP_GAP = 0.1  # of a line's height: light above its capitals
BAR_MM = 5.5
SIGN_MM = 4.0  # at most, for the hazard sign
LEAST_SIGN = 18  # dots; with fewer the hazard sign is a blot
ADVANCE = 1233 / 2048  # width of any letter of DejaVu Sans Mono, in its size
ASCENT, DESCENT = 1901 / 2048, 483 / 2048  # of the same font, from its table `hhea`
FIGURE = 1520 / 2048  # height of its figures
BEARING = 123 / 2048  # light on each side of them
COPY_PT = 7  # the copy's number, beside the hazard sign
BOLD_PT = 8  # a smaller bold fills the eyes of 0, 6, 8 and 9 at 203 dpi
SHOWN = 11  # characters of a code as people read it
RIM_MM = 0.35  # kept free along the rim of a cap label: these are die-cut, never quite in the middle
ON_CAP = 3  # characters of the tube's number on its cap


class Line(NamedTuple):
    """One line of text: left and top of its box in mm, the width it may take, size in points."""

    said: str
    left: float
    top: float
    width: float
    size: float
    bold: bool = False
    leading: float = 1

    @property
    def height(self) -> float:
        return self.size * self.leading / POINT

    @property
    def baseline(self) -> float:
        """Where its letters stand, mm from the top: the font's own height is centred in the line's."""
        return self.top + self.size * ((self.leading - ASCENT - DESCENT) / 2 + ASCENT) / POINT


@dataclass(frozen=True)
class Cap:
    """A round label for the lid of a tube: a QR code above the three digits of the tube's number.

    left, top   corner of the circle's square, mm from the label's corner
    across      diameter in mm; `dots` printer dots per module; `pt` size of the number
    """

    left: float
    top: float
    across: float
    dots: int
    pt: float

    def side(self, dpi: int) -> float:
        """Side of the QR code, mm."""
        return QR_MODULES * self.dots * INCH / dpi

    def _half(self, down: float) -> float:
        """Half the width of what may be printed, so far below the centre (mm)."""
        return sqrt(max(0.0, (self.across / 2 - RIM_MM) ** 2 - down**2))

    def qr_place(self, dpi: int) -> tuple[float, float]:
        """As high as its corners allow."""
        half = self.side(dpi) / 2
        return self.left + self.across / 2 - half, self.top + self.across / 2 - self._half(half)

    def number(self, said: str, dpi: int) -> Line:
        """Four modules under the QR code (its quiet zone), in the middle."""
        light = self.qr_place(dpi)[1] + self.side(dpi) * (1 + 4 / QR_MODULES)
        above = Line(said, 0, 0, 0, self.pt).baseline - FIGURE * self.pt / POINT
        width = ON_CAP * ADVANCE * self.pt / POINT
        return Line(said, self.left + (self.across - width) / 2, light - above, width, self.pt)

    def fits(self, dpi: int) -> bool:
        """The QR code's corners and the number inside the rim."""
        if self.dots < 1 or self.side(dpi) / 2 >= self.across / 2 - RIM_MM:
            return False
        line = self.number("0" * ON_CAP, dpi)
        ink = line.width - 2 * BEARING * self.pt / POINT
        return ink / 2 <= self._half(line.baseline - self.top - self.across / 2)


@dataclass(frozen=True)
class Stock:
    """A kind of label paper, as data. Millimetres; dots are those of the printer at `dpi`.

    page         width and height; for a label printer the page is the label
    label        width and height of one label
    columns,rows of labels on a page; `pitch` from one label's corner to the next one's
    corner       left and top of the first label; `shift` a printer's own saved offset
    qr_dots, matrix_dots  dots per module, 0 when the label is nothing but a cap's;
    code128_dots  dots per bar, 0 for none
    code_pt, text_pt      size of the human-readable code and of the other lines
    leading      height of a text line, in its size
    under        lines of text under the code (three stand above it)
    cap          a round label for the lid, beside the other or alone
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
    leading: float = 1.05
    under: int = 1
    cap: Cap | None = None

    @property
    def caps_only(self) -> bool:
        return self.cap is not None and not self.qr_dots

    @property
    def takes_places(self) -> bool:
        """Wide enough for the label of a box, a rack or a bag."""
        return self.code128_dots > 0

    @property
    def footprint(self) -> tuple[float, float]:
        """Width and height of a label with its cap's."""
        if self.cap is None:
            return self.label
        right, bottom = self.cap.left + self.cap.across, self.cap.top + self.cap.across
        return max(self.label[0], right), max(self.label[1], bottom)

    @property
    def per_page(self) -> int:
        return self.columns * self.rows

    def mm(self, dots: int) -> float:
        """Length of so many printer dots."""
        return dots * INCH / self.dpi

    def dots(self, mm: float) -> float:
        """Printer dots in a length."""
        return mm * self.dpi / INCH

    @property
    def qr_mm(self) -> float:
        return self.mm(QR_MODULES * self.qr_dots)

    @property
    def matrix_mm(self) -> float:
        return self.mm(MATRIX_MODULES * self.matrix_dots)

    @property
    def paper(self) -> tuple[float, float]:
        """The page in mm, as whole dots (a hair less, so that nobody rounds up to one dot more).

        A renderer that has to fit 103.9 dots into 104 stretches the page, and some modules get a dot more.
        """
        width, height = (self.mm(1) * (round(self.dots(side)) - 0.001) for side in self.page)
        return width, height

    # --- places on the label, from its corner, mm ---

    @property
    def qr_top(self) -> float:
        """At the bottom, with the sign above; over Code 128 at the top, with the sign below."""
        return EDGE_MM if self.code128_dots else self.label[1] - EDGE_MM - self.qr_mm

    @property
    def sign_top(self) -> float:
        return EDGE_MM + self.qr_mm + GAP_MM if self.code128_dots else EDGE_MM

    @property
    def sign_dots(self) -> int:
        """Printer dots of the hazard sign's side: what the QR code leaves of its column."""
        room = self.label[1] - 2 * EDGE_MM - self.qr_mm - GAP_MM
        room -= BAR_MM + GAP_MM if self.code128_dots else 0
        return int(self.dots(min(room, SIGN_MM)))

    @property
    def matrix_left(self) -> float:
        return self.label[0] - EDGE_MM - self.matrix_mm

    @property
    def text_left(self) -> float:
        """Four modules off the QR code: its quiet zone (qrcode.com)."""
        return EDGE_MM + self.qr_mm + self.mm(4 * self.qr_dots)

    @property
    def line_mm(self) -> float:
        return self.text_pt * self.leading / POINT

    @property
    def code_top(self) -> float:
        """Under three lines of text, and at least a module under the Data Matrix."""
        light = self.mm(self.matrix_dots) - CAP_GAP * self.code_pt / POINT
        return EDGE_MM + max(3 * self.line_mm, self.matrix_mm + light) + 0.1

    @property
    def under_top(self) -> float:
        return self.code_top + self.code_pt / POINT + 0.1

    def letters(self, right: float) -> int:
        """Characters of text from `text_left` to `right`."""
        return int((right - self.text_left) * POINT / (self.text_pt * ADVANCE))

    @property
    def beside_letters(self) -> int:
        """Characters of a line above the code, up to the Data Matrix."""
        return self.letters(self.matrix_left - GAP_MM / 2)

    @property
    def under_letters(self) -> int:
        """Characters of a line under the code, up to the label's edge."""
        return self.letters(self.label[0] - EDGE_MM)


@dataclass(frozen=True)
class Cell:
    """One label's place: page, row and column from 0; left and top in mm."""

    page: int
    row: int
    column: int
    left: float
    top: float


def cells(stock: Stock, count: int, start: int = 0) -> Iterator[Cell]:
    """Places of `count` labels, row by row, leaving out the first `start` (already used) of page 0."""
    for n in range(start, start + count):
        page, place = divmod(n, stock.per_page)
        row, column = divmod(place, stock.columns)
        yield Cell(
            page,
            row,
            column,
            stock.corner[0] + column * stock.pitch[0] + stock.shift[0],
            stock.corner[1] + row * stock.pitch[1] + stock.shift[1],
        )


def pages(stock: Stock, count: int, start: int = 0) -> int:
    """Pages that `count` labels take when the first `start` places are used already."""
    return -(-(start + count) // stock.per_page) if count else 0


def check(stock: Stock, start: int = 0) -> None:
    """Refused `stock_does_not_fit` or `symbol_does_not_fit`."""
    if not 0 <= start < stock.per_page:
        raise Refused("stock_does_not_fit", f"A page of {stock.name} has {stock.per_page} labels.")
    if not (_fits(stock, 0) and _fits(stock, 1)):
        raise Refused("stock_does_not_fit", f"The labels of {stock.name} do not fit on its page.")
    if not (stock.caps_only or (_symbols_fit(stock) and _lines_fit(stock))) or not _cap_fits(stock):
        raise Refused("symbol_does_not_fit", f"Symbols and text are too large for a label of {stock.name}.")


def _fits(stock: Stock, side: int) -> bool:
    """A shift may move a label up to its free edge over the end of the page, where nothing is printed."""
    count = (stock.columns, stock.rows)[side]
    size, pitch, corner, shift = (
        stock.footprint[side],
        stock.pitch[side],
        stock.corner[side],
        stock.shift[side],
    )
    end = corner + (count - 1) * pitch + size
    inside = corner >= 0 and end <= stock.page[side] + 1e-6
    shifted = corner + shift >= -EDGE_MM and end + shift <= stock.page[side] + EDGE_MM + 1e-6
    return count >= 1 and inside and shifted and (count == 1 or pitch >= size - 1e-6)


def _symbols_fit(stock: Stock) -> bool:
    """Both symbols and a gap across; the QR code and a hazard sign down; Code 128 with its quiet zones."""
    wide = stock.text_left + stock.matrix_mm + EDGE_MM
    bars = stock.mm((CODE128_MODULES + 2 * QUIET_MODULES) * stock.code128_dots)
    dots = min(stock.qr_dots, stock.matrix_dots)
    return dots >= 1 and wide <= stock.label[0] and bars <= stock.label[0] and stock.sign_dots >= LEAST_SIGN


def _cap_fits(stock: Stock) -> bool:
    """Inside its rim, and beside the label, not on it."""
    cap = stock.cap
    if cap is None:
        return True
    beside = stock.caps_only or cap.left >= stock.label[0] or cap.top >= stock.label[1]
    return beside and min(cap.left, cap.top) >= 0 and cap.fits(stock.dpi)


def _lines_fit(stock: Stock) -> bool:
    """The code across, and all lines down to the edge or to Code 128; letters hang a little lower."""
    code = stock.text_left + SHOWN * stock.code_pt * ADVANCE / POINT
    low = stock.under_top + stock.under * stock.line_mm
    end = stock.label[1] - (BAR_MM + EDGE_MM if stock.code128_dots else 0.5)
    return stock.beside_letters >= 8 and code <= stock.label[0] - EDGE_MM + 0.05 and low <= end


def tube_lines(stock: Stock, cell: Cell, code: str, beside: list[str], under: list[str]) -> list[Line]:
    """The text of a tube's label: three lines above its code, the first of them bold, the rest below."""
    left, full = cell.left + stock.text_left, stock.label[0] - EDGE_MM - stock.text_left
    part = stock.matrix_left - GAP_MM / 2 - stock.text_left
    size, leading, high = stock.text_pt, stock.leading, stock.line_mm
    top, low = cell.top + EDGE_MM, cell.top + stock.under_top
    found = [
        Line(said, left, top + n * high, part, size, n == 0, leading) for n, said in enumerate(beside) if said
    ]
    found.append(Line(code, left, cell.top + stock.code_top, full, stock.code_pt, stock.code_pt >= BOLD_PT))
    found += [
        Line(said, left, low + n * high, full, size, False, leading) for n, said in enumerate(under) if said
    ]
    return found


def copy_line(stock: Stock, cell: Cell, said: str) -> Line:
    """The number of a copy, beside the hazard sign."""
    left = cell.left + EDGE_MM + stock.mm(stock.sign_dots) + 0.4
    width = cell.left + stock.text_left - left
    return Line(said, left, cell.top + stock.sign_top, width, COPY_PT, bold=True)


def snapped(stock: Stock, mm: float) -> float:
    """The nearest place on the printer's dot grid, in mm: a module then covers whole dots."""
    return round(stock.dots(mm)) * INCH / stock.dpi
