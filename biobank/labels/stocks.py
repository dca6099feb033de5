"""Label papers, as data. A new one is a new line here."""

from __future__ import annotations

from biobank.core.sheet import Stock

STOCKS: dict[str, Stock] = {
    stock.code: stock
    for stock in [
        Stock("wrap33-203", "Cryovial wrap 33 × 13 mm, roll, 203 dpi", (33, 13), (33, 13), code_pt=8.5),
        Stock(
            "wrap33-300", "Cryovial wrap 33 × 13 mm, roll, 300 dpi", (33, 13), (33, 13), dpi=300,
            qr_dots=4, matrix_dots=4, code_pt=8.5,
        ),
        Stock(
            "small25-203", "Tube label 25.4 × 12.7 mm, roll, 203 dpi", (25.4, 12.7), (25.4, 12.7),
            code_pt=6.2, leading=1, under=2,
        ),
        Stock(
            "wide50-203", "Bag and box label 50 × 25 mm, roll, 203 dpi", (50, 25), (50, 25),
            qr_dots=4, matrix_dots=4, code128_dots=2, code_pt=12, text_pt=7,
        ),
        Stock(
            "a4-4x10", "A4 sheet, 40 labels of 48.5 × 25.4 mm, 300 dpi", (210, 297), (48.5, 25.4), 4, 10,
            (48.5, 25.4), (8, 21.5), dpi=300, qr_dots=5, matrix_dots=5, code128_dots=3, code_pt=12.05,
            text_pt=7,
        ),
        Stock(
            "letter-5x17", "Letter sheet, 85 wraps of 33 × 13 mm, 300 dpi", (215.9, 279.4), (33, 13), 5, 17,
            (38.1, 14.8), (15.25, 14.8), dpi=300, qr_dots=4, matrix_dots=4, code_pt=8.55,
        ),
    ]
}  # fmt: skip
DEFAULT = "wrap33-203"
