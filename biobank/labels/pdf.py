"""Pages of printer dots and lines of text, as a PDF.

Promises: every module covers a whole number of printer dots, at any place on the page, so that a symbol
stays crisp; text never leaves its box; nothing is fetched from anywhere.

WeasyPrint makes the file, the fonts and whatever text needs laying out; marks and even text are written into
its pages at the end (its `finisher`).
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from io import BytesIO
from typing import Any

import pydyf
from weasyprint import HTML

from biobank.core.sheet import POINT, Line, Stock, snapped
from biobank.labels import letters
from biobank.labels.text import html
from custody.core.refusal import Refused

INSET = 0.2  # of a dot: rounding in a renderer can then neither add nor drop a row of dots
PRESS = 1  # zlib's fastest: the best takes a quarter of the whole time, for a third of the bytes


@dataclass
class Sheet:
    """One page in the making."""

    stock: Stock
    marks: list[bytes] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)

    def mask(self, bits: bytes, wide: int, high: int, left: float, top: float) -> None:
        """An image of `wide` by `high` printer dots, its corner (mm from the page's) on the dot grid."""
        stock, unit = self.stock, 72 / self.stock.dpi
        inset = INSET * unit
        x = snapped(stock, left) * POINT + inset
        y = (stock.paper[1] - snapped(stock, top)) * POINT - high * unit + inset
        self.marks.append(
            b"q %.4f 0 0 %.4f %.4f %.4f cm\nBI /W %d /H %d /IM true /BPC 1 /D [1 0] ID %b\nEI Q"
            % (wide * unit - 2 * inset, high * unit - 2 * inset, x, y, wide, high, bits)
        )

    def bar(self, left: float, top: float, wide: int, high: int) -> None:
        """A dark rectangle of printer dots, its corner on the dot grid."""
        unit, x, y = 72 / self.stock.dpi, snapped(self.stock, left), snapped(self.stock, top)
        low = (self.stock.paper[1] - y) * POINT - high * unit
        inset = INSET * unit
        self.marks.append(
            b"%.4f %.4f %.4f %.4f re f"
            % (x * POINT + inset, low + inset, wide * unit - 2 * inset, high * unit - 2 * inset)
        )


def pdf_of(sheets: Sequence[Sheet], title: str) -> bytes:
    """The pages in order, all of one stock. Refused: nothing_to_print."""
    if not sheets:
        raise Refused("nothing_to_print", "There is nothing here to print.")
    glyphs = letters.glyphs() if letters.is_even() else None
    parts = [_parted(sheet.lines, glyphs is not None) for sheet in sheets]
    boxed = [odd for _, odd in parts if odd]
    said = html(boxed, (line for even, _ in parts for line in even), sheets[0].stock.paper, title)
    out = BytesIO()
    drawn = [(sheet, even, bool(odd)) for sheet, (even, odd) in zip(sheets, parts, strict=True)]
    finish = _finisher(drawn, glyphs or {})
    HTML(string=said, url_fetcher=_nothing).write_pdf(out, font_config=letters.fonts(), finisher=finish)
    return out.getvalue()


def _nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"a label fetches nothing, not even {url[:60]}")


def _parted(lines: Sequence[Line], drawing: bool) -> tuple[list[Line], list[Line]]:
    """Lines that are drawn letter by letter, and lines that need a box."""
    even, odd = list[Line](), list[Line]()
    for line in lines:
        (even if drawing and letters.EVEN.match(line.said) else odd).append(line)
    return even, odd


Drawn = tuple[Sheet, list[Line], bool]


def _finisher(drawn: Sequence[Drawn], glyphs: letters.Glyphs) -> Callable[[Any, pydyf.PDF], None]:
    """Puts our marks and text under what WeasyPrint laid out, and drops its first page."""

    def finish(document: Any, pdf: pydyf.PDF) -> None:
        first, *boxed = [pdf.objects[number] for number in pdf.pages["Kids"][::3]]
        names = {bold: font.hash for bold, font in letters.ours(document).items()}
        laid = iter(boxed)
        pages = [
            _page(pdf, first, next(laid) if has_boxes else None, _content(sheet, even, glyphs, names))
            for sheet, even, has_boxes in drawn
        ]
        pdf.pages["Kids"] = pydyf.Array(part for page in pages for part in (page.number, 0, "R"))
        pdf.pages["Count"] = len(pages)
        _drop(pdf, first)

    return finish


def _page(pdf: pydyf.PDF, like: Any, laid: Any, content: bytes) -> Any:
    """A page with this content, under what was laid out on it, if anything was."""
    stream = pydyf.Stream([zlib.compress(content, PRESS)], extra={"Filter": "/FlateDecode"})
    pdf.add_object(stream)
    if laid is not None:
        laid["Contents"] = pydyf.Array([stream.reference, laid["Contents"]])
        return laid
    page = pydyf.Dictionary(like | {"Contents": stream.reference})
    pdf.add_object(page)
    return page


def _drop(pdf: pydyf.PDF, page: Any) -> None:
    """Its objects stay in the file, empty, because numbers are given already; no page shows them."""
    pdf.objects[int(page["Contents"].split()[0])].stream = [b""]


def _content(sheet: Sheet, even: Sequence[Line], glyphs: letters.Glyphs, names: dict[bool, str]) -> bytes:
    said = "\n".join(_text(sheet.stock, even, glyphs, names)) if even else ""
    return b"\n".join([b"q 0 g", *sheet.marks, b"Q", said.encode()])


def _text(
    stock: Stock, lines: Sequence[Line], glyphs: letters.Glyphs, names: dict[bool, str]
) -> Iterator[str]:
    """Letters on the dot grid too, so that the same word looks the same on every label."""
    yield "BT 0 g"
    high, last = stock.paper[1], None
    for line in lines:
        if last != (font := (line.bold, line.size)):
            yield f"/{names[line.bold]} {line.size:.4f} Tf"
            last = font
        x, y = snapped(stock, line.left) * POINT, (high - snapped(stock, line.baseline)) * POINT
        yield f"1 0 0 1 {x:.3f} {y:.3f} Tm<{line.said.translate(glyphs[line.bold])}>Tj"
    yield "ET"
