"""The map of a box by keyboard alone, with script and without; axe on the pages of the store."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser import axe, chromium
from tests.people import PASSWORD

BOX = "NLB-B001"
PLACE = """(() => {
  const place = document.querySelector('.boxmap [aria-current]').getBoundingClientRect();
  return [place.left, place.right];
})()"""


@pytest.fixture
def store(page: Page, base: str) -> Page:
    chromium.sign_in(page, base, "labtech", PASSWORD)
    page.goto(f"{base}/store/{BOX}/")
    return page


def slot(page: Page) -> str:
    """The slot that has the keyboard's focus; empty when it is elsewhere."""
    return str(
        page.evaluate("document.activeElement.closest('.boxmap a')?.querySelector('.slot').textContent ?? ''")
    )


def tab_into(page: Page) -> None:
    for _ in range(60):
        page.keyboard.press("Tab")
        if slot(page):
            return
    raise AssertionError("the map is not reached by the tab key")


def press(page: Page, *keys: str) -> str:
    for key in keys:
        page.keyboard.press(key)
    return slot(page)


def test_the_arrow_keys_go_from_slot_to_slot_and_tab_goes_on(store: Page):
    tab_into(store)
    assert slot(store) == "A1"
    assert press(store, "ArrowRight", "ArrowRight", "ArrowDown") == "B3"
    assert press(store, "End") == "B9" and press(store, "ArrowRight") == "B9"  # not past the edge
    assert press(store, "ArrowDown", "Home", "ArrowUp", "ArrowUp", "ArrowUp") == "A1"
    assert press(store, "ArrowRight", "Tab") == ""  # one stop for the tab key: after it the map is left
    assert press(store, "Shift+Tab") == "A2"  # and entered where one was
    store.keyboard.press("Enter")
    expect(store.get_by_label("First slot")).to_have_value("A2")


def test_without_script_each_slot_is_a_link_of_its_own(running: Browser, base: str):
    context = running.new_context(java_script_enabled=False)
    page = context.new_page()
    chromium.sign_in(page, base, "labtech", PASSWORD)
    page.goto(f"{base}/store/{BOX}/")
    assert page.locator(".boxmap a").count() == 81
    assert page.locator(".boxmap a[tabindex]").count() == 0
    expect(page.get_by_text("then the arrow keys")).to_be_hidden()
    context.close()


def test_the_tube_that_was_looked_for_is_in_sight_on_a_telephone(store: Page):
    """A map wider than the screen is moved to the slot that is looked at."""
    store.set_viewport_size({"width": 360, "height": 740})
    store.evaluate("document.querySelector('.boxmap').classList.add('wide')")
    store.evaluate("document.querySelector('.boxmap tr:nth-child(5) td:last-child a').ariaCurrent = 'true'")
    store.add_script_tag(url="/static/biobank/js/boxmap.js?again", type="module")
    expect(store.locator(".boxmap a[tabindex='0']")).to_have_count(1)
    left, right = store.evaluate(PLACE)
    assert 0 <= left < right <= 360 and chromium.sideways(store) == 0


@pytest.mark.parametrize(
    "path", [f"/store/{BOX}/", "/store/", "/store/find/", "/store/room/", "/store/carry/"]
)
def test_axe_finds_nothing(store: Page, base: str, path: str):
    store.goto(base + path)
    assert axe.complaints(store) == []
