"""The scan field in a real browser: ready, quick, and losing nothing when it goes wrong.

Common practice, no source: a hand scanner types its characters and an Enter within some 50 ms.
"""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, Route, expect

from tests.browser import axe, chromium
from tests.people import PASSWORD

PATH = "/bench/aliquot/"
WRONG = "K7R2M103"  # one character short


@pytest.fixture
def bench(page: Page, base: str) -> Page:
    chromium.sign_in(page, base, "labtech", PASSWORD)
    page.goto(base + PATH)
    return page


def scan(page: Page, code: str) -> None:
    page.keyboard.type(code)
    page.keyboard.press("Enter")


def test_the_field_is_ready_without_a_touch(bench: Page):
    expect(bench.locator("[data-scan] input")).to_be_focused()


def test_a_refusal_is_said_and_the_field_is_ready_again(bench: Page):
    scan(bench, WRONG)
    expect(bench.locator("[data-result=refused], .errors").first).to_contain_text("not a tube code")
    expect(bench.locator("[data-scan] input")).to_be_focused()
    assert axe.complaints(bench) == []


def test_what_is_typed_with_nothing_in_focus_lands_in_the_field(bench: Page):
    bench.evaluate("document.activeElement.blur()")
    bench.keyboard.type("K7R2M")
    expect(bench.locator("[data-scan] input")).to_have_value("K7R2M")


def test_a_scan_that_arrives_too_early_is_listed_when_the_one_before_was_refused(bench: Page):
    held: list[Route] = []
    bench.route(f"**{PATH}", lambda route: held.append(route))
    scan(bench, WRONG)
    bench.wait_for_timeout(50)
    scan(bench, "SECOND")
    bench.keyboard.type("THI")
    assert len(held) == 1
    held[0].continue_()
    expect(bench.get_by_role("alert").first).to_contain_text("Not sent, scan again: SECOND")
    expect(bench.locator("[data-scan] input")).to_have_value("THI")


def test_without_an_answer_the_scan_stays_in_the_field_and_keeps_its_key(bench: Page):
    bench.route(f"**{PATH}", lambda route: route.abort())
    scan(bench, WRONG)
    expect(bench.get_by_role("alert")).to_contain_text("No answer from the server")
    expect(bench.locator("[data-scan] input")).to_have_value(WRONG)


def test_without_script_the_same_form_works(bench: Page, base: str):
    context = bench.context.browser.new_context(java_script_enabled=False)
    page = context.new_page()
    chromium.sign_in(page, base, "labtech", PASSWORD)
    page.goto(base + PATH)
    page.locator("[data-scan] input").fill(WRONG)
    page.locator("[data-scan] button").click()
    expect(page.locator(".errors").first).to_contain_text("not a tube code")
    context.close()
