"""Labels as a PDF: WeasyPrint lays out the text, the symbols go in as one-bit masks on the printer's dots.

Promises: every module covers a whole number of printer dots, at any place on the page, so that a symbol
stays crisp; text never leaves its label; nothing is fetched from anywhere.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Sequence
from io import BytesIO
from typing import Any

import pydyf
from weasyprint import HTML

from biobank.core.sheet import BAR_MM, EDGE_MM, POINT, Cell, Stock, cells, check, snapped
from biobank.labels import symbols
from biobank.labels.content import LabelContent
from biobank.labels.text import fonts, html

INSET = 0.2  # of a dot: rounding in a renderer can then neither add nor drop a row of dots
PRESS = 1  # zlib's fastest: the best takes a quarter of the whole time, for a third of the bytes


def labels_pdf(
    labels: Sequence[LabelContent], stock: Stock, *, start: int = 0, title: str = "Labels"
) -> bytes:
    """All labels on this stock, the first on place `start` of the first page.

    Refused: stock_does_not_fit, symbol_does_not_fit, label_text_not_printable (from LabelContent).
    """
    check(stock, start)
    placed = list(zip(cells(stock, len(labels), start), labels, strict=True))
    out = BytesIO()
    page = HTML(string=html(placed, stock, title), url_fetcher=_nothing)
    page.write_pdf(out, font_config=fonts(), finisher=_stamp(placed, stock))
    return out.getvalue()


def _nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"a label fetches nothing, not even {url[:60]}")


def _stamp(placed: Sequence[tuple[Cell, LabelContent]], stock: Stock) -> Callable[[Any, pydyf.PDF], None]:
    """A finisher that puts each page's symbols under its text."""
    marks: dict[int, list[bytes]] = {}
    for cell, label in placed:
        marks.setdefault(cell.page, []).extend(_marks(cell, label, stock))

    def finish(document: Any, pdf: pydyf.PDF) -> None:
        pages = [
            one for one in pdf.objects if isinstance(one, pydyf.Dictionary) and one.get("Type") == "/Page"
        ]
        for number, page in zip(sorted(marks), pages, strict=True):
            drawn = zlib.compress(b"\n".join([b"q 0 g", *marks[number], b"Q"]), PRESS)
            stream = pydyf.Stream([drawn], extra={"Filter": "/FlateDecode"})
            pdf.add_object(stream)
            page["Contents"] = pydyf.Array([stream.reference, page["Contents"]])

    return finish


def _marks(cell: Cell, label: LabelContent, stock: Stock) -> Iterator[bytes]:
    width, height = stock.label
    left, top, dots = cell.left + EDGE_MM, cell.top, stock.qr_dots
    yield _mask(stock, symbols.qr(label.code), left, top + stock.qr_top, dots)
    right, dots = cell.left + stock.matrix_left, stock.matrix_dots
    yield _mask(stock, symbols.matrix(label.code), right, top + EDGE_MM, dots)
    if label.hazard:
        yield _mask(stock, symbols.hazard(stock.sign_dots), left, top + stock.sign_top, 1)
    if dots := stock.code128_dots:
        bars = symbols.code128(label.code)
        middle = cell.left + (width - stock.mm(len(bars[0]) * dots)) / 2
        tall = round(stock.dots(BAR_MM))
        yield _mask(stock, bars, middle, top + height - EDGE_MM - stock.mm(tall), dots, tall)


def _mask(stock: Stock, rows: symbols.Rows, left: float, top: float, dots: int, tall: int = 0) -> bytes:
    """An inline image mask: `dots` printer dots per module, its corner on the dot grid, y from the top.

    `tall` dots high when the one row is of bars.
    """
    wide, high = len(rows[0]) * dots, tall or len(rows) * dots
    unit, inset = 72 / stock.dpi, INSET * 72 / stock.dpi
    x = snapped(stock, left) * POINT + inset
    y = stock.paper[1] * POINT - snapped(stock, top) * POINT - high * unit + inset
    box = f"q {wide * unit - 2 * inset:.4f} 0 0 {high * unit - 2 * inset:.4f} {x:.4f} {y:.4f} cm"
    head = f"\nBI /W {wide} /H {high} /IM true /BPC 1 /D [1 0] ID "
    return (box + head).encode() + _bits(rows, dots, tall or dots) + b"\nEI Q"


def _bits(rows: symbols.Rows, dots: int, times: int) -> bytes:
    """Rows of dots from the top, each so many `times`; eight to a byte, padded with light."""
    bits = len(rows[0]) * dots
    size = -(-bits // 8)
    wide = "".join(rows).replace("0", "0" * dots).replace("1", "1" * dots)
    packed = (int(wide[at : at + bits], 2) << size * 8 - bits for at in range(0, len(wide), bits))
    return b"".join(row.to_bytes(size, "big") * times for row in packed)
