"""Where labels and their parts lie: by numbers alone."""

from dataclasses import replace
from itertools import combinations
from math import hypot

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.sheet import (
    ADVANCE,
    BAR_MM,
    BEARING,
    CODE128_MODULES,
    EDGE_MM,
    GAP_MM,
    LEAST_SIGN,
    POINT,
    RIM_MM,
    Cell,
    Line,
    Stock,
    cells,
    check,
    copy_line,
    pages,
    snapped,
    tube_lines,
)
from biobank.labels.stocks import STOCKS
from custody.core.refusal import Refused

TUBES = {code: stock for code, stock in STOCKS.items() if not stock.caps_only}
CAPS = {code: stock for code, stock in STOCKS.items() if stock.cap}
every = pytest.mark.parametrize("stock", STOCKS.values(), ids=list(STOCKS))
each = pytest.mark.parametrize("stock", TUBES.values(), ids=list(TUBES))
WRAP, SHEET = STOCKS["wrap33-203"], STOCKS["letter-5x17"]
Box = tuple[float, float, float, float]


def apart(one: Box, two: Box, gap: float = 0) -> bool:
    """(left, top, right, bottom) of two things that do not touch."""
    return (
        one[2] + gap <= two[0] + 1e-6
        or two[2] + gap <= one[0] + 1e-6
        or one[3] + gap <= two[1] + 1e-6
        or two[3] + gap <= one[1] + 1e-6
    )


def parts(stock: Stock) -> dict[str, Box]:
    """The label's symbols, in mm from its corner."""
    sign, high = stock.mm(stock.sign_dots), stock.label[1]
    found = {
        "qr": (EDGE_MM, stock.qr_top, EDGE_MM + stock.qr_mm, stock.qr_top + stock.qr_mm),
        "matrix": (
            stock.matrix_left, EDGE_MM, stock.matrix_left + stock.matrix_mm, EDGE_MM + stock.matrix_mm,
        ),
        "sign": (EDGE_MM, stock.sign_top, EDGE_MM + sign, stock.sign_top + sign),
    }  # fmt: skip
    if stock.code128_dots:
        found["bars"] = (0, high - EDGE_MM - BAR_MM, stock.label[0], high - EDGE_MM)
    return found


@every
def test_every_label_lies_on_its_page_and_on_no_other_label(stock):
    rooms = []
    for cell in cells(stock, stock.per_page):
        right, bottom = cell.left + stock.footprint[0], cell.top + stock.footprint[1]
        assert cell.page == 0 and cell.left >= 0 and cell.top >= 0
        assert right <= stock.page[0] + 1e-6 and bottom <= stock.page[1] + 1e-6
        rooms.append((cell.left, cell.top, right, bottom))
    assert all(apart(one, two) for one, two in combinations(rooms, 2))


def inked(stock: Stock) -> dict[str, Box]:
    """Everything that may get ink on a label, mm from its corner: symbols, bars, lines of text, cap."""
    found = {} if stock.caps_only else parts(stock)
    if found and "bars" in found:
        wide = stock.mm(CODE128_MODULES * stock.code128_dots) / 2
        found["bars"] = (
            stock.label[0] / 2 - wide,
            found["bars"][1],
            stock.label[0] / 2 + wide,
            found["bars"][3],
        )
    if not stock.caps_only:
        beside, under = ["x" * stock.beside_letters] * 3, ["x" * stock.under_letters] * stock.under
        lines = tube_lines(stock, Cell(0, 0, 0, 0, 0), "x" * 11, beside, under)
        found |= {f"line {n}": ink(line) for n, line in enumerate(lines)}
        found["copy"] = ink(copy_line(stock, Cell(0, 0, 0, 0, 0), "C12"))
    if stock.cap:
        (left, top), side = stock.cap.qr_place(stock.dpi), stock.cap.side(stock.dpi)
        found |= {"cap": (left, top, left + side, top + side)}
        found |= {"number": ink(stock.cap.number("000", stock.dpi))}
    return found


def ink(line: Line) -> Box:
    """Capitals and figures of a line: from 0.76 of its size above where it stands, down to there."""
    right = line.left + len(line.said) * line.size * ADVANCE / POINT
    return (line.left, line.baseline - 0.76 * line.size / POINT, right, line.baseline)


