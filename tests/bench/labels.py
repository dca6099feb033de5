"""Labels per second: ours against one embedded picture per symbol, the same text, both through WeasyPrint."""

from __future__ import annotations

import time
from base64 import b64encode
from collections.abc import Callable
from io import BytesIO
from random import Random

import qrcode
from weasyprint import HTML

from biobank.core import codes
from biobank.labels.content import LabelContent
from biobank.labels.paper import labels_pdf
from biobank.labels.stocks import STOCKS

COUNT = 170


def run() -> dict[str, float]:
    dice = Random(1)
    made = [codes.make(codes.new_set_code(dice), n) for n in range(1, COUNT + 1)]
    labels = [
        LabelContent(code, code[:5], "Serum 10", "no additive", "red", 10_000, "−80 °C") for code in made
    ]
    ours = rate(lambda: labels_pdf(labels, STOCKS["letter-5x17"]))
    pictures = rate(lambda: naive(labels))
    return {
        "labels": COUNT,
        "ours_per_s": ours,
        "picture_per_label_per_s": pictures,
        "ratio": round(ours / pictures, 2),
    }


def rate(make: Callable[[], object]) -> float:
    make()  # fonts and caches
    best = min(timed(make) for _ in range(3))
    return round(COUNT / best, 1)


def timed(make: Callable[[], object]) -> float:
    start = time.perf_counter()
    make()
    return time.perf_counter() - start


def naive(labels: list[LabelContent]) -> bytes:
    """What one would write first: a table-free page of boxes, each with a PNG of its code."""
    boxes = "".join(
        f"<div style='display:inline-block;width:33mm;height:13mm'>"
        f"<img style='width:8mm' src='{picture(one.code)}'>"
        f"<small>{one.title} {codes.show(one.code)}</small></div>"
        for one in labels
    )
    out = BytesIO()
    HTML(string=f"<style>@page{{size:letter}}</style>{boxes}").write_pdf(out)
    return out.getvalue()


def picture(code: str) -> str:
    out = BytesIO()
    qrcode.make(code).save(out)
    return "data:image/png;base64," + b64encode(out.getvalue()).decode()
