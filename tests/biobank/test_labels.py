"""Labels: rasterised as a printer would, read by an independent reader."""

from __future__ import annotations

from random import Random

import pypdfium2
import pytest
import zxingcpp
from PIL import Image

from biobank.core import codes
from biobank.core.sheet import EDGE_MM, cells
from biobank.labels import symbols, text
from biobank.labels.content import SHORT, LabelContent, lines, title, whole
from biobank.labels.paper import labels_pdf
from biobank.labels.stocks import STOCKS
from biobank.models import ADDITIVES
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
    """A label of few words, and a code of many digits in pairs."""
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
    labels = [*some(60), *some_with("C70720648")]
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
        assert not stock.code128_dots or ("Code128", label.code) in found


@pytest.mark.parametrize("stock", STOCKS.values(), ids=list(STOCKS))
def test_the_code_for_eyes_stands_on_the_label_and_nothing_runs_over_its_edge(stock):
    long = LabelContent(
        "K7R2M103X", "K7R2M", "W" * 60, "W" * 40, "W" * 40, 999_999, "W" * 20, "W" * 60, "2026-05-03", copy=2
    )
    page = pypdfium2.PdfDocument(labels_pdf([long], stock))[0]
    letters = page.get_textpage()
    assert "K7R2M-103-X" in letters.get_text_bounded()
    right = (stock.corner[0] + stock.label[0]) * 72 / 25.4
    bottom = page.get_height() - (stock.corner[1] + stock.label[1]) * 72 / 25.4
    for n in range(letters.count_chars()):
        box = letters.get_charbox(n)
        assert box[2] <= right + 0.01 and box[1] >= bottom - 0.01


def boxes(pdf: bytes) -> list[tuple[str, float, float, float, float]]:
    """Every letter of the first page: text, left, top, right, bottom in mm from the page's top left."""
    page = pypdfium2.PdfDocument(pdf)[0]
    letters, high = page.get_textpage(), page.get_height()
    found = []
    for n in range(letters.count_chars()):
        left, bottom, right, top = letters.get_charbox(n)
        found.append(
            (letters.get_text_range(n, 1), *(v * 25.4 / 72 for v in (left, high - top, right, high - bottom)))
        )
    return [one for one in found if one[0].strip() and one[3] > one[1]]


@pytest.mark.parametrize("code", [code for code, stock in STOCKS.items() if stock.per_page > 1])
def test_a_row_of_labels_has_each_text_on_its_own_label(code):
    """Labels of a row are one line of text: a column that slips would name the wrong tube."""
    stock = STOCKS[code]
    labels = some(stock.per_page - 2)
    letters = boxes(labels_pdf(labels, stock, start=2))
    for cell, label in zip(cells(stock, len(labels), 2), labels, strict=True):
        right, bottom = cell.left + stock.label[0], cell.top + stock.label[1]
        there = [
            one
            for one in letters
            if cell.left <= one[1] < right and cell.top <= (one[2] + one[4]) / 2 < bottom
        ]
        said = "".join(one[0] for one in there)
        assert codes.show(label.code) in said and WORKUP in said, (cell, said)
        assert min(one[1] for one in there) >= cell.left + stock.text_left - 0.1
        assert max(one[3] for one in there) <= right


@pytest.mark.parametrize(
    "words", ["漢字漢字漢字漢字漢字漢字漢字漢字", "אבג דהו זחט יכל מנס עפצ", "W\u0301" * 30]
)
@pytest.mark.parametrize("code", ["letter-5x17", "small25-203"])
def test_letters_of_another_width_move_nothing_and_stay_on_their_label(code, words):
    stock = STOCKS[code]
    labels = some(3)
    labels[0] = LabelContent(labels[0].code, labels[0].set_code, words, workup=words)
    image = pages(labels_pdf(labels, stock), 600)[0]
    cell = next(cells(stock, 1))
    right = cell.left + stock.label[0] - 0.2
    ahead = labels[1].code if stock.columns > 1 else ""
    dot = 600 / 25.4
    gutter = image.crop(
        (round(right * dot), 0, round((cell.left + (stock.pitch[0] or stock.label[0])) * dot), image.height)
    )
    assert gutter.getextrema() == (255, 255)
    if ahead:
        x = [one[1] for one in boxes(labels_pdf(labels, stock)) if one[0] == ahead[0]]
        assert any(abs(left - cell.left - stock.pitch[0] - stock.text_left) < 0.3 for left in x)


def test_a_machine_without_the_font_gets_boxes_that_clip(monkeypatch):
    """The slow way, for all labels: the symbols and the code are the same."""
    monkeypatch.setattr(text, "is_even", lambda: False)
    stock, labels = STOCKS["letter-5x17"], some(8)
    pdf = labels_pdf(labels, stock)
    said = pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded()
    assert all(codes.show(label.code) in said for label in labels)


def test_this_machine_has_the_font_that_rows_are_padded_in():
    assert text.is_even()


def test_a_label_says_what_a_person_needs():
    label = some(1, copy=2)[0]
    assert lines(label, 40, 60) == (["Serum 10", "no additive red", "10 mL −80 °C"], [WORKUP])
    assert lines(label, 9, 15, True) == (["Serum 10", "10 mL", "−80 °C"], ["no additive red", WORKUP])


