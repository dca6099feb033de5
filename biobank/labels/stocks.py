"""Label papers, as data. A new one is a new line here.

A stock is a paper and a printer's dots: modules are whole dots, so the same paper has another line for
another printer. Codes of stocks stand in saved printers and never change their meaning.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from biobank.core.sheet import Cap, Stock

DPI = (203, 300, 600)
WRAP = Stock("", "Cryovial wrap 33 × 13 mm, roll", (33, 13), (33, 13), code_pt=8.5)
LID = Stock("", "Cap dot 9.5 mm, roll", (12.7, 12.7), (9.5, 9.5), corner=(1.6, 1.6), qr_dots=0, matrix_dots=0)
SMALL = Stock(
    "", "Tube label 25.4 × 12.7 mm, roll", (25.4, 12.7), (25.4, 12.7), code_pt=6.2, leading=1, under=2
)
WIDE = Stock(
    "", "Bag, box and rack label 50 × 25 mm, roll", (50, 25), (50, 25), qr_dots=4, matrix_dots=4,
    code128_dots=2, code_pt=12, text_pt=7,
)  # fmt: skip
FOUR_BY_TEN = Stock(
    "", "sheet, 40 labels of 48.5 × 25.4 mm", (210, 297), (48.5, 25.4), 4, 10, (48.5, 25.4), (8, 21.5),
    code_pt=12.05, text_pt=7,
)  # fmt: skip
WRAPS = Stock(
    "", "sheet, wraps of 33 × 13 mm", (215.9, 279.4), (33, 13), 5, 17, (38.1, 14.8), (15.25, 14.8),
    code_pt=8.55,
)  # fmt: skip
A4 = (210.0, 297.0)
LETTER = (215.9, 279.4)
QR = {203: 3, 300: 4, 600: 8}  # dots a module on a wrap: 0.34 to 0.38 mm
# Data Matrix on a wrap: 0.25 mm. Smaller than the QR code on purpose: with 5 % of the label rubbed off in six
# holes 86 of 100 labels could be read, with modules of 0.38 mm 80. Blur is the QR code's part.
MATRIX = {203: 2, 300: 3, 600: 6}
LARGE = {203: 4, 300: 5, 600: 10}  # both on a wide label: 0.42 to 0.5 mm
BARS = {203: 2, 300: 3, 600: 6}  # the narrowest bar of Code 128: 0.25 mm
ON_CAP = {203: 2, 300: 3, 600: 6}  # 0.25 mm: nothing larger fits a cap dot
FIGURES = {203: 5, 300: 4.8, 600: 4.8}  # points of the number on a cap


def _for(stock: Stock, code: str, dpi: int, name: str = "", **more: Any) -> Stock:
    """This paper for a printer of so many dots an inch."""
    dots: dict[str, Any] = {"qr_dots": QR[dpi], "matrix_dots": MATRIX[dpi]} if stock.qr_dots else {}
    if _is_wide(stock):
        dots = {"qr_dots": LARGE[dpi], "matrix_dots": LARGE[dpi], "code128_dots": BARS[dpi]}
    name = f"{name or stock.name}, {dpi} dpi"
    return replace(stock, **{"code": code, "name": name, "dpi": dpi} | dots | more)


def _is_wide(stock: Stock) -> bool:
    return stock.label[1] > 20


def _cap(dpi: int, left: float, top: float) -> Cap:
    return Cap(left, top, 9.5, ON_CAP[dpi], FIGURES[dpi])


def _stocks() -> list[Stock]:
    found = []
    for dpi in DPI:
        with_cap = {"name": "Cryovial wrap 33 × 13 mm with cap dot 9.5 mm, roll", "page": (45.5, 13)}
        found += [
            _for(WRAP, f"wrap33-{dpi}", dpi),
            _for(WRAP, f"wrap33cap-{dpi}", dpi, **with_cap, cap=_cap(dpi, 34.5, 1.75)),
            _for(LID, f"cap95-{dpi}", dpi, cap=_cap(dpi, 0, 0)),
            _for(SMALL, f"small25-{dpi}", dpi),
            _for(WIDE, f"wide50-{dpi}", dpi),
        ]
    for dpi, more in ((300, ""), (600, "-600")):
        lids = {"page": LETTER, "columns": 14, "rows": 19, "pitch": (14, 14), "corner": (12.2, 8.95)}
        found += [
            _for(FOUR_BY_TEN, f"a4-4x10{more}", dpi, name=f"A4 {FOUR_BY_TEN.name}"),
            _for(FOUR_BY_TEN, f"letter-4x10{more}", dpi, name=f"Letter {FOUR_BY_TEN.name}", page=LETTER,
                 corner=(10.95, 12.7)),
            _for(WRAPS, f"letter-5x17{more}", dpi, name="Letter sheet, 85 wraps of 33 × 13 mm"),
            _for(WRAPS, f"a4-5x18{more}", dpi, name="A4 sheet, 90 wraps of 33 × 13 mm", page=A4, rows=18,
                 corner=(12.3, 16.2)),
            _for(LID, f"letter-caps{more}", dpi, name="Letter sheet, 266 cap dots of 9.5 mm", **lids,
                 cap=_cap(dpi, 0, 0)),
        ]  # fmt: skip
    return found


STOCKS: dict[str, Stock] = {stock.code: stock for stock in _stocks()}
DEFAULT = "wrap33-203"
DEFAULT_WIDE = "wide50-203"
