"""Machine-readable symbols and the hazard sign, as rows of dark ("1") and light ("0") modules.

Promises: QR version 1 level H and Data Matrix 14 x 14 carry the same nine characters, and fail in
different ways when a label is damaged; Code 128 for labels that are wide enough.
"""

from __future__ import annotations

from functools import cache, lru_cache, reduce
from math import cos, hypot, pi, sin
from operator import xor

import qrcode
from barcode.codex import Code128
from ppf.datamatrix import DataMatrix
from qrcode.constants import ERROR_CORRECT_H

from biobank.core.sheet import MATRIX_MODULES, QR_MODULES

Rows = list[str]
MASK = 2  # a fixed mask: trying all eight is most of the library's time
PLAIN = "A" * 9


def qr(code: str) -> Rows:
    """21 x 21 modules for nine characters. ValueError when the code is of another length."""
    return _summed("qr", QR_MODULES, 2, code)


def matrix(code: str) -> Rows:
    """14 x 14 modules for nine characters, finder border included. ValueError for another length."""
    return _summed("matrix", MATRIX_MODULES, 3, code)


def _summed(kind: str, side: int, step: int, code: str) -> Rows:
    """The symbol of a code, put together from what each part of it changes in the plain symbol.

    Of fixed size, coding and mask a symbol is an affine map over GF(2) of its data bits (Reed-Solomon is
    linear, the mask is added), and our codes are coded part by part: a QR code takes alphanumerics two by
    two, C40 three by three. So the library is asked once for each part, and tubes of one set share most
    parts. Tests compare with the library's own symbols.
    """
    if len(code) != len(PLAIN):
        raise ValueError(f"{code!r} has not {len(PLAIN)} characters")
    changes = (_change(kind, at, code[at : at + step]) for at in range(0, len(PLAIN), step))
    return _rows(reduce(xor, changes, _drawn(kind, PLAIN)), side)


def _rows(drawn: int, side: int) -> Rows:
    bits = format(drawn, f"0{side**2}b")
    return [bits[at : at + side] for at in range(0, side**2, side)]


@lru_cache(maxsize=8192)
def _change(kind: str, at: int, part: str) -> int:
    return _drawn(kind, PLAIN[:at] + part + PLAIN[at + len(part) :]) ^ _drawn(kind, PLAIN)


@lru_cache(maxsize=8)
def _drawn(kind: str, code: str) -> int:
    """The library's symbol, row by row, as one number."""
    rows = whole_qr(code) if kind == "qr" else whole_matrix(code)
    return int("".join(rows), 2)


# --- in printer dots ------------------------------------------------------------------------------


def qr_mask(code: str, dots: int) -> bytes:
    """As `qr`, in printer dots, `dots` a module: see `packed`."""
    return _summed_mask("qr", QR_MODULES, 2, code, dots)


def matrix_mask(code: str, dots: int) -> bytes:
    """As `matrix`, in printer dots, `dots` a module: see `packed`."""
    return _summed_mask("matrix", MATRIX_MODULES, 3, code, dots)


