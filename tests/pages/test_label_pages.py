"""Pages of labels and printers."""

from __future__ import annotations

import pypdfium2
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.core import codes
from biobank.labels import printers
from biobank.models import Printer, Programme, Unit
from tests.people import printed_set
from tests.printed import by_pdfium, read


def pdf_of(answer) -> pypdfium2.PdfDocument:
    assert answer.status_code == 200, answer.content[:400]
    assert answer["Content-Type"] == "application/pdf"
    return pypdfium2.PdfDocument(answer.content)


def words(answer) -> str:
    return "\n".join(page.get_textpage().get_text_range() for page in pdf_of(answer))


@pytest.fixture
def printer(people) -> Printer:
    return printers.add(people.actor("labtech"), "Lab, wraps", "wrap33-203", 203)


@pytest.mark.parametrize("role", ["auditor", "collaborator"])
def test_only_people_who_print_see_printers(people, sign_in, printer, role):
    browser = sign_in(role)
    for name, args in [("labels", []), ("printer_new", []), ("printer", [printer.pk]), ("calibration", [])]:
        assert browser.get(reverse(name, args=args)).status_code == 403


def test_another_programmes_printer_is_not_there(people, sign_in, printer):
    Printer.objects.update(programme=Programme.objects.create(code="OTHER", name="Other", tz="UTC"))
    browser = sign_in("labtech")
    assert browser.get(reverse("printer", args=[printer.pk])).status_code == 404
    assert browser.get(reverse("calibration"), {"printer": printer.pk}).status_code == 404
    assert "Lab, wraps" not in browser.get(reverse("labels")).content.decode()


def test_a_printer_is_added_measured_and_used(people, sign_in):
    browser, tube_set = sign_in("labtech"), printed_set(people)
    form = {"name": "Lab, wraps", "stock": "wrap33-203", "dpi": "203"}
    assert browser.post(reverse("printer_new"), form).status_code == 302
    made = Printer.objects.get()
    page = browser.get(reverse("printer", args=[made.pk])).content.decode()
    assert "actual size" in page
    said = {"was_x": 0, "was_y": 0, "left": "1,3", "top": "0.9", "note": ""}
    assert browser.post(reverse("printer_measured", args=[made.pk]), said).status_code == 302
    page = browser.get(reverse("printer", args=[made.pk])).content.decode()
    assert "right −0.30 mm, down 0.10 mm" in page and "measured: 1.3 mm left" in page
    address = reverse("set_labels", args=[tube_set.code])
    plain = browser.get(address, {"stock": "wrap33-203"})
    moved = browser.get(address, {"printer": made.pk, "stock": "wide50-203"})
    left = [min(x for x, one in enumerate(row(by_pdfium(a.content, 203)[0])) if one) for a in (plain, moved)]
    assert left[1] - left[0] in (-2, -3), "0.3 mm are 2.4 dots"


def row(image) -> list[bool]:
    """Which columns of dots have anything dark."""
    return [image.crop((x, 0, x + 1, image.height)).getextrema()[0] == 0 for x in range(image.width)]


def test_a_set_has_a_printer_to_choose_and_says_how_to_print(people, sign_in, printer):
    page = sign_in("labtech").get(reverse("set", args=[printed_set(people).code])).content.decode()
    assert "Lab, wraps" in page and "actual size" in page and "before freezing" in page


def test_a_printer_out_of_use_is_not_offered(people, sign_in, printer):
    printers.change(people.actor("labtech"), printer, "broken", retired=True)
    page = sign_in("labtech").get(reverse("set", args=[printed_set(people).code])).content.decode()
    assert "Lab, wraps" not in page
    assert "no longer in use" in sign_in("labtech").get(reverse("labels")).content.decode()


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"stock": "wrap33-300"}, "printer_dpi_differs"),
        ({"name": "a\u202eb"}, "label_text_not_printable"),
        ({"stock": "papyrus"}, "invalid_choice"),
        ({"name": ""}, "required"),
    ],
)
def test_a_printer_that_cannot_be_is_refused_on_the_page(people, sign_in, more, code):
    form = {"name": "Lab", "stock": "wrap33-203", "dpi": "203"} | more
    answer = sign_in("labtech").post(reverse("printer_new"), form)
    assert answer.status_code == 422 and code in answer.content.decode()
    assert not Printer.objects.exists()


