"""The verdict pages in a real browser: from a scan to the event behind a finding by keyboard alone, nothing
for axe-core to find (WCAG 2.2 AA, 7:1), and no wider than a phone.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.browser import axe, chromium
from tests.browser.keyboard import desk, reach, scan
from tests.people import PASSWORD

ROOT = Path(__file__).resolve().parents[2]
FILL = """
import django; django.setup()
from django.utils import timezone
from biobank.acting import ms
from biobank.checks import judging
from tests.biobank.fits import rule_set
rule_set()
judging.everything(ms(timezone.now()))
"""
GEL = """SELECT tube FROM biobank_judgement j JOIN biobank_assay a ON a.id = j.assay_id
WHERE a.code = 'POTAS' LIMIT 1"""


@pytest.fixture(scope="module")
def site(base: str, folder: Path) -> str:
    """The site's address, after a small rule set was put in force and its tubes were judged."""
    given = {name: value for name, value in os.environ.items() if name not in {"DATABASE_URL", "HTTPS"}}
    given |= {"DATA_DIR": str(folder), "DEMO": "1", "DJANGO_SETTINGS_MODULE": "tests.settings"}
    subprocess.run([sys.executable, "-c", FILL], cwd=ROOT, env=given, check=True, timeout=120)
    return base


def test_from_a_scan_to_the_event_behind_a_finding_by_keyboard(site, running: Browser, rows: Callable):
    ((tube,),) = rows(GEL)
    with desk(running, site, "labtech") as page:
        page.goto(f"{site}/fit/")
        reach(page, page.get_by_label("Scan a tube code"))
        scan(page, tube)
        expect(page.locator("h1")).to_contain_text("is fit for")
        assert not page.locator("#finding-spun-2h-SERA").is_visible()  # folded
        reach(page, page.get_by_text("Rules for the whole family"))
        page.keyboard.press("Enter")
        expect(page.locator("#finding-spun-2h-SERA")).to_be_visible()
        reach(page, page.locator("#finding-spun-2h-SERA").get_by_role("link", name="Drawn"))
        page.keyboard.press("Enter")
        page.wait_for_url("**/events/**")


@pytest.mark.parametrize("width", [360, 1400])
@pytest.mark.parametrize("who", ["labtech", "collaborator"])
def test_nothing_for_axe_and_no_wider_than_the_window(site, running: Browser, rows: Callable, who, width):
    ((tube,),) = rows(GEL)
    page = running.new_page(viewport={"width": width, "height": 800}, reduced_motion="reduce")
    chromium.sign_in(page, site, who, PASSWORD)
    for path in ("/fit/", f"/fit/{tube}/", "/fit/for/POTAS/", "/fit/for/POTAS/?measured=x", "/fit/for/SERA/"):
        answer = page.goto(site + path)
        assert answer is not None and answer.status == (422 if "=x" in path else 200), path
        page.evaluate("for (const one of document.querySelectorAll('main details')) one.open = true")
        assert axe.complaints(page) == [], path
        assert chromium.sideways(page) <= 0, path
    page.close()
