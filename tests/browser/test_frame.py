"""The frame of every page in a real browser: keyboard, width, touch targets, axe-core.

Sources: WCAG 2.2 (2.1.1 keyboard, 1.4.10 reflow, 1.4.6 contrast 7:1, 2.5.5 targets; ours is 48 px),
by way of axe-core, which is not ours.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from django.urls import resolve
from playwright.sync_api import Page, expect

from tests.browser import axe, chromium
from tests.people import PASSWORD

ROLES = ["fieldtech", "labtech", "curator", "collaborator", "auditor"]


def go_in(page: Page, base: str, role: str, width: int = 1400) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    chromium.sign_in(page, base, role, PASSWORD)


def links(page: Page) -> list[str]:
    """Addresses of this site's pages that the page leads to; papers and tables are not pages."""
    hrefs = page.eval_on_selector_all("a[href^='/']", "all => all.map(one => one.getAttribute('href'))")
    return sorted({href.split("#")[0] for href in hrefs if not re.search(r"\.(pdf|csv|xlsx)\b", href)})


def pages(page: Page, base: str) -> Iterator[str]:
    """Opens one page of every kind that can be reached from here by links; 200 or it fails."""
    seen, ahead = set(), links(page)
    while ahead:
        path = ahead.pop(0)
        kind = resolve(path.split("?")[0]).view_name
        if kind in seen:
            continue
        seen.add(kind)
        answer = page.goto(base + path)
        assert answer is not None and answer.status == 200, path
        yield path
        ahead += links(page)


def test_signing_in_and_out_needs_no_mouse(page: Page, base: str):
    page.goto(f"{base}/")
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_be_visible()
    page.get_by_label("User name").focus()
    page.keyboard.type("labtech")
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Today")
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.innerText") == "Sign out":
            break
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")


def test_a_wrong_password_is_said_and_lets_nobody_in(page: Page, base: str):
    page.goto(f"{base}/sign-in/")
    page.get_by_label("User name").fill("labtech")
    page.get_by_label("Password").fill("not the password")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("do not belong together")
    page.goto(f"{base}/")
    assert re.search(r"/sign-in/", page.url)


@pytest.mark.parametrize("role", ROLES)
def test_no_page_of_a_role_scrolls_sideways_at_360_px(page: Page, base: str, role: str):
    go_in(page, base, role, 360)
    wide = {path: over for path in pages(page, base) if (over := chromium.sideways(page)) > 0}
    assert wide == {}


@pytest.mark.parametrize(("role", "width"), [("fieldtech", 360), ("labtech", 1400), ("curator", 360)])
def test_no_page_has_what_axe_complains_of_or_a_small_target(page: Page, base: str, role: str, width: int):
    go_in(page, base, role, width)
    found = {path: axe.complaints(page) + chromium.small_targets(page) for path in pages(page, base)}
    assert {path: said for path, said in found.items() if said} == {}


@pytest.mark.parametrize("width", [360, 1400])
def test_axe_and_touch_targets_on_the_first_pages(page: Page, base: str, width: int):
    page.set_viewport_size({"width": width, "height": 800})
    page.goto(f"{base}/sign-in/")
    assert axe.complaints(page) == []
    assert chromium.small_targets(page) == []
    go_in(page, base, "labtech", width)
    assert axe.complaints(page) == []
    assert chromium.small_targets(page) == []


def test_the_menu_on_a_phone_opens_and_closes_by_keyboard(page: Page, base: str):
    go_in(page, base, "labtech", 360)
    page.locator("summary", has_text="Menu").focus()
    page.keyboard.press("Enter")
    menu = page.get_by_role("navigation")
    expect(menu).to_be_visible()
    assert axe.complaints(page) == []
    page.keyboard.press("Escape")
    expect(menu).to_be_hidden()
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"


def test_the_focus_ring_is_drawn_around_whatever_has_the_focus(page: Page, base: str):
    page.goto(f"{base}/sign-in/")
    page.keyboard.press("Tab")
    assert page.evaluate("getComputedStyle(document.activeElement).outline").endswith("solid 3px")
