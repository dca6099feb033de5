"""The pages of loggers and alarms in a real browser: nothing for axe-core to find, a phone wide enough, and a
logger's file from the desk to a settled conflict by keyboard alone.

What is stored is asked of the site's database file, past all of our code. Rules of axe-core: WCAG 2.2 AA, 7:1
(`tests.browser.axe`).
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser import axe, chromium
from tests.browser.keyboard import desk, reach, scan
from tests.people import PASSWORD

ROOT = Path(__file__).resolve().parents[2]
Rows = Callable[[str], list[tuple]]
LOGGER, ALONE = "TL-KEYS", "TL-LOOK"  # of this file alone
FILL = """
import django; django.setup()
from django.contrib.auth import get_user_model
from django.utils import timezone
from biobank.acting import Actor
from biobank.alarms import actions as alarms
from biobank.temperature import actions, filing
from biobank.temperature.watching import NO_LOGGER
from custody.core.event import new_id
from tests.biobank.logged import PLAIN, rows_from, table
curator, lab = (Actor.of(get_user_model().objects.get(username=name)) for name in ("curator", "labtech"))
actions.add_logger(curator, "TL-KEYS", 300)
look = actions.add_logger(curator, "TL-LOOK", 300)
for celsius, count in ((-80, 12), (-70, 3)):
    content = table(rows_from("2026-05-03 09:00", count, value=lambda k: celsius))
    actions.store(lab, actions.draft(lab, look, PLAIN, f"{celsius}.csv", content), new_id())
filing.hold(lab, None, PLAIN, "loose.csv", content, via="folder", wrong=NO_LOGGER)
alarms.put_on_call(curator, lab.person, "labtech@skarvik.example", 1, 30, timezone.now(), None, "Winter list")
"""


@pytest.fixture(scope="module")
def site(base: str, folder: Path) -> str:
    """The site's address, after two loggers, a conflict and a file that waits were put into its database."""
    given = {name: value for name, value in os.environ.items() if name not in {"DATABASE_URL", "HTTPS"}}
    given |= {"DATA_DIR": str(folder), "DEMO": "1", "DJANGO_SETTINGS_MODULE": "tests.settings"}
    subprocess.run([sys.executable, "-c", FILL], cwd=ROOT, env=given, check=True, timeout=120)
    return base


# --- by keyboard alone ----------------------------------------------------------------------------


def csv(minutes: range, celsius: str) -> bytes:
    lines = [f"2026-05-03 09:{minute:02},{celsius}" for minute in minutes]
    return "\n".join(["time,temperature °C", *lines, ""]).encode()


@pytest.fixture
def bench(running: Browser, site: str) -> Iterator[Page]:
    with desk(running, site, "labtech") as page:
        yield page


@pytest.fixture
def biobank(running: Browser, site: str) -> Iterator[Page]:
    with desk(running, site, "curator") as page:
        yield page


def press(page: Page, name: str, role: str = "button") -> None:
    reach(page, page.locator("main").get_by_role(role, name=name))
    page.keyboard.press("Enter")


def choose(page: Page, name: str, content: bytes) -> None:
    """Tab reaches the field; the window in which a file is picked is the system's, no longer the page's."""
    reach(page, page.get_by_label("Logger", exact=True))
    page.keyboard.type(LOGGER)
    field = page.get_by_label("File", exact=True)
    reach(page, field)
    field.set_input_files({"name": name, "mimeType": "text/csv", "buffer": content})
    press(page, "Look at the file")


def take_in(page: Page, site: str, name: str, content: bytes) -> None:
    """To the page that says what would be stored; its zone is asked each time."""
    page.goto(f"{site}/loggers/import/")
    choose(page, name, content)
    expect(page.locator("h1")).to_have_text(f"Readings for logger {LOGGER}")
    zone = page.locator("[name=zone]")
    reach(page, zone)
    page.keyboard.press("Control+a")
    scan(page, "+02:00")


def stored(rows: Rows) -> list[tuple]:
    return rows(
        "SELECT i.file_name, i.stored, i.already, i.conflicts, i.first_ms FROM biobank_loggerimport i "
        f"JOIN biobank_logger l ON l.id = i.logger_id WHERE l.code = '{LOGGER}' ORDER BY i.id"
    )


def settled(rows: Rows) -> list[tuple]:
    return rows(
        "SELECT c.at_ms, c.stored_centi, c.said_centi, c.choice, c.reason FROM biobank_readingconflict c "
        f"JOIN biobank_logger l ON l.id = c.logger_id WHERE l.code = '{LOGGER}' ORDER BY c.at_ms"
    )


SEVEN = 1_777_791_600_000  # 2026-05-03T07:00:00Z, which is 09:00 at +02:00 (GNU date -d … +%s)
FIVE = 5 * 60_000


