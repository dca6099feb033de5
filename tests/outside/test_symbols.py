"""Symbols against published examples."""

from random import Random

import pytest
import qrcode
import zxingcpp
from barcode.charsets import code128 as table
from PIL import Image
from ppf.datamatrix import DataMatrix
from qrcode.constants import ERROR_CORRECT_H, ERROR_CORRECT_L, ERROR_CORRECT_M, ERROR_CORRECT_Q
from qrcode.exceptions import DataOverflowError

from biobank.core import codes
from biobank.core.sheet import CODE128_MODULES, Stock
from biobank.labels import symbols


def values(code: str) -> list[int]:
    """The symbol values of the bars that we would print: eleven modules each, then the stop."""
    bars = symbols.code128(code)[0]
    body = bars[: -len(table.STOP)] if bars.endswith(table.STOP) else bars[:-13]
    return [table.CODES.index(body[at : at + 11]) for at in range(0, len(body), 11)]


@pytest.mark.parametrize(
    ("code", "start", "check"),
    [
        ("345678", "C", 73),  # barcoderesource.com
        ("ABCDEF", "A", 42),  # barcoderesource.com
        ("abcdef", "B", 97),  # barcoderesource.com
        ("HI345678", "A", 67),  # barcodeisland.com: A, then C
        ("PJJ123C", "A", 54),  # the example of Wikipedia's article on Code 128
    ],
)
def test_the_check_of_code_128_is_the_published_one(code, start, check):
    """check = (start + sum of position times value) mod 103. Letters have the same value in sets A and B: a
    symbol of ours that starts in another set than the published one differs by the start alone."""
    begun, *data, last = values(code)
    assert begun in (103, 104, 105)
    assert last == (begun + sum(n * value for n, value in enumerate(data, 1))) % 103
    if (begun == 105) == (start == "C"):
        assert last == (check + begun - {"A": 103, "B": 104, "C": 105}[start]) % 103


ALPHANUMERIC = [
    (1, (25, 20, 16, 10)), (2, (47, 38, 29, 20)), (3, (77, 61, 47, 35)), (4, (114, 90, 67, 50)),
]  # fmt: skip
NUMERIC = [(1, (41, 34, 27, 17)), (2, (77, 63, 48, 34)), (3, (127, 101, 77, 58)), (4, (187, 149, 111, 82))]
BYTES = [(1, (17, 14, 11, 7)), (2, (32, 26, 20, 14)), (3, (53, 42, 32, 24)), (4, (78, 62, 46, 34))]
LEVELS = (ERROR_CORRECT_L, ERROR_CORRECT_M, ERROR_CORRECT_Q, ERROR_CORRECT_H)


@pytest.mark.parametrize(
    ("letter", "version", "level", "most"),
    [
        (letter, version, level, most)
        for letter, table_ in (("A", ALPHANUMERIC), ("7", NUMERIC), ("a", BYTES))
        for version, row in table_
        for level, most in zip(LEVELS, row, strict=True)
    ],
)
def test_a_qr_code_takes_as_many_characters_as_the_standard_says(letter, version, level, most):
    """Capacities of ISO/IEC 18004, as another encoder (segno) takes them; qrcode.com names 38 for 2-M."""

    def drawn(count: int) -> int:
        made = qrcode.QRCode(version=version, error_correction=level, border=0, mask_pattern=0)
        made.add_data(letter * count, optimize=0)
        made.make(fit=False)
        return len(made.modules)

    assert drawn(most) == 17 + 4 * version
    with pytest.raises(DataOverflowError):
        drawn(most + 1)


def test_the_published_worked_area_of_a_qr_code():
    """qrcode.com: 50 alphanumerics at level M, 4 dots at 400 dpi: 7.366 mm, 9.398 with its margin."""
    made = qrcode.QRCode(error_correction=ERROR_CORRECT_M, border=0)
    made.add_data("A" * 50, optimize=0)
    made.make()
    stock = Stock("x", "x", (50, 25), (50, 25), dpi=400)
    assert (made.version, len(made.modules)) == (3, 29)
    assert stock.mm(4 * 29) == pytest.approx(7.366, abs=1e-3)
    assert stock.mm(4 * (29 + 8)) == pytest.approx(9.398, abs=1e-3)