@every
def test_nothing_that_gets_ink_lies_on_anything_else(stock):
    there = inked(stock)
    for name, (left, top, right, bottom) in there.items():
        assert left >= 0 and top >= 0, name
        assert right <= stock.footprint[0] + 1e-6 and bottom <= stock.footprint[1] + 1e-6, name
    for (one, a), (two, b) in combinations(there.items(), 2):
        assert apart(a, b), (one, two)


@given(st.sampled_from(list(STOCKS.values())), st.integers(0, 300), st.integers(1, 40), st.data())
def test_no_ink_leaves_the_page_whatever_the_start_and_the_shift(stock, start, count, data):
    """Any shift and start that `check` lets pass keeps all ink on the page, and labels apart."""
    reach = st.integers(-20_000, 20_000).map(lambda um: um / 1000)
    near = st.integers(-750, 750).map(lambda um: um / 1000)
    shifted = replace(stock, shift=(data.draw(reach | near), data.draw(reach | near)))
    try:
        check(shifted, start)
    except Refused:
        return
    rooms = {}
    for cell in cells(shifted, count, start):
        for left, top, right, bottom in inked(stock).values():
            assert cell.left + left >= -1e-6 and cell.top + top >= -1e-6
            assert cell.left + right <= stock.page[0] + 1e-6 and cell.top + bottom <= stock.page[1] + 1e-6
        assert (cell.page, cell.row, cell.column) not in rooms
        rooms[cell.page, cell.row, cell.column] = (cell.left, cell.top)
    places = [(page, *place) for (page, *_), place in rooms.items()]
    assert len(set(places)) == count


@pytest.mark.parametrize("stock", CAPS.values(), ids=list(CAPS))
def test_what_is_on_a_cap_lies_inside_its_rim(stock):
    """Corners of the QR code and of the number's ink, by distance from the middle; four modules between."""
    cap = stock.cap
    x, y = cap.left + cap.across / 2, cap.top + cap.across / 2
    (left, top), side, number = cap.qr_place(stock.dpi), cap.side(stock.dpi), cap.number("000", stock.dpi)
    digits = ink(number)
    light = BEARING * cap.pt / POINT
    corners = [(left, top), (left + side, top), (left, top + side), (left + side, top + side)]
    corners += [(digits[0] + light, digits[3]), (digits[2] - light, digits[3])]
    assert all(hypot(a - x, b - y) <= cap.across / 2 - RIM_MM + 1e-6 for a, b in corners)
    assert digits[1] - (top + side) >= 4 * side / 21 - 0.06  # capitals are counted a hair too high here
    assert cap.pt >= 4.5, "smaller cannot be read"


def test_a_cap_that_does_not_fit_is_refused():
    stock = STOCKS["wrap33cap-203"]
    for cap in (
        replace(stock.cap, dots=3),
        replace(stock.cap, pt=7),
        replace(stock.cap, left=30),
        replace(stock.cap, left=37),
        replace(stock.cap, across=7),
    ):
        with pytest.raises(Refused):
            check(replace(stock, cap=cap))


@each
def test_every_symbol_lies_on_its_label_and_on_no_other(stock):
    check(stock)
    there = parts(stock)
    for left, top, right, bottom in there.values():
        assert left >= 0 and top >= 0
        assert right <= stock.label[0] + 1e-6 and bottom <= stock.label[1] + 1e-6
    assert all(apart(one, two) for one, two in combinations(there.values(), 2))
    assert apart(there["qr"], there["sign"], GAP_MM - stock.mm(1))
    assert apart(there["qr"], there["matrix"], stock.mm(4 * stock.qr_dots))


@each
def test_text_keeps_off_the_symbols(stock):
    """Four modules of light beside the QR code (qrcode.com), one around the Data Matrix (from memory)."""
    qr_module, module = stock.mm(stock.qr_dots), stock.mm(stock.matrix_dots)
    assert stock.text_left - EDGE_MM - stock.qr_mm >= 4 * qr_module - 1e-9
    assert (
        stock.matrix_left - (stock.text_left + stock.beside_letters * stock.text_pt * 0.602 / 72 * 25.4)
        >= module
    )
    capitals = stock.code_top + 0.1 * stock.code_pt / 72 * 25.4
    assert capitals - EDGE_MM - stock.matrix_mm >= module
    assert stock.sign_dots >= LEAST_SIGN


