"""Machine-readable symbols as rows of dark (1) and light (0) modules.

Promises: QR version 1 level H and Data Matrix 14 x 14 carry the same nine characters, and fail in
different ways when a label is damaged; Code 128 for labels that are wide enough.
"""

from __future__ import annotations

from functools import cache

import qrcode
from barcode.codex import Code128
from ppf.datamatrix import DataMatrix
from qrcode.constants import ERROR_CORRECT_H

from biobank.core.sheet import MATRIX_MODULES

Rows = list[list[int]]
MASK = 2  # a fixed mask: trying all eight is most of the library's time


@cache
def qr(code: str) -> Rows:
    """21 x 21 modules. ValueError when the code needs a larger version."""
    made = qrcode.QRCode(version=1, error_correction=ERROR_CORRECT_H, border=0, mask_pattern=MASK)
    made.add_data(code, optimize=0)
    made.make(fit=False)
    return [[int(bool(dark)) for dark in row] for row in made.modules]


@cache
def matrix(code: str) -> Rows:
    """14 x 14 modules, finder border included; 12 x 12 for a code with many digits in pairs.

    ValueError when the code needs a larger symbol.
    """
    rows = [[int(dark) for dark in row] for row in DataMatrix(code).matrix]
    if len(rows) > MATRIX_MODULES:
        raise ValueError(f"{code!r} does not fit a Data Matrix of {MATRIX_MODULES} modules")
    return rows


@cache
def code128(code: str) -> Rows:
    """One row of bars, start to stop, without quiet zones."""
    return [[int(bar) for bar in Code128(code).build()[0]]]
