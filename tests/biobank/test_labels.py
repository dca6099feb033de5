"""Labels: rasterised as a printer would, read by an independent reader."""

from __future__ import annotations

from random import Random

import pypdfium2
import pytest
import zxingcpp
from PIL import Image

from biobank.core import codes
from biobank.core.sheet import Stock, cells, check
from biobank.labels.content import LabelContent, lines
from biobank.labels.paper import _room, labels_pdf
from biobank.labels.stocks import STOCKS
from custody.core.refusal import Refused

WORKUP = "SKV-260503-01"


def some(count: int, seed: int = 7, **more) -> list[LabelContent]:
    dice = Random(seed)
    made = [codes.make(codes.new_set_code(dice), dice.randrange(1, 999)) for _ in range(count)]
    return [
        LabelContent(
            code, code[:5], "Serum 10", "no additive", "red", 10_000, "−80 °C", WORKUP, "2026-05-03", **more
        )
        for code in made
    ]  # fmt: skip


def some_with(code: str) -> list[LabelContent]:
    """A label whose Data Matrix is of the smaller size."""
    return [LabelContent(code, code[:5], "Serum 10")]


def pages(pdf: bytes, dpi: int) -> list[Image.Image]:
    """Pages as a printer with `dpi` dots per inch would burn them: one bit, no grey."""
    made = pypdfium2.PdfDocument(pdf)
    return [
        made[n].render(scale=dpi / 72).to_pil().convert("L").point(lambda v: 255 * (v > 127))
        for n in range(len(made))
    ]


def read(image: Image.Image) -> set[tuple[str, str]]:
    """(kind, text) of every symbol; a small page is given light around it, as a label has on its roll."""
    framed = Image.new("L", (image.width + 80, image.height + 80), 255)
    framed.paste(image, (40, 40))
    found = zxingcpp.read_barcodes(
        framed.resize((framed.width * 2, framed.height * 2), Image.Resampling.NEAREST)
    )
    return {(one.format.name, one.text) for one in found}


@pytest.mark.parametrize("dpi", [203, 300])
@pytest.mark.parametrize("code", [code for code, stock in STOCKS.items() if stock.per_page == 1])
def test_every_symbol_of_a_roll_label_is_read_back(code, dpi):
    stock = STOCKS[code]
    labels = [*some(30), *some_with("C70720648")]
    for label, image in zip(labels, pages(labels_pdf(labels, stock), dpi), strict=True):
        found = read(image)
        assert ("QRCode", label.code) in found, (label.code, found)
        assert ("DataMatrix", label.code) in found, (label.code, found)
        if stock.code128_dots:
            assert ("Code128", label.code) in found


@pytest.mark.parametrize("dpi", [203, 300])
@pytest.mark.parametrize("code", [code for code, stock in STOCKS.items() if stock.per_page > 1])
def test_every_symbol_of_a_sheet_is_read_back(code, dpi):
    stock = STOCKS[code]
    labels = some(60)
    image = pages(labels_pdf(labels, stock, start=3), dpi)
    for cell, label in zip(cells(stock, len(labels), 3), labels, strict=True):
        left, top = (round(mm * dpi / 25.4) for mm in (cell.left, cell.top))
        width, height = (round(mm * dpi / 25.4) for mm in stock.label)
        found = read(image[cell.page].crop((left, top, left + width, top + height)))
        assert {("QRCode", label.code), ("DataMatrix", label.code)} <= found, (label.code, found)


@pytest.mark.parametrize("stock", STOCKS.values(), ids=list(STOCKS))
def test_the_code_for_eyes_stands_on_the_label_and_nothing_runs_over_its_edge(stock):
    long = LabelContent(
        "K7R2M103X", "K7R2M", "W" * 60, "W" * 40, "W" * 40, 999_999, "W" * 20, "W" * 60, "2026-05-03", copy=2
    )
    page = pypdfium2.PdfDocument(labels_pdf([long], stock))[0]
    text = page.get_textpage()
    assert "K7R2M-103-X" in text.get_text_bounded()
    right = (stock.corner[0] + stock.label[0]) * 72 / 25.4
    bottom = page.get_height() - (stock.corner[1] + stock.label[1]) * 72 / 25.4
    for n in range(text.count_chars()):
        box = text.get_charbox(n)
        assert box[2] <= right + 0.01 and box[1] >= bottom - 0.01


def test_a_label_says_what_a_person_needs():
    label = some(1, copy=2)[0]
    beside, foot = lines(label, 40, 60)
    assert beside == ["Serum 10", "no additive red", "10 mL −80 °C"]
    assert foot == "☣ C2 SKV-260503-01"


def test_an_unbound_label_has_its_day_or_room_to_write_it():
    for date, said in [("2026-05-03", "☣ 2026-05-03"), ("", "☣ ____-__-__")]:
        assert lines(LabelContent("K7R2M103X", "K7R2M", "Serum 10", date=date), 20, 20)[1] == said


def test_text_is_cut_to_its_label():
    beside, foot = lines(some(1)[0], 6, 9)
    assert {len(line) for line in [*beside, foot]} <= {6, 9}
    assert foot.endswith("…")


@pytest.mark.parametrize("text", ["a\x1bb", "a\u202eb", "a\u200bb", "a\nb", "a\ue000b"])
def test_characters_that_no_label_can_show_are_refused(text):
    with pytest.raises(Refused) as no:
        LabelContent("K7R2M103X", "K7R2M", text)
    assert no.value.code == "label_text_not_printable"


def test_markup_in_a_label_stays_text():
    label = LabelContent("K7R2M103X", "K7R2M", "<b>&amp;")
    text = (
        pypdfium2.PdfDocument(labels_pdf([label], STOCKS["wide50-203"]))[0].get_textpage().get_text_bounded()
    )
    assert "<b>&amp;" in text


def test_a_stock_that_does_not_fit_is_refused():
    wide = Stock("x", "x", (50, 13), (33, 13), columns=2, pitch=(33, 13))
    small = Stock("y", "y", (10, 10), (10, 10))
    for stock, start, code in [
        (wide, 0, "stock_does_not_fit"),
        (small, 0, "symbol_does_not_fit"),
        (STOCKS["a4-4x10"], 40, "stock_does_not_fit"),
    ]:
        with pytest.raises(Refused) as no:
            check(stock, start)
        assert no.value.code == code


def test_every_stock_leaves_room_for_text():
    for stock in STOCKS.values():
        check(stock)
        assert _room(stock, beside=True) >= 8 and _room(stock, beside=False) >= 14, stock.code
