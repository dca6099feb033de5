"""Printers, calibration pages, and labels of boxes, racks and bags."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pypdfium2
import pytest

from biobank.core import codes
from biobank.core.place import Place
from biobank.core.sheet import BAR_MM, EDGE_MM, GAP_MM, cells
from biobank.labels import printers, symbols
from biobank.labels.calibration import FRAME_MM, STEPS, calibration_pdf
from biobank.labels.paper import labels_pdf
from biobank.labels.places import PlaceContent, bags_of, places_pdf, units_of
from biobank.labels.stocks import STOCKS
from biobank.models import Printer, Unit
from custody.core.refusal import Refused
from tests.people import printed_set
from tests.printed import RENDERERS, by_pdfium, labels_on, read, some

WIDE = {code: stock for code, stock in STOCKS.items() if stock.takes_places}


def words(pdf: bytes) -> str:
    return pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded()


def refused(code: str, do, *args, **kwargs) -> None:
    with pytest.raises(Refused) as no:
        do(*args, **kwargs)
    assert no.value.code == code


@pytest.fixture
def lab(people):
    return people.actor("labtech")


@pytest.fixture
def wraps(lab) -> Printer:
    return printers.add(lab, "Lab, wraps", "wrap33-203", 203)


# --- what is kept of a printer --------------------------------------------------------------------


def test_what_was_measured_moves_the_labels_the_other_way(lab, wraps):
    """The frame stood 1.4 mm from the left and 0.75 mm from above: 0.4 too far right, 0.25 too high."""
    printers.measure(lab, wraps, (0, 0), 1_400, 750, "new roll")
    fresh = Printer.objects.get(pk=wraps.pk)
    assert (fresh.shift_x_um, fresh.shift_y_um) == (-400, 250)
    assert printers.stock_of(fresh).shift == (-0.4, 0.25)
    newest = fresh.history.first()
    assert newest.history_user.username == "labtech" and "1.4 mm left, 0.75 mm above, new roll" in (
        newest.history_change_reason
    )


def test_a_second_measurement_counts_from_what_the_page_was_printed_with(lab, wraps):
    printers.measure(lab, wraps, (0, 0), 1_400, 1_000)
    printers.measure(lab, wraps, (-400, 0), 900, 1_000)
    assert Printer.objects.get(pk=wraps.pk).shift_x_um == -300


def test_the_same_measurement_twice_is_one(lab, wraps):
    for _ in range(2):
        printers.measure(lab, wraps, (0, 0), 1_300, 1_000)
    assert Printer.objects.get(pk=wraps.pk).shift_x_um == -300
    refused("printer_changed", printers.measure, lab, wraps, (0, 0), 1_200, 1_000)


def test_a_shift_over_the_labels_edge_is_refused_when_it_is_measured(lab, wraps):
    refused("shift_too_large", printers.measure, lab, wraps, (0, 0), 2_800, 1_000)
    assert Printer.objects.get(pk=wraps.pk).shift_x_um == 0


def test_a_stock_for_other_dots_than_the_printers_is_refused(lab, wraps):
    refused("printer_dpi_differs", printers.add, lab, "Beach", "wrap33-300", 203)
    refused("printer_dpi_differs", printers.change, lab, wraps, "new roll", stock="wrap33-300")
    refused("stock_unknown", printers.add, lab, "Beach", "papyrus", 203)


def test_a_name_is_one_printer(lab, wraps):
    assert printers.add(lab, "Lab, wraps", "wrap33-203", 203).pk == wraps.pk
    refused("printer_name_taken", printers.add, lab, "Lab, wraps", "small25-203", 203)
    other = printers.add(lab, "Beach", "small25-203", 203)
    refused("printer_name_taken", printers.change, lab, other, "typo", name="Lab, wraps")
    refused("reason_required", printers.change, lab, other, " ", name="Field")


def test_another_stock_begins_without_a_shift(lab, wraps):
    printers.measure(lab, wraps, (0, 0), 1_300, 1_000)
    fresh = Printer.objects.get(pk=wraps.pk)
    printers.change(lab, fresh, "changed the roll", stock="small25-203")
    assert Printer.objects.get(pk=wraps.pk).shift_x_um == 0


# --- the calibration page, as a ruler would find it -----------------------------------------------


def dark(image) -> set[tuple[int, int]]:
    data = image.tobytes()
    return {(n % image.width, n // image.width) for n, value in enumerate(data) if not value}


@pytest.mark.parametrize("code", ["wrap33-203", "wrap33-300", "small25-203", "cap95-300", "wide50-600"])
@pytest.mark.parametrize("shift", [(0, 0), (0.3, -0.2)])
def test_the_frame_stands_a_millimetre_inside_the_label_and_moves_with_the_shift(code, shift):
    stock = replace(STOCKS[code], shift=shift)
    image = by_pdfium(calibration_pdf(stock), stock.dpi)[0]
    there, cell = dark(image), next(cells(stock, 1))
    left, top = min(x for x, _ in there), min(y for _, y in there)
    right, bottom = max(x for x, _ in there), max(y for _, y in there)
    found = [stock.mm(dots) for dots in (left, top, right + 1, bottom + 1)]
    want = [cell.left + FRAME_MM, cell.top + FRAME_MM]
    want += [cell.left + stock.label[0] - FRAME_MM, cell.top + stock.label[1] - FRAME_MM]
    assert found == pytest.approx(want, abs=1.5 * stock.mm(1))


def test_marks_stand_a_millimetre_apart():
    stock = STOCKS["wrap33-203"]
    image = by_pdfium(calibration_pdf(stock), 203)[0]
    row = round(stock.dots(6.5 - 0.4))  # above the line, where only the marks and the frame are
    dark_at = [x for x in range(image.width) if image.getpixel((x, row)) == 0]
    steps = {b - a for a, b in pairwise(dark_at[1:-1])}
    assert steps <= {7, 8, 9} and len(dark_at) >= 31  # 7.99 dots a millimetre


@pytest.mark.parametrize("name", RENDERERS)
@pytest.mark.parametrize("code", ["wrap33-203", "letter-5x17", "cap95-203"])
def test_every_print_dot_stands_alone_once_so_that_a_dead_one_shows(code, name):
    stock = STOCKS[code]
    image = RENDERERS[name](calibration_pdf(stock), stock.dpi)[1]
    ink = image.tobytes().translate(bytes([49] + [48] * 255)).decode()
    rows = [ink[at : at + image.width] for at in range(0, len(ink), image.width)]
    stairs = {tuple(x % STEPS for x, one in enumerate(row) if one == "1") for row in rows}
    alone = [one for one in stairs if len(one) > image.width // STEPS - 1 and len(set(one)) == 1]
    steps = {one[0]: len(one) for one in sorted(alone, key=len)}  # a renderer may thin a step's first row
    assert set(steps) == set(range(STEPS)), "each dot in one step of the stair"
    assert sum(steps.values()) == image.width
    assert "1" * image.width in rows, "and all of them in a band"


def test_nothing_on_a_calibration_page_can_be_scanned():
    for image in by_pdfium(calibration_pdf(STOCKS["wide50-203"]), 203):
        assert read(image) == []


@pytest.mark.parametrize("code", STOCKS)
def test_every_stock_has_a_calibration_page(code):
    assert len(pypdfium2.PdfDocument(calibration_pdf(STOCKS[code]))) == 2


def test_a_shifted_label_is_printed_where_the_shift_says():
    plain, moved = STOCKS["letter-5x17"], replace(STOCKS["letter-5x17"], shift=(1.27, 2.54))  # 15, 30 dots
    one, two = (by_pdfium(labels_pdf(some(3), stock), 300)[0] for stock in (plain, moved))
    assert {(x + 15, y + 30) for x, y in dark(one)} == dark(two)


# --- labels of places -----------------------------------------------------------------------------

PLACES = [
    PlaceContent("NLB-B001", "NLB-B001", "Serum box 1", ("43/81, A1 back left", "K7R2M-101-T"), upright=True),
    PlaceContent("R", "R", "A rack", upright=True),
    PlaceContent("NLB-RACK-000000000x", "NLB-RACK-000000000x", "W" * 60, ("W" * 60,) * 9),
    PlaceContent("ABCDEFGHIJKLMNOPQRST", "ABCDEFGHIJKLMNOPQRST", "The longest code that a unit may have"),
]  # fmt: skip


READ_BACK = [  # fine pages take long: by one renderer
    (code, name) for code, stock in WIDE.items() for name in RENDERERS if stock.dpi < 600 or name == "pdfium"
]


@pytest.mark.parametrize(("code", "name"), READ_BACK)
def test_the_label_of_a_place_is_read_back(code, name):
    """Code 128 only where the label is wide enough for its light; the QR code always."""
    stock = STOCKS[code]
    images = RENDERERS[name](places_pdf(PLACES, stock), stock.dpi)
    for label, image in zip(PLACES, labels_on(images, stock, len(PLACES), stock.dpi), strict=True):
        wide = Place(stock, 21, len(symbols.code128(label.code)[0])).has_bars
        kinds = {kind for kind, text in read(image) if text == label.code}
        assert kinds == ({"QRCode", "Code128"} if wide else {"QRCode"}), label.code


@pytest.mark.parametrize("code", WIDE)
@pytest.mark.parametrize("label", PLACES, ids=[one.code for one in PLACES])
def test_the_parts_of_a_places_label_lie_on_it_and_not_on_each_other(code, label):
    stock = STOCKS[code]
    place = Place(stock, len(symbols.small_qr(label.code)), len(symbols.code128(label.code)[0]))
    sign, quiet = stock.mm(place.sign_dots), 4 * stock.mm(stock.qr_dots)
    lines = place.lines(label.shown, ["x" * place.letters] * 9)
    boxes = {"qr": (EDGE_MM, EDGE_MM, EDGE_MM + place.qr_mm + quiet, EDGE_MM + place.qr_mm)}
    for n in (0, 1):
        boxes[f"sign {n}"] = (
            place.sign_left,
            place.sign_top(n),
            place.sign_left + sign,
            place.sign_top(n) + sign,
        )
    for n, line in enumerate(lines):
        right = line.left + len(line.said) * line.size * 1233 / 2048 / 72 * 25.4
        boxes[f"line {n}"] = (line.left, line.top, right, line.top + line.height)
    if place.has_bars:
        wide = stock.mm(place.bars * stock.code128_dots)
        boxes["bars"] = (place.bars_left, place.bars_top, place.bars_left + wide, place.bars_top + BAR_MM)
    for name, (left, top, right, bottom) in boxes.items():
        assert left >= 0 and top >= 0, name
        assert right <= stock.label[0] + 1e-6 and bottom <= stock.label[1] + 1e-6, name
    every = sorted(boxes.items())
    for n, (one, a) in enumerate(every):
        for two, b in every[n + 1 :]:
            if not (one.startswith("line") and two.startswith("line")):
                apart = (
                    a[2] <= b[0] + 1e-6 or b[2] <= a[0] + 1e-6 or a[3] <= b[1] + 1e-6 or b[3] <= a[1] + 1e-6
                )
                assert apart, (one, two)
    assert not place.has_bars or place.bars_top - (EDGE_MM + place.qr_mm) >= GAP_MM - 1e-6


def test_a_place_on_a_narrow_stock_is_refused():
    refused("stock_too_small", places_pdf, PLACES[:1], STOCKS["wrap33-203"])
    refused("label_text_not_printable", PlaceContent, "B1", "B1", "box\x1b")


def test_the_label_of_a_bag_says_the_set_its_plan_day_and_number_of_tubes(people):
    tube_set = printed_set(people)
    label = bags_of([tube_set])[0]
    assert codes.bag(label.code) == tube_set.code and codes.is_set_label(label.code)
    said = words(places_pdf([label], STOCKS["wide50-203"]))
    for part in (tube_set.code, tube_set.plan.code, f"{tube_set.tubes.count()} tubes", str(people.day.date)):
        assert part in said
    image = by_pdfium(places_pdf([label], STOCKS["wide50-203"]), 203)[0]
    assert {text for _, text in read(image)} == {label.code}


def test_the_label_of_a_box_says_what_is_in_it(store):
    box = Unit.objects.get(kind="box")
    label = units_of([box.code.lower()])[0]
    assert label.code == box.code and label.hazard and label.upright
    assert label.lines == ("0/81, A1 back left",)
    freezer = units_of([Unit.objects.get(kind="freezer").code])[0]
    assert not freezer.hazard and not freezer.upright
    refused("unit_unknown", units_of, ["NO-SUCH"])


def test_nothing_to_print_is_a_sentence():
    refused("nothing_to_print", labels_pdf, [], STOCKS["wrap33-203"])
    refused("nothing_to_print", places_pdf, [], STOCKS["wide50-203"])
