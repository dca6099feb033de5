"""The label of a box, a rack or a bag: where its parts lie, in millimetres from the label's corner.

A QR code on the left, text beside it, signs on the right, Code 128 along the lower edge where the code is
short enough for it. Promises: pure geometry; no part on another or off the label; text that has no room is
left out from the end, never squeezed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from biobank.core.sheet import (
    ADVANCE,
    BAR_MM,
    EDGE_MM,
    GAP_MM,
    POINT,
    QUIET_MODULES,
    SIGN_MM,
    Line,
    Stock,
)
from custody.core.refusal import Refused

LEAST_PT = 6.0  # of the code for eyes
QUIET_QR = 4  # modules


@dataclass(frozen=True)
class Place:
    """A label on a wide stock. `modules` of its QR code, `bars` modules of its Code 128."""

    stock: Stock
    modules: int
    bars: int

    @property
    def qr_mm(self) -> float:
        return self.stock.mm(self.modules * self.stock.qr_dots)

    @property
    def sign_dots(self) -> int:
        return int(self.stock.dots(SIGN_MM))

    @property
    def sign_left(self) -> float:
        return self.stock.label[0] - EDGE_MM - self.stock.mm(self.sign_dots)

    def sign_top(self, n: int) -> float:
        """Top of the sign above (0) and of the one below it (1)."""
        return EDGE_MM + n * (self.stock.mm(self.sign_dots) + GAP_MM)

    @property
    def has_bars(self) -> bool:
        """Is the label wide enough for Code 128 with its light?"""
        return self.stock.mm((self.bars + 2 * QUIET_MODULES) * self.stock.code128_dots) <= self.stock.label[0]

    @property
    def bars_left(self) -> float:
        return (self.stock.label[0] - self.stock.mm(self.bars * self.stock.code128_dots)) / 2

    @property
    def bars_top(self) -> float:
        return self.stock.label[1] - EDGE_MM - self.stock.mm(round(self.stock.dots(BAR_MM)))

    @property
    def floor(self) -> float:
        """How far down text and QR code may go."""
        return self.bars_top - GAP_MM if self.has_bars else self.stock.label[1] - EDGE_MM

    @property
    def text_left(self) -> float:
        return EDGE_MM + self.qr_mm + self.stock.mm(QUIET_QR * self.stock.qr_dots)

    @property
    def text_mm(self) -> float:
        return self.sign_left - GAP_MM - self.text_left

    @property
    def letters(self) -> int:
        """Characters of a line."""
        return int(self.text_mm * POINT / (self.stock.text_pt * ADVANCE))

    def code_pt(self, code: str) -> float:
        """As large as the code fits its line, between `LEAST_PT` and the stock's size."""
        return min(self.stock.code_pt, self.text_mm * POINT / (max(1, len(code)) * ADVANCE))

    def check(self, code: str) -> None:
        """Refused `stock_too_small`: this label needs a wider one."""
        least = self.code_pt(code) >= LEAST_PT and EDGE_MM + self.qr_mm <= self.floor
        if not (self.stock.takes_places and least):
            raise Refused("stock_too_small", f"The label of {code} needs a wider stock, like 50 × 25 mm.")

    def lines(self, code: str, said: Sequence[str]) -> list[Line]:
        """The code, large, and below it as many lines as there is room for; the first of them bold."""
        size, text, high = self.code_pt(code), self.stock.text_pt, self.stock.line_mm
        top, left, width = EDGE_MM, self.text_left, self.text_mm
        first = top + size / POINT + 0.2
        room = int((self.floor - first + 1e-6) / high)
        return [
            Line(code, left, top, width, size, bold=True),
            *(
                Line(one, left, first + n * high, width, text, n == 0, self.stock.leading)
                for n, one in enumerate(said[:room])
            ),
        ]