@pytest.mark.parametrize(
    "more", [{"left": "9"}, {"left": "-1"}, {"left": "wide"}, {"top": ""}, {"left": "1e3"}, {"was_x": "x"}]
)
def test_what_no_ruler_says_is_refused(people, sign_in, printer, more):
    said = {"was_x": 0, "was_y": 0, "left": "1", "top": "1"} | more
    assert sign_in("labtech").post(reverse("printer_measured", args=[printer.pk]), said).status_code == 422
    assert Printer.objects.get().shift_x_um == 0


def test_the_bag_of_a_set_has_a_label(people, sign_in):
    browser, tube_set = sign_in("fieldtech"), printed_set(people)
    address = reverse("set_labels", args=[tube_set.code])
    answer = browser.get(address, {"stock": "wide50-203", "which": "bag"})
    assert len(pdf_of(answer)) == 1 and f"{tube_set.code}-000-" in words(answer)
    assert {codes.bag(text) for _, text in read(by_pdfium(answer.content, 203)[0])} == {tube_set.code}
    narrow = browser.get(address, {"stock": "wrap33-203", "which": "bag"})
    assert narrow.status_code == 422 and "stock_too_small" in narrow.content.decode()


def test_caps_are_printed_for_every_tube(people, sign_in):
    browser, tube_set = sign_in("fieldtech"), printed_set(people)
    answer = browser.get(reverse("set_labels", args=[tube_set.code]), {"stock": "cap95-203"})
    assert len(pdf_of(answer)) == tube_set.tubes.count()


def test_labels_of_units_are_printed(store, sign_in):
    browser = sign_in("curator")
    unit = Unit.objects.get(kind="box")
    assert unit.code in browser.get(reverse("labels"), {"unit": unit.code}).content.decode()
    answer = browser.get(reverse("units_pdf"), {"units": f"{unit.code.lower()}\n{unit.code}"})
    assert len(pdf_of(answer)) == 1 and unit.code in words(answer)
    for asked in ({"units": "NO-SUCH"}, {"units": ""}, {"units": unit.code, "stock": "wrap33-203"}):
        assert browser.get(reverse("units_pdf"), asked).status_code == 422


def test_a_calibration_page_for_any_stock(people, sign_in, printer):
    browser = sign_in("fieldtech")
    assert len(pdf_of(browser.get(reverse("calibration"), {"stock": "a4-4x10"}))) == 2
    assert "frame 1 mm" in words(browser.get(reverse("calibration"), {"printer": printer.pk}))
    assert browser.get(reverse("calibration"), {"stock": "papyrus"}, follow=True).status_code == 200


def test_several_sets_that_cannot_be_printed_say_why(people, sign_in):
    asked = {"set": printed_set(people).code, "stock": "wrap33-203", "which": "bag"}
    page = sign_in("fieldtech").get(reverse("labels_pdf"), asked, follow=True).content.decode()
    assert "needs a wider stock" in page


def queries_of(browser, address) -> int:
    with CaptureQueriesContext(
        connection,
    ) as counted:
        assert browser.get(address).status_code == 200
    return len(counted)


def test_the_page_of_printers_needs_as_many_queries_for_thirty_as_for_three(people, sign_in):
    browser, actor, counted = sign_in("labtech"), people.actor("labtech"), []
    for n in range(30):
        printers.add(actor, f"Printer {n}", "wrap33-203", 203)
        if n in (2, 29):
            counted.append(queries_of(browser, reverse("labels")))
    assert counted[0] == counted[1]
