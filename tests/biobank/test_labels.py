"""Labels: what stands on them, where, and that no text breaks them."""

from __future__ import annotations

import pypdfium2
import pytest
from PIL import Image

from biobank.core import codes
from biobank.core.sheet import EDGE_MM, Line, Stock, cells
from biobank.labels import letters, symbols
from biobank.labels.content import SHORT, LabelContent, lines, title, whole
from biobank.labels.paper import labels_pdf
from biobank.labels.pdf import Sheet, pdf_of
from biobank.labels.stocks import STOCKS
from biobank.models import ADDITIVES
from custody.core.refusal import Refused
from tests.printed import WORKUP, by_pdfium, labels_on, read, some

TUBES = {code: stock for code, stock in STOCKS.items() if not stock.caps_only}
each = pytest.mark.parametrize("stock", TUBES.values(), ids=list(TUBES))


@each
def test_the_code_for_eyes_stands_on_the_label_and_nothing_runs_over_its_edge(stock):
    long = LabelContent(
        "K7R2M103X", "K7R2M", "W" * 60, "W" * 40, "W" * 40, 999_999, "W" * 20, "W" * 60, "2026-05-03", copy=2
    )
    page = pypdfium2.PdfDocument(labels_pdf([long], stock))[0]
    letters = page.get_textpage()
    assert "K7R2M-103-X" in letters.get_text_bounded()
    left, right = stock.corner[0] * 72 / 25.4, (stock.corner[0] + stock.label[0]) * 72 / 25.4
    bottom = page.get_height() - (stock.corner[1] + stock.label[1]) * 72 / 25.4
    on_cap = stock.footprint[0] > stock.label[0]  # and there the three digits of its number, the last of all
    for n in range(letters.count_chars() - 3 * on_cap):
        box = letters.get_charbox(n)
        if letters.get_text_range(n, 1).strip():
            assert left <= box[0] and box[2] <= right + 0.01 and box[1] >= bottom - 0.01


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


@pytest.mark.parametrize("code", [code for code, stock in TUBES.items() if stock.per_page > 1])
def test_a_row_of_labels_has_each_text_on_its_own_label(code):
    """A text that slips to its neighbour would name the wrong tube."""
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
    image = by_pdfium(labels_pdf(labels, stock), 600)[0]
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
    monkeypatch.setattr(letters, "is_even", lambda: False)
    stock, labels = STOCKS["letter-5x17"], some(8)
    pdf = labels_pdf(labels, stock)
    said = pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded()
    assert all(codes.show(label.code) in said for label in labels)


def test_this_machine_has_the_font_that_lines_are_drawn_in():
    assert letters.is_even()


@pytest.mark.parametrize("bold", [False, True])
def test_every_letter_that_is_drawn_directly_is_the_letter(bold):
    """Each on its own line, read back by PDFium, which goes by what WeasyPrint embedded."""
    stock = Stock("x", "x", (50, 2_000), (50, 2_000))
    sheet, said = Sheet(stock), [one for one in letters.ALL if one.strip()]
    sheet.lines = [Line(f"x{one}x", 2, 2 + 4 * n, 40, 8, bold) for n, one in enumerate(said)]
    page = pypdfium2.PdfDocument(pdf_of([sheet], "letters"))[0]
    found = page.get_textpage().get_text_range().split()
    assert found == [f"x{one}x" for one in said]


def test_a_letter_stands_where_weasyprint_would_put_it(monkeypatch):
    """The same lines drawn directly and laid out in boxes: to half a dot the same ink."""
    stock = STOCKS["wide50-600"]
    one = by_pdfium(labels_pdf(some(1), stock), 600)[0]
    monkeypatch.setattr(letters, "is_even", lambda: False)
    two = by_pdfium(labels_pdf(some(1), stock), 600)[0]
    area = (round(stock.dots(stock.text_left)), 0, one.width - round(stock.dots(8)), round(stock.dots(17)))
    ink = [
        [n for n in range(crop.height) if crop.crop((0, n, crop.width, n + 1)).getextrema()[0] == 0]
        for crop in (one.crop(area), two.crop(area))
    ]
    assert abs(ink[0][0] - ink[1][0]) <= 2 and abs(ink[0][-1] - ink[1][-1]) <= 2


def test_a_label_says_what_a_person_needs():
    label = some(1, copy=2)[0]
    assert lines(label, 40, 60) == (["Serum 10", "no additive red", "10 mL −80 °C"], [WORKUP])
    assert lines(label, 9, 15, True) == (["Serum 10", "10 mL", "−80 °C"], ["no additive red", WORKUP])


@each
def test_a_reprint_says_which_copy_it_is(stock):
    def said(copy: int) -> str:
        pdf = labels_pdf(some(1, copy=copy), stock)
        return pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded()

    assert "C12" in said(12) and "C2" in said(2)
    assert "C0" not in said(0)


@each
def test_the_hazard_sign_is_there_only_when_asked_for(stock):
    with_sign, without = (
        by_pdfium(labels_pdf(some(1, hazard=on), stock), stock.dpi)[0] for on in (True, False)
    )
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


@each
def test_modules_are_whole_dots_everywhere_on_the_page(stock):
    """Rasterised at the printer's own dots, every symbol comes out bit for bit as it was made."""
    labels = some(min(stock.per_page, 40))
    image = by_pdfium(labels_pdf(labels, stock), stock.dpi)
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


@each
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


@pytest.mark.parametrize("stock", [STOCKS["wrap33-203"], STOCKS["a4-4x10"], STOCKS["wrap33cap-300"]])
@pytest.mark.parametrize(
    "words",
    [
        "W" * 10_000,
        "漢" * 10_000,
        "</div></section><script>",
        "%PDF-1.7 endstream endobj",
        "(\\)<41> Tj ET Q",
    ],
)
def test_long_and_hostile_texts_never_break_the_paper(stock, words):
    """10,000 characters, markup, and the language of PDF itself: cut, and the code is there and is read."""
    label = LabelContent("K7R2M103X", "K7R2M", words, words, words, 1_000, words, words, words)
    pdf = labels_pdf([label], stock)
    said = pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded()
    assert "K7R2M-103-X" in said and len(said) < 400
    image = labels_on(by_pdfium(pdf, stock.dpi), stock, 1, stock.dpi)[0]
    assert {text for _, text in read(image)} == {"K7R2M103X"}


def test_right_to_left_letters_come_in_their_own_order_on_their_own_line():
    """Marks of direction are refused; Hebrew letters as such are laid out by WeasyPrint."""
    label = LabelContent("K7R2M103X", "K7R2M", "אבג")
    said = pypdfium2.PdfDocument(labels_pdf([label], STOCKS["wide50-203"]))[0].get_textpage().get_text_range()
    assert "K7R2M-103-X" in said.split() and sorted("אבג") == sorted(c for c in said if "א" <= c <= "ת")


def test_markup_in_a_label_stays_text():
    label = LabelContent("K7R2M103X", "K7R2M", "<b>&amp;")
    pdf = labels_pdf([label], STOCKS["wide50-203"])
    assert "<b>&amp;" in pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded()
