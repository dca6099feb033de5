"""A unit's temperature looked into: by button, by drag, by keyboard, on a phone, and without script.

The site of these tests has no logger, so readings are put into its database file by a program of their own
(`tests.browser.serve` fills the rest).
A script error or a breach of the content security policy fails each test (fixture `page`).
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser import axe, chromium
from tests.people import PASSWORD

ROOT = Path(__file__).resolve().parents[2]
UNIT = "/temperature/NLB-F1/"
FILL = """
import django; django.setup()
from biobank.models import Agency, Logger, LoggerPlacement, Unit
from tests.biobank.measured import DAY, HOUR, every_5_min, utc
if not Logger.objects.filter(code="TL-PIC").exists():
    start = utc("2025-04-01T00:00")
    unit = Unit.objects.get(code="NLB-F1")
    made = Logger.objects.create(code="TL-PIC", agency=unit.agency, interval_s=300)
    placed = {"from_ms": start, "to_ms": start + 400 * DAY, "medium": "air"}
    LoggerPlacement.objects.create(logger=made, unit=unit, **placed)
    warm = start + 398 * DAY
    every_5_min(made, start, start + 400 * DAY, lambda at: -5000 if warm <= at < warm + 3 * HOUR else -8000)
"""


@pytest.fixture(scope="module")
def measured(base: str, folder: Path) -> str:
    """The site's address, after 400 days of readings of Freezer 1 were added to its database."""
    given = {name: value for name, value in os.environ.items() if name not in {"DATABASE_URL", "HTTPS"}}
    given |= {"DATA_DIR": str(folder), "DEMO": "1", "DJANGO_SETTINGS_MODULE": "tests.settings"}
    subprocess.run([sys.executable, "-c", FILL], cwd=ROOT, env=given, check=True, timeout=120)
    return base


@pytest.fixture
def unit(page: Page, measured: str) -> Page:
    """Freezer 1's page, its chart drawn."""
    chromium.sign_in(page, measured, "labtech", PASSWORD)
    page.goto(measured + UNIT)
    drawn(page)
    return page


def drawn(page: Page) -> None:
    expect(page.locator(".chart[data-drawn=yes]")).to_be_visible()
    expect(page.locator("[data-live] canvas")).to_be_visible()


def heading(page: Page) -> str:
    return page.locator("[data-heading]").inner_text()


PIXELS = """([least, most]) => {
  const canvas = document.querySelector('[data-live] canvas');
  const {data} = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
  const inside = (k) => [0, 1, 2].every((n) => data[k + n] >= least[n] && data[k + n] <= most[n]);
  let found = 0;
  for (let k = 0; k < data.length; k += 4) found += data[k + 3] > 200 && inside(k);
  return found;
}"""


def dark(page: Page) -> int:
    """How many dark pixels the chart has."""
    return int(page.evaluate(PIXELS, [[0, 0, 0], [60, 60, 60]]))


def orange(page: Page) -> int:
    return int(page.evaluate(PIXELS, [[240, 90, 0], [255, 160, 60]]))


def test_the_chart_takes_the_place_of_the_still_picture_and_shows_the_excursion(unit: Page):
    expect(unit.locator("[data-still]")).to_be_hidden()
    assert dark(unit) > 500 and orange(unit) > 50
    assert axe.complaints(unit) == []


def test_a_button_changes_stretch_address_and_words_without_leaving_the_page(unit: Page):
    unit.evaluate("window.same = 'yes'")
    before = heading(unit)
    unit.get_by_role("link", name="Year").click()
    expect(unit.locator("[data-heading]")).not_to_have_text(before)
    drawn(unit)
    assert "from=" in unit.url and unit.evaluate("window.same") == "yes"
    expect(unit.locator(".key")).to_contain_text("from the lowest to the highest of each day")
    expect(unit.locator("[data-zoom=year]")).to_be_focused()
    assert dark(unit) > 500
    unit.go_back()
    expect(unit.locator("[data-heading]")).to_have_text(before)
    drawn(unit)


def test_every_length_can_be_shown(unit: Page):
    for name in ("Day", "Week", "Month", "Year", "All"):
        unit.get_by_role("link", name=name, exact=True).click()
        expect(unit.locator(f"[data-zoom={name.lower()}][aria-current]")).to_be_visible()
        drawn(unit)


def test_dragging_over_the_picture_looks_closer_and_the_address_can_be_sent(unit: Page, measured: str):
    before = heading(unit)
    box = unit.locator("[data-live] .u-over").bounding_box()
    y = box["y"] + box["height"] / 2
    unit.mouse.move(box["x"] + box["width"] * 0.4, y)
    unit.mouse.down()
    unit.mouse.move(box["x"] + box["width"] * 0.6, y, steps=8)
    unit.mouse.up()
    expect(unit.locator("[data-heading]")).not_to_have_text(before)
    drawn(unit)
    sent, shown = unit.url, heading(unit)
    found = re.search(r"from=([^&]+)&to=([^&]+)", sent)
    assert found, sent
    unit.goto("about:blank")
    unit.goto(sent)
    drawn(unit)
    assert heading(unit) == shown


