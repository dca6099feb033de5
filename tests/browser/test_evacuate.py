"""A freezer that fails, with nothing but what a scanner types, faster than pages load; axe on its pages."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser import axe, chromium
from tests.browser.keyboard import desk, reach, scan
from tests.browser.store import add
from tests.people import PASSWORD

OLD, SHELF, ONE, TWO = "NLB-F5", "NLB-S51", "NLB-B51", "NLB-B52"
NEW, RACK, CHEST = "NLB-F6", "NLB-R61", "NLB-C6"
Rows = Callable[[str], list[tuple]]


@pytest.fixture(scope="module")
def freezers(running: Browser, base: str) -> None:
    """Two boxes in a freezer, another freezer as cold, and a warmer chest."""
    context = running.new_context()
    page = context.new_page()
    chromium.sign_in(page, base, "curator", PASSWORD)
    for code, kind, centi, parent in [
        (OLD, "freezer", "-80", ""), (SHELF, "shelf", "", OLD),
        (ONE, "box", "", SHELF), (TWO, "box", "", SHELF),
        (NEW, "freezer", "-80", ""), (RACK, "rack", "", NEW), (CHEST, "freezer", "-20", ""),
    ]:  # fmt: skip
        add(page, base, code, kind, centi, parent)
    context.close()


@pytest.fixture
def biobank(running: Browser, base: str, freezers: None) -> Iterator[Page]:
    with desk(running, base, "curator") as page:
        yield page


def begin(page: Page, base: str, code: str = OLD) -> None:
    page.goto(f"{base}/evacuation/{code}/")
    reach(page, page.get_by_label("What happened"))
    scan(page, "compressor stands still")
    expect(page.locator("h1")).to_have_text(f"Evacuation of {code}")


def end(page: Page, code: str = OLD, note: str = "") -> None:
    reach(page, page.get_by_role("link", name="End the evacuation"))
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text(f"End the evacuation of {code}")
    reach(page, page.get_by_label("Note"))
    scan(page, note)
    expect(page.locator("main")).to_contain_text("Ended")


def parents(rows: Rows) -> dict[str, str | None]:
    said = rows(f"SELECT unit, parent FROM custody_unitstate WHERE unit IN ('{ONE}', '{TWO}')")
    return {unit: parent for unit, parent in said}


def test_boxes_and_their_places_are_scanned_without_waiting(biobank: Page, base: str, rows: Rows):
    begin(biobank, base)
    scan(biobank, ONE.lower())
    scan(biobank, RACK)  # at once: it takes what the scan before it took out
    scan(biobank, TWO)
    expect(biobank.locator(".notice", has_text="In hand")).to_contain_text(TWO)
    assert parents(rows) == {ONE: RACK, TWO: None}
    scan(biobank, CHEST)
    expect(biobank.locator("main")).to_contain_text("wrong_temperature_class")
    expect(biobank.locator(".notice", has_text="In hand")).to_contain_text(TWO)
    expect(biobank.locator("[data-scan] input:not([type=hidden])")).to_be_focused()
    assert parents(rows)[TWO] is None, "what was refused moved nothing"
    scan(biobank, NEW)
    expect(biobank.locator(".notice", has_text="In hand")).to_have_count(0)
    assert parents(rows) == {ONE: RACK, TWO: NEW}
    end(biobank)
    kinds = rows("SELECT kind FROM custody_event ORDER BY seq DESC LIMIT 4")
    assert kinds == [("moved",)] * 4, "two out, two in, and the refusals are no events"


def test_axe_finds_nothing_and_a_phone_is_wide_enough(biobank: Page, base: str):
    begin(biobank, base, NEW)
    run = biobank.url
    scan(biobank, ONE)
    expect(biobank.locator(".notice", has_text="In hand")).to_contain_text(ONE)
    biobank.set_viewport_size({"width": 360, "height": 780})
    pages = [biobank.url, f"{base}/evacuation/", f"{base}/evacuation/{NEW}/", run.replace("boxes", "end")]
    for address in pages:
        biobank.goto(address)
        assert axe.complaints(biobank) == [], address
        assert chromium.sideways(biobank) <= 0, address
        assert chromium.small_targets(biobank) == [], address
    biobank.goto(run)
    end(biobank, NEW, "it cools again")
