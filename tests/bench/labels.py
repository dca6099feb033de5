"""Labels per second: ours against one picture per label, both through WeasyPrint, in one run.

Both sides print the same tubes: sets of twenty, as a plan makes them. Ours carries QR code, Data Matrix and
hazard sign; the other a QR code alone. No side keeps anything but its fonts from one round to the next:
each round has new codes, and what ours remembers of symbols is forgotten first.
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
from weasyprint import HTML
from weasyprint.text.fonts import FontConfiguration

from biobank.core import codes
from biobank.labels import symbols
from biobank.labels.content import LabelContent, lines
from biobank.labels.paper import labels_pdf
from biobank.labels.stocks import STOCKS

Print = Callable[[list[LabelContent]], bytes]
SHEET = STOCKS["letter-5x17"]
MANY, FEW, ROLL, ROUNDS, IN_A_SET = 2_000, 170, 200, 3, 20


def run() -> dict[str, float]:
    supply = tubes(Random(1))
    sheet = best(lambda labels: labels_pdf(labels, SHEET), MANY, supply)
    few = best(lambda labels: labels_pdf(labels, SHEET), FEW, supply)
    roll = best(lambda labels: labels_pdf(labels, STOCKS["wrap33-203"]), ROLL, supply)
    pictures = best(naive, FEW, supply)
    return {
        "labels": MANY,
        "sheet_per_s": round(sheet),
        f"sheet_of_{FEW}_per_s": round(few),
        "roll_per_s": round(roll),
        "picture_per_label_per_s": round(pictures),
        "ratio": round(sheet / pictures, 2),
        f"ratio_at_{FEW}": round(few / pictures, 2),
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


# --- the other side -------------------------------------------------------------------------------


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