def _summed_mask(kind: str, side: int, step: int, code: str, dots: int) -> bytes:
    """Making modules wider changes nothing in the sum, so that it is taken over what is wide already."""
    if len(code) != len(PLAIN):
        raise ValueError(f"{code!r} has not {len(PLAIN)} characters")
    wide = _wide(kind, side, -1, PLAIN, dots)
    for at in range(0, len(PLAIN), step):
        wide ^= _wide(kind, side, at, code[at : at + step], dots)
    return wide.to_bytes(-(-side * dots // 8) * side * dots, "big")


@lru_cache(maxsize=8192)
def _wide(kind: str, side: int, at: int, part: str, dots: int) -> int:
    """What a part changes (from place -1, the plain symbol itself), in printer dots, as one number."""
    drawn = _drawn(kind, part) if at < 0 else _change(kind, at, part)
    return int.from_bytes(packed(_rows(drawn, side), dots, dots), "big")


def packed(rows: Rows, dots: int, times: int) -> bytes:
    """Rows of dots from the top, `dots` a module, each so many `times`; eight to a byte, light at the end."""
    bits = len(rows[0]) * dots
    size = -(-bits // 8)
    wide = "".join(rows).replace("0", "0" * dots).replace("1", "1" * dots)
    each = (int(wide[at : at + bits], 2) << size * 8 - bits for at in range(0, len(wide), bits))
    return b"".join(row.to_bytes(size, "big") * times for row in each)


def whole_qr(code: str) -> Rows:
    """As the library draws it. ValueError when the code needs a larger version."""
    made = qrcode.QRCode(version=1, error_correction=ERROR_CORRECT_H, border=0, mask_pattern=MASK)
    made.add_data(code, optimize=0)
    made.make(fit=False)
    return ["".join("1" if dark else "0" for dark in row) for row in made.modules]


def whole_matrix(code: str) -> Rows:
    """As the library draws it, always in C40: the same size whatever digits a code has.

    ValueError when the code needs a larger symbol.
    """
    rows = DataMatrix(code, codecs=["C40"]).matrix
    if len(rows) != MATRIX_MODULES:
        raise ValueError(f"{code!r} makes no Data Matrix of {MATRIX_MODULES} modules")
    return ["".join("1" if dark else "0" for dark in row) for row in rows]


def forget() -> None:
    """Nothing of earlier codes is kept; for measuring."""
    for kept in (_wide, _change, _drawn):
        kept.cache_clear()


def small_qr(text: str) -> Rows:
    """The smallest QR code of level H for any text, as for the codes of units."""
    made = qrcode.QRCode(error_correction=ERROR_CORRECT_H, border=0)
    made.add_data(text, optimize=0)
    made.make()
    return ["".join("1" if dark else "0" for dark in row) for row in made.modules]


def code128(code: str) -> Rows:
    """One row of bars, start to stop, without quiet zones."""
    return [str(bar) for bar in Code128(code).build()[:1]]


# --- the hazard sign ------------------------------------------------------------------------------

ARMS = [(cos(turn), sin(turn)) for turn in (pi / 2, pi * 7 / 6, pi * 11 / 6)]
SPAN = 50  # units across the sign
RISE = 2.75  # units from the sign's centre to the middle of its height


@cache
def hazard(dots: int) -> Rows:
    """The biohazard sign in so many printer dots; three rings about one, recognisable from 18 dots on.

    Proportions from memory, after the figure of 29 CFR 1910.145(f)(8)(ii).
    """
    return ["".join("1" if _dark(row, col, dots) else "0" for col in range(dots)) for row in range(dots)]


@cache
def hazard_mask(dots: int) -> bytes:
    return packed(hazard(dots), 1, 1)


@cache
def upright_mask(dots: int) -> bytes:
    """This way up: two arrows on a line, in so many printer dots. After ISO 780, from memory."""
    rows = (
        "".join("1" if _up(col / dots, row / dots) else "0" for col in range(dots)) for row in range(dots)
    )
    return packed(list(rows), 1, 1)


def _up(x: float, y: float) -> bool:
    """From 0 to 1, y down."""
    aside = abs(abs(x - 0.5) - 0.25)
    head, shaft = 0.05 <= y < 0.4 and aside <= (y - 0.05) * 0.55, 0.4 <= y < 0.8 and aside <= 0.07
    return head or shaft or 0.87 <= y < 0.97


def _dark(row: int, col: int, dots: int) -> bool:
    """At least half of four points of the dot are in the sign."""
    points = [(col + a, row + b) for a in (0.25, 0.75) for b in (0.25, 0.75)]
    unit = SPAN / dots
    return sum(_in_sign((x - dots / 2) * unit, (dots / 2 - y) * unit + RISE) for x, y in points) >= 2


def _in_sign(x: float, y: float) -> bool:
    """Units from the centre, y up: crescents of three circles, cut open, and a ring where they are open."""
    centre = hypot(x, y)
    holes = [hypot(x - 15 * c, y - 15 * s) for c, s in ARMS]
    rounds = [hypot(x - 11 * c, y - 11 * s) for c, s in ARMS]
    if 10 <= centre <= 13.5 and min(holes) < 9.5:
        return True
    crescent = min(rounds) < 15 and min(holes) > 10.5 and centre > 3
    return crescent and not any(_cut(x * c + y * s, abs(x * s - y * c)) for c, s in ARMS)


def _cut(along: float, aside: float) -> bool:
    """The opening of a crescent, and the slit from it to the centre."""
    return (along > 19 and aside < 2) or (0 < along < 7 and aside < 0.8)
