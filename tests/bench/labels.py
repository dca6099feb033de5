"""Labels per second: ours against reportlab and against one picture per label, in one run.

uv run python -m tests.bench labels

All sides print the same tubes: sets of twenty, as a plan makes them. Ours and reportlab's carry QR code, Data
Matrix and hazard sign; that with pictures a QR code alone. reportlab gets the symbols from us, so that what
is compared is the drawing: its canvas draws the text, in a font that it need not embed, and one-bit images.
No side keeps anything but its fonts from one round to the next: each round has new codes, and what we
remember of symbols is forgotten first.
"""

from __future__ import annotations

import time
from base64 import b64encode
from collections.abc import Callable, Iterator
from functools import cache
from html import escape
from io import BytesIO
from itertools import islice
from random import Random

import qrcode
from PIL import Image
from reportlab.lib.units import mm
from reportlab.pdfgen import canvas
from weasyprint import HTML
from weasyprint.text.fonts import FontConfiguration

from biobank.core import codes
from biobank.core.sheet import EDGE_MM, Cell, Line, cells, tube_lines
from biobank.labels import symbols
from biobank.labels.content import LabelContent, lines
from biobank.labels.paper import labels_pdf
from biobank.labels.stocks import STOCKS

Print = Callable[[list[LabelContent]], bytes]
SHEET = STOCKS["letter-5x17"]
MANY, FEW, ROUNDS, IN_A_SET = 2_000, 170, 3, 20


def run() -> dict[str, float]:
    supply = tubes(Random(1))
    sheet = best(lambda labels: labels_pdf(labels, SHEET), MANY, supply)
    few = best(lambda labels: labels_pdf(labels, SHEET), FEW, supply)
    roll = best(lambda labels: labels_pdf(labels, STOCKS["wrap33-203"]), MANY, supply)
    drawn = best(reportlab, MANY, supply)
    pictures = best(naive, FEW, supply)
    return {
        "labels": MANY,
        "sheet_per_s": round(sheet),
        f"sheet_of_{FEW}_per_s": round(few),
        "roll_per_s": round(roll),
        "reportlab_per_s": round(drawn),
        "picture_per_label_per_s": round(pictures),
        "times_reportlab": round(sheet / drawn, 2),
        "times_pictures": round(sheet / pictures, 1),
        "bytes_per_label": len(labels_pdf(list(islice(supply, MANY)), SHEET)) // MANY,
    }


def tubes(dice: Random) -> Iterator[LabelContent]:
    """Labels of one set after another, without end."""
    while True:
        tube_set = codes.new_set_code(dice)
        for n in range(1, IN_A_SET + 1):
            yield LabelContent(
                codes.make(tube_set, n), tube_set, f"Serum {n}", "no additive", "red", 10_000, "−80 °C",
                "SKV-260503-01", "2026-05-03",
            )  # fmt: skip


def best(make: Print, count: int, supply: Iterator[LabelContent]) -> float:
    """Labels per second in the best of some rounds, each with labels of its own."""
    make(list(islice(supply, 5)))  # fonts
    return max(round_of(make, list(islice(supply, count))) for _ in range(ROUNDS))


def round_of(make: Print, labels: list[LabelContent]) -> float:
    symbols.forget()
    start = time.perf_counter()
    make(labels)
    return len(labels) / (time.perf_counter() - start)


# --- the other sides ------------------------------------------------------------------------------


def reportlab(labels: list[LabelContent]) -> bytes:
    """The same sheet by reportlab's canvas: text by drawString, symbols as inline one-bit images."""
    out = BytesIO()
    pdf = canvas.Canvas(out, pagesize=[side * mm for side in SHEET.page], pageCompression=1)
    for cell, label in zip(cells(SHEET, len(labels)), labels, strict=True):
        if cell.page >= pdf.getPageNumber():
            pdf.showPage()
        for line in lines_of(cell, label):
            pdf.setFont("Courier-Bold" if line.bold else "Courier", line.size)
            pdf.drawString(line.left * mm, (SHEET.page[1] - line.baseline) * mm, line.said)
        for bits, dots, left, top in marks_of(cell, label):
            side = SHEET.mm(dots) * mm
            image = Image.frombytes("1", (dots, dots), bits, "raw", "1;I")
            pdf.drawInlineImage(image, left * mm, (SHEET.page[1] - top) * mm - side, side, side)
    pdf.save()
    return out.getvalue()


def lines_of(cell: Cell, label: LabelContent) -> list[Line]:
    beside, under = lines(label, SHEET.beside_letters, SHEET.under_letters)
    return tube_lines(SHEET, cell, codes.show(label.code), beside, under)


def marks_of(cell: Cell, label: LabelContent) -> Iterator[tuple[bytes, int, float, float]]:
    """Bits, dots a side, left and top in mm."""
    qr, matrix, sign = SHEET.qr_dots, SHEET.matrix_dots, SHEET.sign_dots
    left, top = cell.left + EDGE_MM, cell.top
    yield symbols.qr_mask(label.code, qr), 21 * qr, left, top + SHEET.qr_top
    yield symbols.matrix_mask(label.code, matrix), 14 * matrix, cell.left + SHEET.matrix_left, top + EDGE_MM
    yield symbols.hazard_mask(sign), sign, left, top + SHEET.sign_top


@cache
def fonts() -> FontConfiguration:
    return FontConfiguration()


def naive(labels: list[LabelContent]) -> bytes:
    """What one would write first: a page of boxes with the same lines, each with a picture of its code."""
    style = "@page{size:letter}div{display:inline-block;width:33mm;height:13mm;font:5pt 'DejaVu Sans Mono'}"
    out = BytesIO()
    html = f"<style>{style}img{{width:8mm;float:left}}</style>{''.join(map(box, labels))}"
    HTML(string=html).write_pdf(out, font_config=fonts())
    return out.getvalue()


def box(label: LabelContent) -> str:
    beside, under = lines(label, SHEET.beside_letters, SHEET.under_letters)
    texts = [*beside, f"<b>{codes.show(label.code)}</b>", *under]
    said = "<br>".join(text if text.startswith("<b>") else escape(text) for text in texts)
    return f"<div><img src='{picture(label.code)}'>{said}</div>"


def picture(code: str) -> str:
    out = BytesIO()
    qrcode.make(code).save(out)
    return "data:image/png;base64," + b64encode(out.getvalue()).decode()
