"""Typing a field sheet in a real browser: with the keyboard alone, its photo beside it."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from tests.biobank.test_sheets import jpeg
from tests.browser import axe, chromium
from tests.people import PASSWORD


@pytest.fixture
def sheet(page: Page, base: str) -> Page:
    """The page on which the sheet of a new set is typed."""
    chromium.sign_in(page, base, "fieldtech", PASSWORD)
    page.goto(f"{base}/sets/new/")
    page.locator("input[name^=sets_]").first.fill("1")
    page.locator("main form button.primary").click()
    page.get_by_role("link", name="Enter from paper").click()
    return page


def focused(page: Page) -> str:
    return page.evaluate("document.activeElement.name")


def test_enter_goes_on_and_the_arrows_go_up_and_down(sheet: Page):
    times, ticks = sheet.locator("input[name^=t_]"), sheet.locator("input[name^=f_]")
    times.first.focus()
    sheet.keyboard.type("914")
    sheet.keyboard.press("Enter")
    assert focused(sheet) == ticks.first.get_attribute("name")
    sheet.keyboard.press("Space")
    sheet.keyboard.press("ArrowDown")
    assert focused(sheet) == ticks.nth(1).get_attribute("name")
    sheet.keyboard.press("ArrowUp")
    assert focused(sheet) == ticks.first.get_attribute("name")
    expect(ticks.first).to_be_checked()
    expect(times.first).to_have_value("914")


@pytest.mark.parametrize("width", [390, 1400])
def test_a_photo_is_shown_beside_what_was_typed(sheet: Page, width: int):
    sheet.set_viewport_size({"width": width, "height": 844})
    sheet.locator("input[name^=t_]").first.fill("9:14")
    photo = {"name": "sheet.jpg", "mimeType": "image/jpeg", "buffer": jpeg()}
    sheet.locator("input[name=files]").set_input_files([photo])
    sheet.get_by_role("button", name="Add the photo").click()
    expect(sheet.locator(".pane img")).to_have_js_property("naturalWidth", 40)
    expect(sheet.locator("input[name^=t_]").first).to_have_value("9:14")
    assert chromium.sideways(sheet) <= 0 and axe.complaints(sheet) == []
