"""A desk without a mouse: what is typed, and a window that says when something was pressed by a pointer."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, Locator, Page, expect

from tests.browser.conftest import POLICY
from tests.people import PASSWORD

POINTER = "addEventListener('pointerdown', () => console.warn('by a pointer'), true)"


@contextmanager
def desk(running: Browser, base: str, user: str) -> Iterator[Page]:
    """Signed in by keyboard; a script error, a breach of the policy or a pressed pointer fails the test."""
    context = running.new_context(viewport={"width": 1280, "height": 900}, reduced_motion="reduce")
    context.add_init_script(POINTER)
    page, troubles = context.new_page(), list[str]()
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("console", lambda said: troubles.append(said.text) if _trouble(said.text) else None)
    page.goto(f"{base}/sign-in/")
    reach(page, page.get_by_label("User name"))
    page.keyboard.type(user)
    reach(page, page.get_by_label("Password"))
    scan(page, PASSWORD)
    expect(page.locator("main")).not_to_contain_text("Password")
    try:
        yield page
    finally:
        context.close()
    assert troubles == []


def _trouble(said: str) -> bool:
    return POLICY in said or "by a pointer" in said


def scan(page: Page, text: str) -> None:
    """As a hand scanner does: the characters and an Enter."""
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def reach(page: Page, one: Locator, most: int = 120) -> None:
    """Presses Tab until this has the focus."""
    for _ in range(most):
        if one.evaluate("one => one === document.activeElement"):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"not reached by the tab key: {one}")