def test_a_file_is_taken_in_and_a_conflict_settled_without_the_mouse(
    bench: Page, biobank: Page, site: str, rows: Rows
):
    take_in(bench, site, "may.csv", csv(range(0, 60, 5), "-80.0"))
    assert stored(rows) == []  # nothing before it was looked at
    press(bench, "Store 12 new readings")
    expect(bench.locator("h1")).to_have_text(f"Logger {LOGGER}")
    expect(bench.locator("body")).to_contain_text("12 new readings stored; 0 were stored already.")
    assert stored(rows) == [("may.csv", 12, 0, 0, SEVEN)]

    take_in(bench, site, "again.csv", csv(range(10, 25, 5), "-75.5"))
    press(bench, "3 conflicts")
    expect(bench.locator("h1")).to_have_text(f"Logger {LOGGER}")
    assert stored(rows)[1:] == [("again.csv", 0, 0, 3, SEVEN + 2 * FIVE)]
    at = [SEVEN + k * FIVE for k in (2, 3, 4)]
    assert settled(rows) == [(moment, -8000, -7550, "", "") for moment in at]
    settle(biobank, site)
    assert [row[3:] for row in settled(rows)] == [
        ("", ""),
        ("said", "Read on the display"),
        ("said", "Read on the display"),
    ]


def settle(page: Page, site: str) -> None:
    """Two of three: the first one is left open."""
    page.goto(f"{site}/loggers/{LOGGER}/")
    press(page, "See them", "link")
    expect(page.locator("h1")).to_have_text(f"Readings of {LOGGER} in conflict")
    reach(page, page.locator("[name=moments]").first)
    page.keyboard.press("Space")
    reach(page, page.locator("[name=choice]").first)
    page.keyboard.press("ArrowDown")
    expect(page.locator("[name=choice]").nth(1)).to_be_checked()
    reach(page, page.get_by_label("How it is known"))
    scan(page, "Read on the display")
    expect(page.locator("body")).to_contain_text("Settled.")
    expect(page.locator("main tbody tr", has_text="not settled")).to_have_count(1)


# --- what a program can find ----------------------------------------------------------------------

CURATOR = [
    "/temperature/", "/temperature/meaning/", "/temperature/NLB-F1/nominal/",
    "/temperature/NLB-F1/governing/",
    "/loggers/", f"/loggers/{ALONE}/", *(f"/loggers/{ALONE}/{form}/" for form in (
        "edit", "place", "clock", "certificate", "exclusion", "sends")),
    "/loggers/import/", "/readings/profiles/", "/readings/held/", "/readings/conflicts/",
    f"/readings/conflicts/{ALONE}/", "/alarms/", "/alarms/on-call/", "/alarms/units/NLB-F1/",
    "/alarms/units/NLB-F1/test/",
]  # fmt: skip


@pytest.fixture
def phone(running: Browser, site: str) -> Iterator[Page]:
    context = running.new_context(viewport={"width": 360, "height": 740}, reduced_motion="reduce")
    page = context.new_page()
    chromium.sign_in(page, site, "curator", PASSWORD)
    yield page
    context.close()


# a folded table stands in a box of its own, which hides what is wider: the page itself is not too wide then
CUT = """() => [...document.querySelectorAll("main .fold td, main .fold th, main .fold .mark, main dd")]
  .filter(one => one.checkVisibility() && !one.classList.contains("unseen"))
  .filter(one => one.getBoundingClientRect().right >
    (one.closest(".scroll") ?? document.body).getBoundingClientRect().right + 0.5)
  .map(one => one.innerText)"""


def test_axe_finds_nothing_and_nothing_is_cut_off_on_a_phone(phone: Page, site: str):
    found = {}
    for address in CURATOR:
        answer = phone.goto(site + address)
        assert answer is not None and answer.status == 200, address
        said = [*axe.complaints(phone), *chromium.small_targets(phone), *phone.evaluate(CUT)]
        if said or chromium.sideways(phone) > 0:
            found[address] = said
    assert found == {}


def test_a_file_s_own_page_and_one_that_waits_are_clean_too(phone: Page, site: str):
    phone.goto(f"{site}/readings/held/")
    phone.get_by_role("link", name="loose.csv").click()
    assert axe.complaints(phone) == [] and phone.evaluate(CUT) == []
    phone.goto(f"{site}/loggers/import/?logger={ALONE}")
    phone.get_by_label("File", exact=True).set_input_files(
        {"name": "asked.csv", "mimeType": "text/csv", "buffer": csv(range(0, 60, 5), "-60.0")}
    )
    phone.get_by_role("button", name="Look at the file").click()
    expect(phone.locator("main")).to_contain_text("What this file does not say")
    assert axe.complaints(phone) == [] and phone.evaluate(CUT) == []
    phone.locator("[name=zone]").fill("UTC")
    phone.get_by_role("button", name="Read it so").click()
    expect(phone.locator("main")).to_contain_text("conflict")
    assert axe.complaints(phone) == [] and phone.evaluate(CUT) == []
    assert chromium.sideways(phone) <= 0 and chromium.small_targets(phone) == []


def test_a_test_of_an_alarm_fits_a_phone(phone: Page, site: str):
    """This site sends no mail, so the page also has a failure to say."""
    phone.goto(f"{site}/alarms/units/NLB-F1/")
    phone.get_by_role("button", name="Send a test").click()
    expect(phone.locator("h1")).to_have_text("Test of the alarm of NLB-F1")
    for address in (phone.url, f"{site}/alarms/units/NLB-F1/", f"{site}/alarms/", f"{site}/alarms/on-call/"):
        phone.goto(address)
        assert (axe.complaints(phone), phone.evaluate(CUT)) == ([], []), address
        assert chromium.sideways(phone) <= 0 and chromium.small_targets(phone) == [], address
