"""One way to start the system's Chromium, for tests and for taking pictures.

Promises: nothing is downloaded and nothing is sent out; without Chromium `found()` is None and says so.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, Page, sync_playwright

NAMES = ["chromium", "chromium-browser", "google-chrome", "google-chrome-stable"]
QUIET = [
    "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


def found() -> str | None:
    """Where Chromium is, or None."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


@contextmanager
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=found(), args=QUIET)
        try:
            yield running
        finally:
            running.close()


def sign_in(page: Page, base: str, user: str, password: str) -> None:
    """By the form, as a person does. AssertionError when the site says no."""
    page.goto(f"{base}/sign-in/")
    page.get_by_label("User name").fill(user)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_load_state()
    assert "/sign-in/" not in page.url, page.locator("main").inner_text()


def sideways(page: Page) -> int:
    """By how many pixels the page is wider than its window."""
    return int(page.evaluate("document.documentElement.scrollWidth - window.innerWidth"))


def small_targets(page: Page, least: int = 48) -> list[str]:
    """Things to press that are lower than `least` px, but for links inside a sentence (WCAG 2.5.8)."""
    return list(page.evaluate(SMALL, least))


# A link is measured by the box of its own and of the block that it fills alone.
SMALL = """least => {
  const pressed = 'button, summary, select, input:not([type=hidden]), a[href]';
  return [...document.querySelectorAll(pressed)]
    .filter(one => one.checkVisibility() && !one.closest('p, .hint, .refusal li, .skip'))
    .map(one => ({one, box: (one.closest('label') ?? one).getBoundingClientRect()}))
    .filter(({box}) => box.width > 0 && box.height < least - 0.5)
    .map(({one, box}) => `${one.tagName} ${one.innerText || one.name} ${Math.round(box.height)} px`);
}"""
