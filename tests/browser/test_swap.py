"""A swap of freezers with nothing but what a scanner types, faster than the pages load."""

from __future__ import annotations

from playwright.sync_api import Page, expect

from tests.browser import axe, chromium
from tests.people import PASSWORD

BOX, RACK, NEW = "NLB-B001", "NLB-R1", "NLB-F7"


def scan(page: Page, text: str) -> None:
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def add(page: Page, base: str, code: str, kind: str, parent: str = "") -> None:
    page.goto(f"{base}/store/add/")
    page.get_by_label("Code", exact=True).fill(code)
    page.get_by_label("Kind", exact=True).select_option(kind)
    page.get_by_label("Name", exact=True).fill("New one")
    page.get_by_label("Stands in").fill(parent)
    page.get_by_label("Set point, °C").fill("-80")
    page.get_by_label("Reason", exact=True).fill("bought")
    page.get_by_role("button", name="Add the unit").click()
    expect(page.locator("h1")).to_have_text(code)


def test_a_place_and_the_box_for_it_are_scanned_without_waiting(page: Page, base: str):
    chromium.sign_in(page, base, "curator", PASSWORD)
    add(page, base, NEW, "freezer")
    add(page, base, "NLB-R71", "rack", NEW)
    add(page, base, "NLB-R72", "rack", NEW)
    page.goto(f"{base}/store/swap/")
    page.get_by_label("Emptied").fill(RACK)
    page.get_by_label("Into").fill(NEW)
    page.get_by_label("Reason").fill("too old")
    page.get_by_role("button", name="List the boxes").click()
    expect(page.locator("[data-scan] input:not([type=hidden])")).to_be_focused()
    page.reload()
    assert axe.complaints(page) == []
    scan(page, "nlb-r71")
    scan(page, "NLB-R72")  # the other rack, and at once the box for it: it must not go into the first
    scan(page, BOX)
    expect(page.locator(".notice", has_text="takes the next boxes")).to_contain_text("NLB-R72")
    expect(page.locator(".nums li", has_text="box arrived")).to_contain_text("1of 1")
    page.get_by_role("link", name="Arrived (1)").click()
    expect(page.get_by_role("region", name="Boxes").locator("tr", has_text=BOX)).to_contain_text(
        f"NLB-R72 in {NEW}"
    )
    scan(page, "NLB-X99")
    expect(page.locator("[data-result=refused]")).to_contain_text("no unit with the code")
    page.get_by_role("link", name="Close the swap").click()
    assert axe.complaints(page) == []
    page.get_by_role("button", name="Close the swap").click()
    expect(page.locator("main")).to_contain_text("Every box arrived")
    # and back, for the tests that come after
    page.goto(f"{base}/store/carry/?unit={BOX}&to={RACK}")
    page.get_by_role("button", name="Move").click()
    expect(page.locator("main")).to_contain_text("Moved.")