@pytest.mark.parametrize(
    ("dots", "dpi", "mm"),
    [(4, 203, 0.500), (5, 203, 0.626), (6, 203, 0.751), (4, 300, 0.339), (6, 600, 0.254)],
)
def test_a_module_is_whole_dots(dots, dpi, mm):
    """standards.md 7.3: module sizes at 203, 300 and 600 dpi, after qrcode.com (it rounds to 0.34, 0.25)."""
    assert Stock("x", "x", (50, 25), (50, 25), dpi=dpi).mm(dots) == pytest.approx(mm, abs=0.001)


@given(st.sampled_from(list(STOCKS.values())), st.floats(0, 300))
def test_a_snapped_place_is_on_the_dot_grid_and_at_most_half_a_dot_away(stock, mm):
    place = snapped(stock, mm)
    assert stock.dots(place) == pytest.approx(round(stock.dots(place)), abs=1e-6)
    assert abs(place - mm) <= stock.mm(1) / 2 + 1e-9


def test_labels_fill_a_sheet_row_by_row_from_the_first_free_place():
    found = list(cells(SHEET, 3, start=4))
    assert [(one.page, one.row, one.column) for one in found] == [(0, 0, 4), (0, 1, 0), (0, 1, 1)]
    assert (found[0].left, found[0].top) == pytest.approx((15.25 + 4 * 38.1, 14.8))
    assert (found[1].left, found[1].top) == pytest.approx((15.25, 14.8 + 14.8))


@given(st.integers(0, 400), st.integers(0, 84))
def test_pages_are_counted_as_labels_are_placed(count, start):
    found = list(cells(SHEET, count, start))
    assert len(found) == count
    assert pages(SHEET, count, start) == (found[-1].page + 1 if found else 0)


def test_a_printers_offset_moves_every_label():
    moved = replace(SHEET, shift=(0.5, -0.25))
    check(moved)
    for one, two in zip(cells(SHEET, 90), cells(moved, 90), strict=True):
        assert (two.left - one.left, two.top - one.top) == pytest.approx((0.5, -0.25))


def narrow(wide: float) -> Stock:
    return replace(STOCKS["wide50-203"], page=(wide, 25), label=(wide, 25), code_pt=8, text_pt=5)


def test_code_128_needs_its_light():
    """From memory: ISO/IEC 15417 asks for ten modules of light on both sides."""
    check(narrow(38.6))


@pytest.mark.parametrize(
    ("stock", "start", "code"),
    [
        (WRAP, 1, "stock_does_not_fit"),
        (SHEET, 85, "stock_does_not_fit"),
        (SHEET, -1, "stock_does_not_fit"),
        (replace(SHEET, columns=6), 0, "stock_does_not_fit"),
        (replace(SHEET, rows=19), 0, "stock_does_not_fit"),
        (replace(SHEET, columns=0), 0, "stock_does_not_fit"),
        (replace(SHEET, pitch=(32, 14.8)), 0, "stock_does_not_fit"),
        (replace(SHEET, corner=(-1, 14.8)), 0, "stock_does_not_fit"),
        (replace(WRAP, shift=(0.8, 0)), 0, "stock_does_not_fit"),
        (replace(WRAP, qr_dots=4), 0, "symbol_does_not_fit"),
        (replace(WRAP, matrix_dots=0), 0, "symbol_does_not_fit"),
        (replace(WRAP, matrix_dots=9), 0, "symbol_does_not_fit"),
        (replace(WRAP, code_pt=10), 0, "symbol_does_not_fit"),
        (replace(WRAP, under=2), 0, "symbol_does_not_fit"),
        (replace(WRAP, text_pt=9), 0, "symbol_does_not_fit"),
        (replace(STOCKS["wide50-203"], code128_dots=3), 0, "symbol_does_not_fit"),
        (narrow(37), 0, "symbol_does_not_fit"),  # 33.5 mm of bars, but 2.5 mm of light on both sides
    ],
)
def test_what_does_not_fit_is_refused_before_it_is_printed(stock, start, code):
    with pytest.raises(Refused) as no:
        check(stock, start)
    assert no.value.code == code


@each
def test_a_stock_has_readable_type_and_room_for_the_trades_words(stock):
    """Our own finding: under 5 pt at 203 dpi a dotted 0 fills and reads as 8."""
    assert stock.text_pt >= 5 and stock.code_pt >= 6
    assert stock.beside_letters >= 8 and stock.under_letters >= len("SKV-260503-01")