def test_lower_case_needs_a_larger_symbol():
    """Only 0-9 A-Z space $ % * + - . / : are alphanumeric (ISO/IEC 18004, read from copies of its list)."""
    assert len(symbols.small_qr("NLB-B001XY")) == 21 and len(symbols.small_qr("nlb-b001xy")) == 25


@pytest.mark.parametrize("dots", [1, 2, 3, 4, 8])
def test_a_mask_in_printer_dots_is_the_symbol_made_wider(dots):
    """The sum is taken over what is wide already; packed afresh it is the same, byte for byte."""
    for code in some(40, 23):
        assert symbols.qr_mask(code, dots) == symbols.packed(symbols.qr(code), dots, dots)
        assert symbols.matrix_mask(code, dots) == symbols.packed(symbols.matrix(code), dots, dots)
    with pytest.raises(ValueError):
        symbols.qr_mask("K7R2M", dots)


def some(count: int, seed: int) -> list[str]:
    dice = Random(seed)
    return [codes.make(codes.new_set_code(dice), dice.randrange(1000)) for _ in range(count)]


def test_nine_characters_fit_the_smallest_symbols():
    """QR version 1-H takes 10 alphanumerics (ISO/IEC 18004 capacities, read from an encoder)."""
    for code in [*some(300, 5), "C70720648"]:
        assert len(symbols.qr(code)) == 21 and len(symbols.matrix(code)) == 14


def test_symbols_put_together_from_parts_are_the_librarys_own():
    """Ours add up what each part of a code changes; qrcode and ppf-datamatrix draw the same from scratch."""
    for code in some(200, 11):
        whole = qrcode.QRCode(
            version=1, error_correction=ERROR_CORRECT_H, border=0, mask_pattern=symbols.MASK
        )
        whole.add_data(code, optimize=0)
        whole.make(fit=False)
        assert symbols.qr(code) == ["".join("01"[bool(dark)] for dark in row) for row in whole.modules]
        rows = DataMatrix(code, codecs=["C40"]).matrix
        assert symbols.matrix(code) == ["".join(map(str, row)) for row in rows]


@pytest.mark.parametrize("code", ["", "K7R2M", "K7R2M103XX"])
@pytest.mark.parametrize("draw", [symbols.qr, symbols.matrix])
def test_a_code_of_another_length_makes_no_symbol(draw, code):
    with pytest.raises(ValueError):
        draw(code)


@pytest.mark.parametrize("draw", [symbols.qr, symbols.matrix])
def test_zxing_reads_the_plain_modules(draw):
    """An independent reader (zxing-cpp) on the rows alone, before any paper."""
    for code in some(60, 13):
        rows = draw(code)
        image = Image.new("L", (len(rows[0]) + 8, len(rows) + 8), 255)
        for y, row in enumerate(rows):
            for x, one in enumerate(row):
                image.putpixel((x + 4, y + 4), 0 if one == "1" else 255)
        found = zxingcpp.read_barcodes(
            image.resize((image.width * 4, image.height * 4), Image.Resampling.NEAREST)
        )
        assert [one.text for one in found] == [code]


def test_our_longest_code_128_is_as_long_as_the_sheet_allows_for():
    assert max(len(symbols.code128(code)[0]) for code in some(2_000, 17)) <= CODE128_MODULES


def test_the_hazard_sign_is_whole_and_mirrored():
    for dots in (18, 20, 32, 47):
        rows = symbols.hazard(dots)
        assert len(rows) == dots and all(row == row[::-1] and len(row) == dots for row in rows)
        assert "1" in "".join(rows[: dots // 6]) and "1" in "".join(rows[-dots // 6 :])
        assert 0.2 < sum(row.count("1") for row in rows) / dots**2 < 0.6
