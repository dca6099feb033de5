"""A count in a real browser with nothing but what a scanner types, and axe on the pages of counts."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from biobank.core import codes
from tests.browser import axe, chromium
from tests.people import PASSWORD

BOX, STRANGERS = "NLB-B001", [codes.make("Y2Y2Y", n) for n in (5, 6, 7)]  # no such labels were printed


@pytest.fixture
def desk(page: Page, base: str) -> Page:
    chromium.sign_in(page, base, "curator", PASSWORD)
    return page


def scan(page: Page, text: str) -> None:
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def test_a_count_from_box_to_result_without_the_mouse(desk: Page, base: str):
    desk.goto(f"{base}/counts/begin/")
    expect(desk.locator("[data-scan] input:not([type=hidden])")).to_be_focused()
    scan(desk, BOX.lower())
    expect(desk.locator("h1")).to_have_text(f"Count {BOX}")
    field = desk.locator("[data-scan] input:not([type=hidden])")
    expect(field).to_be_focused()
    desk.reload()  # without the message of the step before: it belongs to the frame, not to this page
    assert axe.complaints(desk) == []
    scan(desk, codes.show(STRANGERS[0]))
    scan(desk, "I8")  # does not wait for the answer, as scanners do not
    scan(desk, STRANGERS[1])
    expect(desk.locator(".count").first).to_have_text("2")
    scan(desk, "smudge")
    expect(desk.locator("[data-result=refused]")).to_contain_text("not a tube code")
    expect(field).to_be_focused()
    scan(desk, f"{STRANGERS[2]} I9")
    expect(desk.locator(".count").first).to_have_text("3")
    scan(desk, BOX)
    expect(desk.locator("h1")).to_have_text(f"Count of {BOX}")
    expect(desk.locator(".nums li", has_text="extra")).to_contain_text("3")
    strange = desk.get_by_role("region", name="Readings that no event names")
    expect(strange.locator("tr", has_text=codes.show(STRANGERS[1]))).to_contain_text("I8")
    expect(strange.locator("tr", has_text=codes.show(STRANGERS[2]))).to_contain_text("I9")
    desk.reload()
    assert axe.complaints(desk) == []


@pytest.mark.parametrize("path", ["/counts/", "/counts/choose/", "/counts/begin/", "/counts/accuracy/"])
def test_axe_finds_nothing(desk: Page, base: str, path: str):
    desk.goto(base + path)
    assert axe.complaints(desk) == []
