"""The text of label pages, as HTML for WeasyPrint.

Promises: text never leaves its label, whatever letters it has and whatever font the machine has.

A box for each text costs more than the text. So a whole row of labels is one block: in a font whose letters
are all equally wide, a label's line is padded with spaces up to the next label. That holds for the letters
of `EVEN` in DejaVu Sans Mono. Any other label, or any other font, gets boxes of its own that clip.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import cache
from html import escape
from itertools import groupby
from math import ceil

from weasyprint import HTML
from weasyprint.text.fonts import FontConfiguration

from biobank.core import codes
from biobank.core.sheet import ADVANCE, EDGE_MM, POINT, Cell, Stock
from biobank.labels.content import LabelContent, copy, lines

Placed = tuple[Cell, LabelContent]
EVEN = re.compile(r"[ -~\u00a1-\u00ac\u00ae-\u017fΑ-ΡΣ-Ωα-ωА-яё…−–—‘’“”]*\Z")
COPY_PT = 7  # the copy's number, beside the hazard sign
BOLD_PT = 8  # a smaller bold fills the eyes of 0, 6, 8 and 9 at 203 dpi
PROBE = 100  # letters


@cache
def fonts() -> FontConfiguration:
    """Loaded once: it is slow, and the same for all labels."""
    return FontConfiguration()


@cache
def is_even() -> bool:
    """Does this machine have the font whose letters we count on, in both weights?"""
    letters = "<b>{0}<i id=b></i></b>\n{0}<i id=a></i>".format("mi" * (PROBE // 2))
    style = '@page{size:2000px 200px;margin:0}body{margin:0}pre{margin:0;font:10px "DejaVu Sans Mono"}'
    anchors = HTML(string=f"<style>{style}</style><pre>{letters}</pre>").render(font_config=fonts())
    ends = [anchors.pages[0].anchors[name][0] for name in "ab"]
    return all(abs(end - PROBE * 10 * ADVANCE) < 1 for end in ends)


def html(placed: Sequence[Placed], stock: Stock, title: str) -> str:
    body = "".join(_page(list(there), stock) for _, there in groupby(placed, lambda one: one[0].page))
    head = f"<title>{escape(title)}</title><style>{_style(stock)}</style>"
    return f"<!doctype html><html lang='en'>{head}{body}</html>"


def _style(stock: Stock) -> str:
    """A row of labels stands in the flow of its page: a box with a style of its own costs ten times that."""
    (width, height), (left, top) = stock.paper, _first(stock)
    row = stock.pitch[1] if stock.rows > 1 else stock.label[1]
    weight = "bold" if stock.code_pt >= BOLD_PT else "normal"
    code, under = stock.code_top - EDGE_MM, stock.under_top - stock.code_top
    return f"""@page {{ size: {width:.6f}mm {height:.6f}mm; margin: 0 }}
    body {{ margin: 0; font-family: "DejaVu Sans Mono", monospace; color: #000 }}
    section {{ position: relative; height: {height:.6f}mm; break-after: page }}
    section:last-child {{ break-after: auto }}
    main {{ position: relative; left: {left:.4f}mm; top: {top:.4f}mm }}
    .row {{ white-space: pre; height: {row:.4f}mm }} .row:last-child {{ height: 0 }}
    .row, .own {{ font-size: {_size(stock, stock.text_pt):.5f}pt; line-height: {stock.line_mm:.4f}mm }}
    p {{ margin: 0; height: {code:.4f}mm }}
    i {{ display: block; height: {under:.4f}mm; font-style: normal; font-weight: {weight} }}
    i {{ line-height: 1; font-size: {_size(stock, stock.code_pt):.5f}pt }}
    .own {{ position: absolute; white-space: pre; overflow: hidden }}
    .c {{ font-size: {stock.code_pt}pt; line-height: 1; font-weight: {weight} }}
    .n {{ position: absolute; font-size: {COPY_PT}pt; line-height: 1; font-weight: bold }}"""


def _first(stock: Stock) -> tuple[float, float]:
    """Where the text of the first label starts."""
    left, top = (corner + shift for corner, shift in zip(stock.corner, stock.shift, strict=True))
    return left + stock.text_left, top + EDGE_MM


def _letters(stock: Stock, size: float) -> int:
    """Letters from one label's text to the next one's, at most `size` points large; 0 in a single column."""
    return ceil(stock.pitch[0] * POINT / (size * ADVANCE)) if stock.columns > 1 else 0


def _size(stock: Stock, size: float) -> float:
    """At most `size`, so that the letters fill the pitch exactly."""
    count = _letters(stock, size)
    return stock.pitch[0] * POINT / (count * ADVANCE) if count else size


def _page(placed: Sequence[Placed], stock: Stock) -> str:
    even, odd = list[Placed](), list[Placed]()
    for one in placed:
        (even if is_even() and EVEN.match(_all(one[1])) else odd).append(one)
    rows = {row: list(there) for row, there in groupby(even, lambda one: one[0].row)}
    flow = "".join(_row(rows.get(row, []), stock) for row in range(max(rows, default=-1) + 1))
    own = "".join(_own(*one, stock) for one in odd)
    return f"<section><main>{flow}</main>{own}{''.join(_copies(placed, stock))}</section>"


def _copies(placed: Sequence[Placed], stock: Stock) -> Iterator[str]:
    """The copy's number beside the hazard sign, on reprints."""
    for cell, label in placed:
        if label.copy:
            left = cell.left + EDGE_MM + stock.mm(stock.sign_dots) + 0.4
            yield _block("n", [copy(label)], left, cell.top + stock.sign_top)


def _all(label: LabelContent) -> str:
    return label.title + label.additive + label.cap + label.target + label.workup + label.date


def _said(label: LabelContent, stock: Stock) -> tuple[list[str], list[str]]:
    return lines(label, stock.beside_letters, stock.under_letters, stock.under > 1)


def _row(row: Sequence[Placed], stock: Stock) -> str:
    """The labels of one row, all of even letters, as one block over the whole page."""
    said = {cell.column: _said(label, stock) for cell, label in row}
    shown = {cell.column: [codes.show(label.code)] for cell, label in row}
    letters = _letters(stock, stock.text_pt)
    top = _padded({column: one[0] for column, one in said.items()}, letters)
    low = _padded({column: one[1] for column, one in said.items()}, letters)
    code = _padded(shown, _letters(stock, stock.code_pt))
    under = "\n".join(low)
    return f"<div class=row><p>{_titled(top)}</p><i>{''.join(code)}</i>{under}</div>"


def _padded(columns: dict[int, list[str]], width: int) -> list[str]:
    """The columns' first lines as one line, their second lines as one, and so on; escaped."""
    found = []
    for n in range(max(map(len, columns.values()), default=0)):
        texts = (columns[at][n] if at in columns else "" for at in range(max(columns) + 1))
        found.append(escape("".join(text.ljust(width) for text in texts).rstrip()))
    return found


def _titled(escaped: Sequence[str]) -> str:
    """Lines of which the first is bold."""
    return "\n".join([f"<b>{escaped[0]}</b>", *escaped[1:]]) if escaped else ""


def _own(cell: Cell, label: LabelContent, stock: Stock) -> str:
    """Boxes for one label, which cut off what is too wide or too high."""
    beside, under = _said(label, stock)
    left, full = cell.left + stock.text_left, stock.label[0] - EDGE_MM - stock.text_left
    part = stock.matrix_left - EDGE_MM / 2 - stock.text_left

    def box(kind: str, texts: list[str], top: float, width: float, height: float) -> str:
        return _block(kind, texts, left, cell.top + top, f"width:{width:.3f}mm;height:{height:.3f}mm")

    return (
        box("own t", beside, EDGE_MM, part, 3 * stock.line_mm)
        + box("own c", [codes.show(label.code)], stock.code_top, full, stock.code_pt / POINT)
        + box("own", under, stock.under_top, full, stock.under * stock.line_mm)
    )


def _block(kind: str, texts: Sequence[str], left: float, top: float, more: str = "") -> str:
    """Lines at a place in mm; of kind "t" the first line, a title, is bold."""
    said = [escape(text) for text in texts]
    inner = _titled(said) if kind.endswith("t") else "\n".join(said)
    return f"<div class='{kind}' style='left:{left:.3f}mm;top:{top:.3f}mm;{more}'>{inner}</div>"