def test_the_keyboard_is_enough(unit: Page):
    before = heading(unit)
    unit.locator("[data-zoom=earlier]").focus()
    unit.keyboard.press("Enter")
    expect(unit.locator("[data-heading]")).not_to_have_text(before)
    expect(unit.locator("[data-zoom=earlier]")).to_be_focused()
    unit.locator("[data-zoom=later]").focus()
    unit.keyboard.press("Enter")
    expect(unit.locator("[data-heading]")).to_have_text(before)
    # there is nothing later, so that button is none: the heading takes the focus, not the page's top
    expect(unit.locator("[data-heading]")).to_be_focused()


def test_the_pointer_reads_a_moment(unit: Page):
    box = unit.locator("[data-live] .u-over").bounding_box()
    unit.mouse.move(box["x"] + box["width"] / 2, box["y"] + 40)
    expect(unit.locator("[data-readout]")).to_contain_text(re.compile(r"\d{4}, \d\d:\d\d: −(80|50)\.\d+ °C"))


def test_over_years_the_pointer_reads_the_low_and_high_of_a_day(unit: Page):
    unit.get_by_role("link", name="All", exact=True).click()
    expect(unit.locator(".key")).to_contain_text("of each day")
    drawn(unit)
    box = unit.locator("[data-live] .u-over").bounding_box()
    unit.mouse.move(box["x"] + box["width"] / 2, box["y"] + 40)
    expect(unit.locator("[data-readout]")).to_contain_text(re.compile(r"\(UTC\): −80\.0 °C to −80\.0 °C"))


def test_when_the_numbers_do_not_come_the_still_picture_stays(page: Page, measured: str):
    chromium.sign_in(page, measured, "labtech", PASSWORD)
    page.route("**/readings.json*", lambda route: route.abort())
    page.goto(measured + UNIT)
    expect(page.locator(".chart[data-drawn=no]")).to_be_visible()
    expect(page.locator("[data-still] svg.trace")).to_be_visible()
    expect(page.locator("[data-live]")).to_be_hidden()


def test_the_list_and_a_tube_s_picture_can_be_read_by_everybody(page: Page, measured: str, rows):
    chromium.sign_in(page, measured, "labtech", PASSWORD)
    ((tube,),) = rows("SELECT tube FROM custody_tubestate WHERE drawn_ms IS NOT NULL ORDER BY tube LIMIT 1")
    for address in ("/temperature/", f"/tubes/{tube}/temperature/"):
        page.goto(measured + address)
        assert axe.complaints(page) == []


@pytest.fixture
def phone(running: Browser) -> Iterator[Page]:
    context = running.new_context(
        viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True, reduced_motion="reduce"
    )
    yield context.new_page()
    context.close()


def test_on_a_phone_the_buttons_are_enough(phone: Page, measured: str):
    chromium.sign_in(phone, measured, "labtech", PASSWORD)
    for address in (UNIT, "/temperature/"):
        phone.goto(measured + address)
        if address == UNIT:
            drawn(phone)
            before = heading(phone)
            phone.locator("[data-zoom=month]").tap()
            expect(phone.locator("[data-heading]")).not_to_have_text(before)
            drawn(phone)
        assert chromium.sideways(phone) <= 0
        assert chromium.small_targets(phone) == []


@pytest.fixture
def plain(running: Browser) -> Iterator[Page]:
    context = running.new_context(viewport={"width": 1400, "height": 900}, java_script_enabled=False)
    yield context.new_page()
    context.close()


def test_without_script_the_same_links_lead_to_a_still_picture(plain: Page, measured: str):
    plain.goto(f"{measured}/sign-in/")
    plain.get_by_label("User name").fill("labtech")
    plain.get_by_label("Password").fill(PASSWORD)
    plain.get_by_role("button", name="Sign in").click()
    plain.goto(measured + UNIT)
    expect(plain.locator("svg.trace")).to_be_visible()
    expect(plain.locator("[data-live]")).to_be_hidden()
    before = heading(plain)
    plain.get_by_role("link", name="Month").click()
    expect(plain.locator("svg.trace")).to_be_visible()
    assert heading(plain) != before
    plain.get_by_label("From", exact=True).fill("2026-05-04T00:00")
    plain.get_by_label("To", exact=True).fill("2026-05-04T12:00")
    plain.get_by_role("button", name="Show").click()
    assert heading(plain) == "4 May 2026 00:00 to 4 May 2026 12:00"
