"""The page that tells how a printer prints: where a frame lands on the label, and which dots are dead.

Promises: every line is whole printer dots, one measures what stands beside it; nothing on it is a code that
could be scanned for a tube.
"""

from __future__ import annotations

from collections.abc import Iterator

from biobank.core.sheet import ADVANCE, POINT, Cell, Line, Stock, cells, check
from biobank.labels import symbols
from biobank.labels.pdf import Sheet, pdf_of

FRAME_MM = 1.0  # from the label's edge to the frame
STEPS = 8  # one print dot in each step, its neighbours in the next ones
TICK_MM, LONG_MM, STEP_MM, BAND_MM = 0.6, 1.2, 0.5, 1.5
SMALL_PT = 5.0
EXPLAINED = ["A gap in the stair is a dead dot. Scale in mm.", "gap = dead dot; mm", "gap = dead"]


def calibration_pdf(stock: Stock) -> bytes:
    """Two pages: frames and cross hairs on every label, shifted as labels are; then the dots of the head.

    Refused: as `check` of the stock.
    """
    check(stock)
    frames = Sheet(stock)
    for cell in cells(stock, stock.per_page):
        _frame(frames, stock, cell)
    return pdf_of([frames, _ladder(stock)], f"Calibration, {stock.name}")


def _hair(stock: Stock) -> int:
    """A thin line: about 0.1 mm of dots."""
    return max(1, round(stock.dots(0.1)))


def _frame(sheet: Sheet, stock: Stock, cell: Cell) -> None:
    """A frame 1 mm inside the label; through its middle two lines with a mark every millimetre."""
    left, top = cell.left + FRAME_MM, cell.top + FRAME_MM
    wide, high = (side - 2 * FRAME_MM for side in stock.label)
    thin = _hair(stock)
    across, down = round(stock.dots(wide)), round(stock.dots(high))
    for at in (top, top + high - stock.mm(thin)):
        sheet.bar(left, at, across, thin)
    for at in (left, left + wide - stock.mm(thin)):
        sheet.bar(at, top, thin, down)
    x, y = left + wide / 2, top + high / 2
    sheet.bar(left, y, across, thin)
    sheet.bar(x, top, thin, down)
    for far, long in _marks(wide / 2):
        sheet.bar(x + far, y - long / 2, thin, round(stock.dots(long)))
    for far, long in _marks(high / 2):
        sheet.bar(x - long / 2, y + far, round(stock.dots(long)), thin)
    if not (cell.row or cell.column):
        sheet.lines += _words(stock, left, top)


def _words(stock: Stock, left: float, top: float) -> Iterator[Line]:
    """Where there is room: what is measured, and on the other side the shift that is in it already."""
    half = stock.label[0] / 2 - FRAME_MM
    shift = [f"{name} {mm:+.2f}" for name, mm in zip(("right", "down"), stock.shift, strict=True)]
    for at, texts in ((left + 0.4, ["frame 1 mm"]), (left + half + 1.2, shift)):
        for n, said in enumerate(texts):
            line = Line(said, at, top + 0.3 + n * 1.7, half - 1.6, SMALL_PT)
            if _fits(line) and line.top + line.height < top + stock.label[1] / 2 - FRAME_MM - LONG_MM:
                yield line


def _fits(line: Line) -> bool:
    return len(line.said) * ADVANCE * line.size / POINT <= line.width


def _marks(half: float) -> Iterator[tuple[float, float]]:
    """Every whole millimetre from the middle to both sides, short of the frame; every fifth longer."""
    for mm in range(1, int(half - 0.2) + 1):
        long = LONG_MM * 1.5 if mm % 5 == 0 else LONG_MM
        yield from ((mm, long), (-mm, long))


def _ladder(stock: Stock) -> Sheet:
    """Over the whole width: a scale, a stair in which every print dot stands alone, a band of all of them."""
    sheet, width = Sheet(stock), round(stock.dots(stock.paper[0]))
    top = 1.0
    for mm in range(int(stock.page[0]) + 1):
        long = LONG_MM if mm % 5 == 0 else TICK_MM
        if round(stock.dots(mm)) + _hair(stock) <= width:
            sheet.bar(mm, top, _hair(stock), round(stock.dots(long)))
    tall, top = round(stock.dots(STEP_MM)), top + LONG_MM + 0.3
    for step in range(STEPS):
        row = "".join("1" if dot % STEPS == step else "0" for dot in range(width))
        sheet.mask(symbols.packed([row], 1, tall), width, tall, 0, top + step * stock.mm(tall))
    top += STEPS * stock.mm(tall) + 0.3
    sheet.bar(0, top, width, round(stock.dots(BAND_MM)))
    wide, below = stock.page[0] - 2, top + BAND_MM + 0.4
    lines = [Line(said, 1.0, below, wide, SMALL_PT) for said in EXPLAINED]
    sheet.lines += [line for line in lines if _fits(line)][:1]
    return sheet
