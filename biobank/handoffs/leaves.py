"""Lists of tubes that are drawn on their pages, for papers of hundreds of rows.

Promises: a row is never cut, because it is placed and does not flow; every page has the heads of its columns;
a symbol's module covers whole printer dots; what a reader finds when it looks for text is the text.

Laying out three hundred rows of ten cells takes WeasyPrint longer than all the rest of a paper. So it lays
out what stands before and after the list and leaves a page free for each leaf; symbols, rules and every line
whose letters are equally wide are written into these pages at the end (its `finisher`). A line with other
letters, or every line where our font is missing, is laid out by WeasyPrint after all, in a box that clips.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from html import escape
from io import BytesIO
from typing import Any

import pydyf
from django.utils.safestring import SafeString, mark_safe
from weasyprint import HTML

from biobank.core.sheet import ADVANCE, POINT, Line, Stock
from biobank.labels import letters
from biobank.labels.pdf import Sheet

A4 = Stock("a4", "A4 at 300 dots an inch", page=(210, 297), label=(210, 297), dpi=300)
NAME = "leaf-"
RIGHT = 194.0
MARGIN = 16.0  # mm, left and above, of every paper with leaves; its style asks for the same


def leaf() -> Sheet:
    """A free page; places on it are in millimetres from its upper left corner."""
    return Sheet(A4)


def rule(sheet: Sheet, left: float, top: float, right: float, dots: int) -> None:
    """A line across, so many printer dots high."""
    sheet.bar(left, top, round(sheet.stock.dots(right - left)), dots)


def heads(sheet: Sheet, title: str, beside: str, columns: Sequence[tuple[float, str]], top: float) -> None:
    """The same head on every leaf: what paper it is of, which part of the list, the names of the columns."""
    say(sheet, title, MARGIN, 15, 110, 10, bold=True)
    say(sheet, beside, RIGHT - 84, 15.6, 84, 7, right=True)
    for left, name in columns:
        say(sheet, name, left, top - 5.4, RIGHT - left, 6.5)
    rule(sheet, MARGIN, top - 1.2, RIGHT, 6)


def fitted(text: str, width: float, size: float) -> str:
    """As much of a text as goes into so many mm, with a mark where it was cut."""
    most = int(width * POINT / (ADVANCE * size) + 1e-6)
    return text if len(text) <= most else text[: max(0, most - 1)] + "…"


def say(sheet: Sheet, text: str, left: float, top: float, width: float, size: float = 7, **how: Any) -> None:
    """A line of text; `right=True`: it ends at the right of its width."""
    if not text:
        return
    said = fitted(text, width, size)
    if how.pop("right", False):
        left += width - len(said) * ADVANCE * size / POINT
    sheet.lines.append(Line(said, left, top, width, size, **how))


def places(leaves: Sequence[Sheet]) -> SafeString:
    """The free pages, to stand in a paper's HTML; with the boxes of what cannot be drawn."""
    even, glyphs = {False: set[str](), True: set[str]()}, letters.glyphs() is not None
    parts = []
    for n, sheet in enumerate(leaves):
        boxes = "".join(_box(line) for line in sheet.lines if not _drawn(line, glyphs))
        parts.append(f'<section class="leaf" id="{NAME}{n}">{boxes}</section>')
        for line in sheet.lines:
            even[line.bold] |= set(line.said) if _drawn(line, glyphs) else set()
    # a group of its own, by its opacity, which is emptied at the end: only its fonts are wanted
    sample = f'<div class="leaf-fonts" style="opacity:.5">{letters.sample(even)}</div>' if leaves else ""
    return mark_safe("".join(parts).replace("</section>", f"{sample}</section>", 1))


def _drawn(line: Line, glyphs: bool) -> bool:
    return glyphs and bool(letters.EVEN.match(line.said))


def _box(line: Line) -> str:
    left, top = line.left - MARGIN, line.top - MARGIN
    place = f"left:{left:.3f}mm;top:{top:.3f}mm;width:{line.width:.3f}mm;height:{line.height:.3f}mm"
    font = f"font:{'bold' if line.bold else 'normal'} {line.size:.3f}pt/{line.height:.3f}mm"
    return f"<div style=\"{place};{font} '{letters.FAMILY}'\">{escape(line.said)}</div>"


def pdf(html: str, leaves: Sequence[Sheet], fetcher: Callable[..., Any]) -> bytes:
    """The paper with its leaves, whose places (`places`) stand in the HTML."""
    out = BytesIO()
    HTML(string=html, url_fetcher=fetcher).write_pdf(
        out, font_config=letters.fonts(), finisher=_finisher(leaves)
    )
    return out.getvalue()


def _finisher(leaves: Sequence[Sheet]) -> Callable[[Any, pydyf.PDF], None]:
    def finish(document: Any, pdf: pydyf.PDF) -> None:
        glyphs = letters.glyphs() or {}
        names = {bold: font.hash for bold, font in letters.ours(document).items()}
        pages = [pdf.objects[number] for number in pdf.pages["Kids"][::3]]
        for page, laid in zip(pages, document.pages, strict=True):
            for name in laid.anchors:
                if name.startswith(NAME):
                    _put(pdf, page, _content(leaves[int(name.removeprefix(NAME))], glyphs, names))
        _empty_groups(pdf)

    return finish


def _put(pdf: pydyf.PDF, page: Any, content: bytes) -> None:
    """Under what was laid out on this page."""
    stream = pydyf.Stream([content], compress=True)
    pdf.add_object(stream)
    page["Contents"] = pydyf.Array([stream.reference, page["Contents"]])


def _empty_groups(pdf: pydyf.PDF) -> None:
    for one in pdf.objects:
        if isinstance(one, pydyf.Stream) and one.extra.get("Subtype") == "/Form":
            one.stream = []


def _content(sheet: Sheet, glyphs: letters.Glyphs, names: Mapping[bool, str]) -> bytes:
    text = "\n".join(_text(sheet, glyphs, names)) if glyphs else ""
    return b"\n".join([b"q 0 g", *sheet.marks, b"Q", text.encode()])


def _text(sheet: Sheet, glyphs: letters.Glyphs, names: Mapping[bool, str]) -> Iterator[str]:
    yield "BT 0 g"
    for line in sheet.lines:
        if _drawn(line, True):
            x, y = line.left * POINT, (sheet.stock.paper[1] - line.baseline) * POINT
            yield f"/{names[line.bold]} {line.size:.3f} Tf 1 0 0 1 {x:.3f} {y:.3f} Tm"
            yield f"<{line.said.translate(glyphs[line.bold])}>Tj"
    yield "ET"
