"""A whole workup at phone width, with a hand scanner that types: what the ledger holds in the end.

The set is that of the seal plan that ships: 110 labels, 58 of them for tubes to fill beside the animal and 52
for aliquots, which belong to the bench. Common practice, no source: a hand scanner types its characters and
an Enter within some 50 ms, and buttons for wet gloves are 15 mm (57 px).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable

import pytest
from playwright.sync_api import BrowserContext, Page, Route, expect

from biobank.core import codes
from tests.browser import axe, chromium
from tests.browser.conftest import POLICY
from tests.people import PASSWORD

PATH = "/workups/BEACH-1/"
CHIP = "999000000000001"
LEFT_OUT = 5  # tubes that nobody fills
Rows = Callable[[str], list[tuple]]


@pytest.fixture
def phone(running, base: str):
    """A phone with a scanner, signed in as the field tech; a script error fails the test."""
    context: BrowserContext = running.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True, reduced_motion="reduce"
    )
    page, troubles = context.new_page(), []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("console", lambda said: troubles.append(said.text) if POLICY in said.text else None)
    chromium.sign_in(page, base, "fieldtech", PASSWORD)
    page.goto(base + PATH)
    yield page
    context.close()
    assert troubles == []


def scan(page: Page, code: str) -> None:
    page.keyboard.type(code)
    page.keyboard.press("Enter")


def dock(page: Page):
    return page.locator(".dock")


def the_set(rows: Rows) -> tuple[str, list[str]]:
    """The printed bag and its tubes to fill, in order of draw."""
    code = rows("SELECT code FROM biobank_tubeset WHERE workup_id IS NULL AND state != 'void'")[0][0]
    found = rows(
        "SELECT t.code FROM biobank_tube t JOIN biobank_plannedtube p ON p.id = t.planned_id "
        f"WHERE t.code LIKE '{code}%' AND t.parent_hint = '' ORDER BY p.order_of_draw"
    )
    return code, [tube for (tube,) in found]


def states(rows: Rows, code: str) -> dict[str, tuple[str, int | None]]:
    said = rows(f"SELECT tube, status, volume_ul FROM custody_tubestate WHERE tube LIKE '{code}%'")
    return {tube: (status, ul) for tube, status, ul in said}


def test_a_whole_workup_of_110_tubes_by_scanning(phone: Page, rows: Rows):
    bag, tubes = the_set(rows)
    assert (len(tubes), len(states(rows, bag))) == (58, 110)
    for name in ["Net closed", "Out of water"]:
        phone.get_by_role("button", name=f"{name} now").tap()
        expect(dock(phone)).to_contain_text(f"{name}: now.")

    scan(phone, codes.show(codes.set_label(bag)))
    expect(dock(phone)).to_contain_text("Scan its tubes.")
    scan(phone, CHIP)
    expect(dock(phone)).to_contain_text("A-0001")

    filled = tubes[:-LEFT_OUT]
    for tube in filled:  # as fast as they can be typed: those that come too early wait their turn
        scan(phone, codes.show(tube))
    expect(phone.get_by_text(f"{len(filled)} filled, {LEFT_OUT} still empty")).to_be_visible(timeout=60_000)
    expect(phone.locator("[data-result=refused]")).to_have_count(0)

    red = next(tube for tube in filled if codes.number_of(tube) == 4)  # Serum 10 no 1
    scan(phone, red)
    expect(dock(phone)).to_contain_text("already")
    phone.get_by_role("button", name="Half, 5 mL").tap()
    expect(dock(phone)).to_contain_text("holds 5 mL")
    expect(phone.locator("#short-of-blood")).to_contain_text(
        "1 of 4 serum for serology; 3 of 3 serum for archive"
    )

    phone.get_by_label("Why they stay empty").select_option("animal released early")
    phone.get_by_role("button", name=f"All {LEFT_OUT} that are left").tap()
    expect(dock(phone)).to_contain_text(f"Not collected: {LEFT_OUT} tubes")
    phone.get_by_role("button", name="Released now").tap()
    expect(dock(phone)).to_contain_text("Released: now.")
    expect(phone.get_by_text("Every tube is accounted for.")).to_be_visible()

    held = states(rows, bag)
    words = Counter(held[tube][0] for tube in tubes)
    assert words == {"held": len(filled), "not_collected": LEFT_OUT}
    assert Counter(status for status, _ in held.values()) == words + Counter({"labelled": 52})
    assert held[red] == ("held", 5000) and held[tubes[1]] == ("held", 2700)
    kinds = dict(
        rows(
            "SELECT e.kind, count(DISTINCT e.seq) FROM custody_event e JOIN custody_line l USING (event_id) "
            f"WHERE l.subject LIKE '{bag}%' GROUP BY e.kind"
        )
    )
    assert kinds == {"label_printed": 1, "bound": 1, "drawn": len(filled), "not_collected": 1}
    animal, *times = rows(
        "SELECT a.code, w.net_closed, w.out_of_water, w.first_needle, w.last_tube, w.released "
        "FROM biobank_workup w JOIN biobank_animal a ON a.id = w.animal_id WHERE w.code = 'BEACH-1'"
    )[0]
    assert animal == "A-0001" and all(times) and times == sorted(times)


def test_a_button_that_was_tapped_last_does_not_swallow_the_next_scan(phone: Page):
    phone.get_by_role("link", name="Other times").focus()
    phone.keyboard.type("K7R2M")
    expect(phone.locator("[data-scan] input")).to_have_value("K7R2M")
    expect(phone.locator("[data-scan] input")).to_be_focused()


def test_what_is_scanned_while_a_tap_is_under_way_waits_its_turn(phone: Page, base: str):
    phone.goto(base + "/workups/BEACH-2/")
    held: list[Route] = []
    phone.route("**/workups/BEACH-2/", lambda route: route.continue_() if held else held.append(route))
    phone.get_by_role("button", name="Out of water now").tap()
    phone.wait_for_timeout(50)
    scan(phone, "K7R2M103")
    assert len(held) == 1
    held[0].continue_()
    expect(dock(phone)).to_contain_text("not a tube code")
    expect(phone.locator(".hands")).to_contain_text("Out of water")


def test_what_a_glove_presses_is_15_mm_and_nothing_is_wider_than_the_phone(phone: Page):
    assert chromium.small_targets(phone, 57) == []
    assert chromium.sideways(phone) <= 0
    assert axe.complaints(phone) == []


def test_the_clock_goes_on_by_the_servers_time_and_not_by_the_phones(phone: Page, base: str):
    """The phone's clock is years behind; two minutes pass on it."""
    phone.goto(base + "/workups/BEACH-2/")
    start = phone.locator("[data-since]").first
    shown = int(start.get_attribute("data-now")) - int(start.get_attribute("data-since"))
    phone.clock.install(time=1_700_000_000)
    phone.reload()
    phone.clock.fast_forward(125_000)
    minutes = phone.locator("[data-minutes]").first
    expect(minutes).to_have_text(re.compile(rf"^({shown // 60_000 + 2}|{shown // 60_000 + 3})$"))


def test_the_page_works_without_script(running, base: str, rows: Rows):
    context = running.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    page = context.new_page()
    chromium.sign_in(page, base, "fieldtech", PASSWORD)
    page.goto(base + PATH)
    field = page.locator("[data-scan] input:not([type=hidden])")
    field.fill("K7R2M103")
    field.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("not a tube code")
    context.close()
