"""What came back into the cold too late leads to the question about a thaw, wherever it was put away.

The limit, five minutes for what is kept at −60 to −85 °C, is common practice, no source
(`biobank.core.out.LIMITS`).
"""

from __future__ import annotations

import html
import re
from datetime import timedelta

import pytest
import time_machine
from django.urls import reverse

from biobank.core import codes
from biobank.store import actions
from biobank.store import carry as carrying
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.boxes import AT, more_boxes, stored
from tests.biobank.boxes import tubes as make

pytestmark = pytest.mark.django_db
BOX = "NLB-B001"
NOON = AT + timedelta(hours=2)
LATE, SOON = 5.1, 4.9


@pytest.fixture
def curator(store, sign_in):
    return sign_in("curator")


@pytest.fixture
def five(store):
    return stored(store, make(5))


def send(client, address, **said):
    key = re.search(r'name="key" value="([0-9a-f-]{36})"', client.get(address).content.decode())[1]
    return key, client.post(address, {"key": key} | said)


def pulled(store, some):
    actions.pull(store.actor("curator"), new_id(), some, "for an assay", at=NOON)
    return "\n".join(some)


def after(minutes):
    return time_machine.travel(NOON + timedelta(minutes=minutes), tick=False)


def asked(key):
    return reverse("out_thaw", args=[key])


def test_tubes_put_away_too_late_lead_to_the_question(store, curator, five):
    tubes = pulled(store, five[:2])
    with after(LATE):
        key, answer = send(curator, reverse("put_away"), tubes=tubes, unit=BOX)
        assert answer.url == asked(key)
        page = curator.get(answer.url).content.decode()
        assert codes.show(five[0]) in page and codes.show(five[2]) not in page
        curator.post(answer.url, {"key": new_id(), "counted": "yes"})
    assert [ledger.state(code).thaws for code in five[:3]] == [1, 1, 0]


def test_tubes_put_away_in_time_lead_to_their_box(store, curator, five):
    tubes = pulled(store, five[:2])
    with after(SOON):
        _, answer = send(curator, reverse("put_away"), tubes=tubes, unit=BOX)
    assert answer.url.startswith(reverse("unit", args=[BOX]))


def test_tubes_moved_back_from_a_bench_lead_to_the_question(store, curator, five):
    actions.add_unit(store.actor("curator"), new_id(), code="NLB-BENCH", kind="bench", name="Bench",
                     reason="new", at=AT)  # fmt: skip
    actions.move(store.actor("curator"), new_id(), five[:1], "NLB-BENCH", at=NOON, why="to look at")
    with after(LATE):
        key, answer = send(curator, reverse("move"), tubes=five[0], unit=BOX)
    assert answer.url == asked(key)


@pytest.mark.parametrize("minutes, late", [(LATE, True), (SOON, False)])
@pytest.mark.parametrize("page", ["carry", "unit_move"])
def test_a_box_that_is_carried_back_leads_to_the_question(store, curator, five, page, minutes, late):
    actions.add_unit(store.actor("curator"), new_id(), code="NLB-BENCH", kind="bench", name="Bench",
                     reason="new", at=AT)  # fmt: skip
    carrying.carry(store.actor("curator"), new_id(), BOX, "NLB-BENCH", "to pick", at=NOON)
    with after(minutes):
        if page == "carry":
            key, answer = send(curator, reverse("carry"), unit=BOX, to="NLB-R1")
        else:
            key, answer = send(curator, reverse("unit_move", args=[BOX]), to="NLB-R1", reason="picked")
    assert (answer.url == asked(key)) is late


def test_a_rack_that_is_read_too_late_leads_to_the_question(store, curator, five):
    more_boxes(store, 1)
    pulled(store, five[:1])
    with after(LATE):
        page = curator.get(reverse("rack")).content.decode()
        assert "<form" in page
        key = new_id()
        said = {"key": key, "unit": BOX, "rack": f"position,code\nA1,{five[0]}\n"}
        answer = curator.post(reverse("rack_put"), said)
    assert answer.status_code == 302 and answer.url == asked(key)


# the page of scans --------------------------------------------------------------------------------


def scanned(client, text):
    address = f"{reverse('scan')}?mode=put-away"
    page = client.get(address).content.decode()
    key = re.search(r'name="key" value="([0-9a-f-]{36})"', page)[1]
    page = client.post(address, {"key": key, "scan": text}, follow=True).content.decode()
    return key, html.unescape(re.search(r'class="reply".*?</div>', page, re.S)[0])


@pytest.mark.parametrize("minutes, late", [(LATE, True), (SOON, False)])
def test_a_scan_that_puts_away_too_late_bewares_with_a_way_to_the_question(
    store, curator, five, minutes, late
):
    pulled(store, five[:1])
    with after(minutes):
        scanned(curator, BOX)
        key, reply = scanned(curator, five[0])
        assert ledger.state(five[0]).unit == BOX
        assert ('data-result="beware"' in reply) is late
        assert (f'href="{asked(key)}"' in reply) is late
        assert ("out for 6 min, 5 min allowed" in reply) is late


def test_what_was_taken_back_asks_no_more(store, curator, five):
    pulled(store, five[:1])
    with after(LATE):
        scanned(curator, BOX)
        key, _ = scanned(curator, five[0])
        page = curator.get(f"{reverse('scan')}?mode=put-away").content.decode()
        assert asked(key) in page
        number = re.search(r'name="undo" value="(\d+)"', page)[1]
        page = curator.post(
            f"{reverse('scan')}?mode=put-away", {"key": new_id(), "undo": number}, follow=True
        )
        assert asked(key) not in page.content.decode()
