"""Labels as a PDF: WeasyPrint lays out the text, the symbols go in as one-bit masks on the printer's dots.

Promises: every module covers a whole number of printer dots, at any place on the page, so that a symbol
stays crisp; text never leaves its label; nothing is fetched from anywhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cache
from html import escape
from io import BytesIO
from typing import Any

import pydyf
from weasyprint import HTML
from weasyprint.text.fonts import FontConfiguration

from biobank.core import codes
from biobank.core.sheet import EDGE_MM, GAP_MM, Cell, Stock, cells, check, snapped
from biobank.labels import symbols
from biobank.labels.content import LabelContent, lines

POINT = 72 / 25.4  # points in a millimetre
ADVANCE = 1233 / 2048  # width of any letter of DejaVu Sans Mono, in its size
LEADING = 1.2
BAR_MM = 5.5
QUIET_BARS = 10  # modules of quiet zone beside Code 128 (ISO/IEC 15417)
INSET = 0.2  # of a dot: rounding in a renderer can then neither add nor drop a row of dots


def labels_pdf(
    labels: Sequence[LabelContent], stock: Stock, *, start: int = 0, title: str = "Labels"
) -> bytes:
    """All labels on this stock, the first on place `start` of the first page.

    Refused: stock_does_not_fit, symbol_does_not_fit, label_text_not_printable (from LabelContent).
    """
    check(stock, start)
    placed = list(zip(cells(stock, len(labels), start), labels, strict=True))
    out = BytesIO()
    page = HTML(string=_html(placed, stock, title), url_fetcher=_nothing)
    page.write_pdf(out, font_config=fonts(), finisher=_stamp(placed, stock))
    return out.getvalue()


@cache
def fonts() -> FontConfiguration:
    """Loaded once: it is slow, and the same for all labels."""
    return FontConfiguration()


def _nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"a label fetches nothing, not even {url[:60]}")


# --- text ---------------------------------------------------------------------------------------


def _html(placed: Sequence[tuple[Cell, LabelContent]], stock: Stock, title: str) -> str:
    pages: dict[int, list[str]] = {}
    for cell, label in placed:
        pages.setdefault(cell.page, []).append(_text(cell, label, stock))
    body = "".join(f"<section>{''.join(texts)}</section>" for texts in pages.values())
    head = f"<title>{escape(title)}</title><style>{_style(stock)}</style>"
    return f"<!doctype html><html lang='en'>{head}{body}</html>"


def _style(stock: Stock) -> str:
    width, height = stock.page
    return f"""@page {{ size: {width}mm {height}mm; margin: 0 }}
    body {{ margin: 0; font-family: "DejaVu Sans Mono"; color: #000 }}
    section {{ position: relative; width: {width}mm; height: {height}mm; overflow: hidden }}
    section {{ break-after: page }} section:last-child {{ break-after: auto }}
    pre, b {{ position: absolute; margin: 0; white-space: pre; font-family: inherit; line-height: {LEADING} }}
    pre {{ font-size: {stock.text_pt}pt }} b {{ font-size: {stock.code_pt}pt; line-height: 1 }}"""


def _text(cell: Cell, label: LabelContent, stock: Stock) -> str:
    beside, foot = lines(label, _room(stock, beside=True), _room(stock, beside=False))
    left, top = cell.left + _text_left(stock), cell.top + EDGE_MM
    code_top = top + 3 * _line_mm(stock) + 0.3
    foot_top = code_top + stock.code_pt / POINT + 0.3
    head = f"<span style='font-weight:bold'>{escape(beside[0])}</span>\n" + escape("\n".join(beside[1:]))
    return (
        f"<pre style='left:{left:.3f}mm;top:{top:.3f}mm'>{head}</pre>"
        f"<b style='left:{left:.3f}mm;top:{code_top:.3f}mm'>{escape(codes.show(label.code))}</b>"
        f"<pre style='left:{left:.3f}mm;top:{foot_top:.3f}mm'>{escape(foot)}</pre>"
    )


def _line_mm(stock: Stock) -> float:
    return stock.text_pt * LEADING / POINT


def _text_left(stock: Stock) -> float:
    return EDGE_MM + stock.qr_mm + GAP_MM


def _room(stock: Stock, beside: bool) -> int:
    """Characters that fit beside the Data Matrix, or under it over the full width."""
    right = stock.label[0] - EDGE_MM - (stock.matrix_mm + GAP_MM / 2 if beside else 0)
    return int((right - _text_left(stock)) * POINT / (stock.text_pt * ADVANCE))


# --- symbols ------------------------------------------------------------------------------------


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
            stream = pydyf.Stream([b"q 0 g", *marks[number], b"Q"], compress=True)
            pdf.add_object(stream)
            page["Contents"] = pydyf.Array([stream.reference, page["Contents"]])

    return finish


def _marks(cell: Cell, label: LabelContent, stock: Stock) -> Iterator[bytes]:
    width, height = stock.label
    qr_top = EDGE_MM if stock.code128_dots else (height - stock.qr_mm) / 2
    yield _mask(stock, symbols.qr(label.code), cell.left + EDGE_MM, cell.top + qr_top, stock.qr_dots)
    right = cell.left + width - EDGE_MM - stock.matrix_mm
    yield _mask(stock, symbols.matrix(label.code), right, cell.top + EDGE_MM, stock.matrix_dots)
    if stock.code128_dots:
        rows = symbols.code128(label.code)
        left = cell.left + (width - stock.mm(len(rows[0]) * stock.code128_dots)) / 2
        tall = round(BAR_MM * stock.dpi / 25.4)
        yield _mask(stock, rows, left, cell.top + height - EDGE_MM - stock.mm(tall), stock.code128_dots, tall)


def _mask(stock: Stock, rows: symbols.Rows, left: float, top: float, dots: int, tall: int = 0) -> bytes:
    """An inline image mask: `dots` printer dots per module, its corner on the dot grid, y from the top."""
    wide, high = len(rows[0]) * dots, tall or len(rows) * dots
    unit, inset = 72 / stock.dpi, INSET * 72 / stock.dpi
    x = snapped(stock, left) * POINT + inset
    y = stock.page[1] * POINT - snapped(stock, top) * POINT - high * unit + inset
    box = f"q {wide * unit - 2 * inset:.4f} 0 0 {high * unit - 2 * inset:.4f} {x:.4f} {y:.4f} cm"
    head = f"BI /W {wide} /H {high} /IM true /BPC 1 /D [1 0] ID "
    return box.encode() + b"\n" + head.encode() + _bits(rows, dots, tall) + b"\nEI Q"


def _bits(rows: symbols.Rows, dots: int, tall: int) -> bytes:
    """Rows of dots from the top, eight to a byte, padded with light."""
    packed = [_packed(row, dots) for row in rows]
    return packed[0] * tall if tall else b"".join(line * dots for line in packed)


def _packed(row: Sequence[int], dots: int) -> bytes:
    bits = "".join(str(module) * dots for module in row)
    bits += "0" * (-len(bits) % 8)
    return int(bits, 2).to_bytes(len(bits) // 8, "big")
