"""Symbols against published examples."""

from random import Random

import pytest
from barcode.charsets import code128 as table

from biobank.core import codes
from biobank.labels import symbols


def values(code: str) -> list[int]:
    """The symbol values of the bars that we would print: eleven modules each, then the stop."""
    bars = "".join(map(str, symbols.code128(code)[0]))
    body = bars[: -len(table.STOP)] if bars.endswith(table.STOP) else bars[:-13]
    return [table.CODES.index(body[at : at + 11]) for at in range(0, len(body), 11)]


@pytest.mark.parametrize(
    ("code", "check"),
    [("345678", 73), ("HI345678", 67)],  # barcoderesource.com (C); barcodeisland.com (A or B, then C)
)
def test_the_check_of_code_128_is_the_published_one(code, check):
    found = values(code)
    start, *data, last = found
    assert last == (start + sum(n * value for n, value in enumerate(data, 1))) % 103
    if code == "345678":
        assert last == check
    else:  # the published example starts in set A; ours may start in B, which adds one
        assert last == (check + start - 103) % 103


def test_nine_characters_fit_the_smallest_symbols():
    """QR version 1-H takes 10 alphanumerics (ISO/IEC 18004 capacities, read from an encoder)."""
    dice = Random(5)
    for _ in range(300):
        code = codes.make(codes.new_set_code(dice), dice.randrange(1000))
        assert len(symbols.qr(code)) == 21
        assert len(symbols.matrix(code)) in {12, 14}
    assert len(symbols.matrix("C70720648")) == 12  # many digit pairs: a smaller symbol