@pytest.mark.parametrize("stock", STOCKS.values(), ids=list(STOCKS))
def test_a_reprint_says_which_copy_it_is(stock):
    def said(copy: int) -> str:
        pdf = labels_pdf(some(1, copy=copy), stock)
        return pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded()

    assert "C12" in said(12) and "C2" in said(2)
    assert "C0" not in said(0)


@pytest.mark.parametrize("stock", STOCKS.values(), ids=list(STOCKS))
def test_the_hazard_sign_is_there_only_when_asked_for(stock):
    with_sign, without = (pages(labels_pdf(some(1, hazard=on), stock), stock.dpi)[0] for on in (True, False))
    cell = next(cells(stock, 1))
    dot = stock.dpi / 25.4
    left, top = round((cell.left + 0.75) * dot), round((cell.top + stock.sign_top) * dot)
    place = (left, top, left + stock.sign_dots, top + stock.sign_dots)
    assert without.crop(place).getextrema() == (255, 255)
    drawn = symbols.hazard(stock.sign_dots)
    seen = ["".join("01"[v == 0] for v in row) for row in rows_of(with_sign.crop(place))]
    assert seen == drawn


def rows_of(image: Image.Image) -> list[list[int]]:
    data = list(image.tobytes())
    return [data[at : at + image.width] for at in range(0, len(data), image.width)]


@pytest.mark.parametrize("stock", STOCKS.values(), ids=list(STOCKS))
def test_modules_are_whole_dots_everywhere_on_the_page(stock):
    """Rasterised at the printer's own dots, every symbol comes out bit for bit as it was made."""
    labels = some(min(stock.per_page, 40))
    image = pages(labels_pdf(labels, stock), stock.dpi)
    dot = stock.dpi / 25.4
    for cell, label in zip(cells(stock, len(labels)), labels, strict=True):
        for rows, x, y, size in [
            (symbols.qr(label.code), EDGE_MM, stock.qr_top, stock.qr_dots),
            (symbols.matrix(label.code), stock.matrix_left, EDGE_MM, stock.matrix_dots),
        ]:
            left, top = round((cell.left + x) * dot), round((cell.top + y) * dot)
            side = len(rows) * size
            there = rows_of(image[cell.page].crop((left, top, left + side, top + side)))
            made = [
                [0 if one == "1" else 255 for one in row for _ in range(size)]
                for row in rows
                for _ in range(size)
            ]
            assert there == made, label.code


def test_an_unbound_label_has_its_day_or_room_to_write_it():
    for date, said in [("2026-05-03", "2026-05-03"), ("", "____-__-__")]:
        assert lines(LabelContent("K7R2M103X", "K7R2M", "Serum 10", date=date), 20, 20)[1] == [said]


def test_text_is_cut_to_its_label():
    for more in (False, True):
        beside, under = lines(some(1)[0], 6, 9, more)
        assert all(len(line) <= 6 for line in beside) and all(len(line) <= 9 for line in under)
        assert under[-1].endswith("…")


def test_a_number_is_never_cut_to_another_number():
    assert [whole("1.25 mL −196 °C", most) for most in (15, 14, 13, 12, 9, 6, 3)] == [
        "1.25 mL −196 °C", "1.25mL −196°C", "1.25mL −196°C", "1.25mL…", "1.25mL…", "…", "…",
    ]  # fmt: skip
    assert [title("EDTA plasma 12", most) for most in (14, 13, 9)] == [
        "EDTA plasma 12", "EDTA plas… 12", "EDTA … 12",
    ]  # fmt: skip


@pytest.mark.parametrize("stock", STOCKS.values(), ids=list(STOCKS))
@pytest.mark.parametrize("additive", [words for _, words in ADDITIVES])
def test_the_additive_of_every_stocked_tube_is_readable_on_every_paper(stock, additive):
    """ISO 6710 only recommends cap colours: the additive is what must be read, so it is never cut."""
    label = LabelContent(
        "K7R2M103X", "K7R2M", "Whole blood", additive, "light green", 10_000, "−196 °C", WORKUP
    )
    beside, under = lines(label, stock.beside_letters, stock.under_letters, stock.under > 1)
    said = under[0] if stock.under > 1 else beside[1]
    assert "…" not in said and said.startswith((additive, SHORT.get(additive, additive)))
    assert "10mL" in " ".join(beside).replace(" ", "") and "−196°C" in "".join(beside).replace(" ", "")


@pytest.mark.parametrize("words", ["a\x1bb", "a\u202eb", "a\u200bb", "a\nb", "a\ue000b"])
def test_characters_that_no_label_can_show_are_refused(words):
    with pytest.raises(Refused) as no:
        LabelContent("K7R2M103X", "K7R2M", words)
    assert no.value.code == "label_text_not_printable"


def test_markup_in_a_label_stays_text():
    label = LabelContent("K7R2M103X", "K7R2M", "<b>&amp;")
    pdf = labels_pdf([label], STOCKS["wide50-203"])
    assert "<b>&amp;" in pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded()
