"""Units for browser tests, made by the site's own forms before the test proper begins."""

from __future__ import annotations

from playwright.sync_api import Page, expect


def add(page: Page, base: str, code: str, kind: str, centi: str = "", parent: str = "") -> None:
    """A unit of Northlight; the page is signed in as its curator. centi: set point, °C."""
    page.goto(f"{base}/store/add/")
    page.get_by_label("Code", exact=True).fill(code)
    page.get_by_label("Kind", exact=True).select_option(kind)
    page.get_by_label("Name", exact=True).fill("New one")
    page.get_by_label("Stands in").fill(parent)
    page.get_by_label("Set point, °C").fill(centi)
    if kind == "box":
        page.locator("[name=rows]").fill("9")
        page.locator("[name=cols]").fill("9")
    page.get_by_label("Reason", exact=True).fill("bought")
    page.get_by_role("button", name="Add the unit").click()
    expect(page.locator("h1")).to_have_text(code)
