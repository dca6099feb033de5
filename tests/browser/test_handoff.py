"""A handoff in a real browser: a sender, a receiver with a login, and one who has the paper's link alone.

What happened is asked of the site's database file, past all of our code. What a hand scanner does is common
practice, no source: it types the characters and an Enter.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser import axe, chromium
from tests.people import PASSWORD

ROOT = Path(__file__).resolve().parents[2]
# twelve tubes of two more seals that the field team holds; the set of each, one a line
FILL = """
import django; django.setup()
from biobank.models import *
from tests import people as builders
one = Programme.objects.get()
at = {agency.code: agency for agency in Agency.objects.all()}
people = builders.People(
    one, at["SSS"], at["TFL"], at["NLB"], Site.objects.get(), FieldDay.objects.get(date=builders.DAY),
    Animal.objects.get(code="A-0001"), SamplePlan.objects.get(code="SEAL"),
    {person.role: person for person in Person.objects.filter(user__username=F("role"))})
for n in ("8", "9"):
    seal = builders.make_animal(one, f"A-000{n}", f"99900000000000{n}")
    print(builders.drawn_set(people, animal=seal).code)
""".replace("django.setup()", "django.setup()\nfrom django.db.models import F")
Rows = Callable[[str], list[tuple]]


@pytest.fixture(scope="module")
def sets(base: str, folder: Path) -> list[list[str]]:
    """Codes of two drawn sets of six tubes each."""
    given = {name: value for name, value in os.environ.items() if name not in {"DATABASE_URL", "HTTPS"}}
    given |= {"DATA_DIR": str(folder), "DEMO": "1", "DJANGO_SETTINGS_MODULE": "tests.settings"}
    done = subprocess.run(
        [sys.executable, "-c", FILL],
        cwd=ROOT,
        env=given,
        check=True,
        timeout=180,
        capture_output=True,
        text=True,
    )
    from tests.custody import apart

    address = f"sqlite:///{folder / 'demo.sqlite3'}"
    asked = "SELECT tube FROM custody_tubestate WHERE tube LIKE '{}%' AND status = 'held' ORDER BY tube"
    return [[tube for (tube,) in apart.rows(address, asked.format(one))] for one in done.stdout.split()]


@pytest.fixture
def telephone(running: Browser) -> Iterator[Page]:
    """A window of 390 px in which nobody is signed in."""
    context = running.new_context(viewport={"width": 390, "height": 800}, reduced_motion="reduce")
    page = context.new_page()
    yield page
    context.close()


def signed_in(page: Page, base: str, who: str) -> None:
    page.context.clear_cookies()
    chromium.sign_in(page, base, who, PASSWORD)


def give(page: Page, base: str, tubes: list[str], to: str, seal: str) -> str:
    """Hands them off as the field team; the address of the handoff."""
    signed_in(page, base, "fieldtech")
    page.goto(f"{base}/handoffs/new/")
    field = page.get_by_label("Tubes, boxes, coolers")
    field.focus()
    for tube in tubes:
        page.keyboard.type(tube)
        page.keyboard.press("Enter")
    page.get_by_label("To", exact=True).select_option(to)
    page.get_by_label("Kept on the way").select_option("sealed")
    page.get_by_label("Seal numbers").fill(seal)
    page.get_by_label("Temperature in the container, °C").fill("4.2")
    page.get_by_role("button", name="Hand off", exact=True).click()
    page.wait_for_url(lambda url: "/handoffs/new/" not in url)
    expect(page.locator("h1")).to_contain_text("Handoff from SSS")
    return page.url


def answers(rows: Rows, ref: str) -> list[dict]:
    """Headers of what answers this handoff, oldest first."""
    plain = ref.replace("-", "")
    found = rows(
        f"SELECT body FROM custody_event WHERE lower(hex(ref)) = '{plain}' OR ref = '{plain}' ORDER BY seq"
    )
    return [json.loads(body) for (body,) in found]


def holders(rows: Rows, tubes: list[str]) -> dict[str, str]:
    listed = ", ".join(f"'{one}'" for one in tubes)
    return dict(rows(f"SELECT tube, custodian FROM custody_tubestate WHERE tube IN ({listed})"))


def looked_at(page: Page) -> None:
    """Nothing for axe-core to find, and no wider than the window."""
    assert axe.complaints(page) == [], page.url
    assert chromium.sideways(page) <= 0, page.url


def test_a_receiver_with_a_login_counts_blind_scans_and_opens_a_case(page: Page, base: str, sets, rows: Rows):
    tubes = sets[0]
    address = give(page, base, tubes, "TFL", "S-77")
    looked_at(page)
    signed_in(page, base, "labtech")
    page.goto(address)
    assert tubes[0] not in page.content() and "S-77" in page.content()
    page.get_by_role("link", name="Receive", exact=True).click()
    source = page.content()
    assert not any(tube in source for tube in tubes) and "6 tubes" not in source
    looked_at(page)
    page.get_by_label("Tubes counted by hand").fill("five")
    page.locator("input[name=seal_state]").first.check()
    page.get_by_role("button", name="Next: scan").click()
    expect(page.locator("main")).to_contain_text("A count is a whole number")
    page.get_by_label("Seal number as you read it").fill("S-77")
    page.get_by_label("Tubes counted by hand").fill("5")
    page.get_by_role("button", name="Next: scan").click()
    page.get_by_label("Every tube that is there").focus()
    for tube in tubes[1:]:
        page.keyboard.type(tube)
        page.keyboard.press("Enter")
    looked_at(page)
    page.get_by_role("button", name="Next: compare").click()
    expect(page.locator("main")).to_contain_text("Missing: 1")
    looked_at(page)
    page.locator("input[name=rest][value=missing]").check()
    page.get_by_role("button", name="Next: confirm").click()
    page.get_by_label("Temperature").first.fill("5.1")
    looked_at(page)
    page.get_by_role("button", name="Receive", exact=True).click()
    expect(page.locator("h1")).to_contain_text("Received from SSS")
    looked_at(page)
    [answer] = answers(rows, address.rstrip("/").rpartition("/")[2])
    assert (answer["kind"], answer["org"], answer["data"]["counted"]) == ("received", "TFL", 5)
    assert holders(rows, tubes) == {tubes[0]: "SSS"} | dict.fromkeys(tubes[1:], "TFL")
    assert rows(f"SELECT tube, code FROM biobank_handoffcase WHERE tube = '{tubes[0]}'") == [
        (tubes[0], "missing")
    ]
    page.goto(address)
    expect(page.locator("main")).to_contain_text("disputed")
    looked_at(page)


def test_a_receiver_with_the_link_alone_answers_once(
    page: Page, telephone: Page, base: str, sets, rows: Rows
):
    tubes = sets[1]
    address = give(page, base, tubes, "NLB", "S-78")
    page.get_by_role("link", name="One-time link").click()
    looked_at(page)
    page.get_by_role("button", name="Make a link").click()
    link, code = page.locator("#address").inner_text(), page.locator("#code").inner_text()
    looked_at(page)

    telephone.goto(link)
    assert not any(tube in telephone.content() for tube in tubes)
    telephone.get_by_label("Code of six digits").fill("000000" if code.strip() != "000000" else "000001")
    telephone.get_by_role("button", name="Next: seal and count").click()
    assert telephone.get_by_label("How many tubes did you count?").count() == 0, "a wrong code opens nothing"
    telephone.wait_for_timeout(5_200)  # the pause after a wrong code
    telephone.goto(link)
    telephone.get_by_label("Code of six digits").fill(code)
    telephone.get_by_role("button", name="Next: seal and count").click()
    looked_at(telephone)
    assert not any(tube in telephone.content() for tube in tubes)
    telephone.locator("input[name=seal_intact][value=yes]").check()
    telephone.get_by_label("Number of the seal, as you read it").fill("S-78")
    telephone.get_by_label("How many tubes did you count?").fill("6")
    telephone.get_by_role("button", name="Next: the codes").click()
    telephone.get_by_label("Codes of the tubes").fill("\n".join(tubes))
    looked_at(telephone)
    telephone.get_by_role("button", name="Next: compare").click()
    looked_at(telephone)
    said = telephone.content()
    assert "Phoca" not in said and "A-0009" not in said and "Skarvik Bay" not in said
    telephone.get_by_label("Your name").fill("Ines Aalto")
    telephone.locator("main form button.primary").last.click()
    telephone.wait_for_url("**/answer/receipt/")
    looked_at(telephone)

    [answer] = answers(rows, address.rstrip("/").rpartition("/")[2])
    assert (answer["kind"], answer["org"], answer["data"]["grade"]) == ("received", "NLB", "B")
    assert answer["data"]["name"] == "Ines Aalto"
    assert set(holders(rows, tubes).values()) == {"NLB"}
    telephone.context.clear_cookies()
    again = telephone.goto(link)
    assert again is not None and again.status == 404
    page.goto(address)
    expect(page.locator("main")).to_contain_text("Grade B")
    expect(page.locator("main")).to_contain_text("accepted")
