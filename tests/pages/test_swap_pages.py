"""The pages of a swap of freezers, by plain forms."""

from __future__ import annotations

import html

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.models import Swap
from biobank.store import swap
from biobank.store.swaps import A_PAGE
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.boxes import more_boxes, stored, tubes
from tests.biobank.test_places import added
from tests.pages.test_store_pages import SEEING, WORKING, key_on, send

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(store, sign_in):
    added(store.actor("curator"), "NLB-F3", "freezer", nominal=-8000)
    return sign_in("labtech")


def opened(store, boxes: int = 2) -> Swap:
    more_boxes(store, boxes)
    return swap.begin(store.actor("curator"), new_id(), ["NLB-F1"], ["NLB-F3"], "old and loud")


def text(page) -> str:
    return html.unescape(page.content.decode())


def at(made: Swap, name: str = "swap") -> str:
    return reverse(name, args=[made.pk])


def test_who_sees_it_and_who_may_scan(store, lab, sign_in, client):
    made = opened(store)
    for role in ("fieldtech", "labtech", "curator", "collaborator", "auditor"):
        browser = sign_in(role)
        for address in (reverse("swaps"), at(made)):
            assert browser.get(address).status_code == (200 if role in SEEING else 403), role
            sent = browser.post(address, {"key": new_id()})
            assert sent.status_code == (422 if role in WORKING else 403), role
        assert browser.get(at(made, "swap_close")).status_code == (200 if role in WORKING else 403), role
    assert client.get(at(made)).status_code == 302
    assert lab.get(reverse("swap", args=[made.pk + 1])).status_code == 404


def test_a_swap_from_beginning_to_end(store, lab):
    more_boxes(store, 1)
    answer = send(lab, reverse("swaps"), out_of="nlb-f1", into=" NLB-F3, ", why="old and loud")
    made = Swap.objects.get()
    assert (answer.status_code, answer.url) == (302, at(made))
    page = text(lab.get(at(made)))
    assert "Scan a rack or shelf of the new unit" in page and "of 2 boxes arrived" in page
    assert page.index("NLB-B001") < page.index("NLB-B002") and "NLB-R1 in NLB-S1 in NLB-F1" in page

    answer = send(lab, at(made), scan="NLB-F3")
    assert answer.url == at(made) + "?to=NLB-F3"
    page = lab.get(answer.url)
    assert "takes the next boxes" in text(page) and 'name="to" value="NLB-F3"' in text(page)
    for box in ("NLB-B001", "NLB-B002"):
        sent = {"key": key_on(lab.get(answer.url)), "scan": box, "to": "NLB-F3"}
        assert lab.post(at(made), sent).url == lab.post(at(made), sent).url == at(made) + "?to=NLB-F3"
    assert ledger.units()["NLB-B002"] == "NLB-F3"
    assert "All 2 boxes have arrived" in text(lab.get(at(made, "swap_close")))
    assert send(lab, at(made, "swap_close")).url == at(made)
    page = text(lab.get(at(made)))
    assert "Every box arrived" in page and 'name="scan"' not in page


def test_what_is_refused_stands_at_the_field_and_keeps_what_waits(store, lab):
    made = opened(store)
    answer = send(lab, at(made), scan="NLB-X9", unit="NLB-B001")
    assert answer.status_code == 422
    assert "unit_unknown" in text(answer) and "waits: scan where it goes" in text(answer)
    assert 'name="unit" value="NLB-B001"' in text(answer)
    answer = send(lab, at(made, "swap_close"))
    assert answer.status_code == 422 and "swap_not_done" in text(answer)
    answer = send(lab, reverse("swaps"), out_of="NLB-F1", into="NLB-F1", why="x")
    assert answer.status_code == 422 and "swap_inside" in text(answer)


def test_it_goes_on_at_another_device_and_says_what_is_left(store, lab, sign_in):
    made = opened(store)
    send(lab, at(made), scan="NLB-B002", to="NLB-F3")
    page = text(sign_in("curator").get(at(made)))
    assert "<strong>1</strong>of 3 boxes arrived" in page and "<strong>2</strong>still to go" in page
    page = text(sign_in("curator").get(at(made), {"show": "arrived"}))
    assert "Arrived (1), shown" in page and "NLB-B002" in page and "NLB-B003" not in page
    send(lab, at(made, "swap_close"), why="the rest is thrown away")
    page = text(lab.get(at(made)))
    assert "left in NLB-R1 in NLB-S1 in NLB-F1" in page and "the rest is thrown away" in page
    assert "Closed" in text(lab.get(reverse("swaps")))


def test_thousands_of_boxes_come_page_by_page_and_the_page_keeps_its_list(store, lab):
    made = opened(store, A_PAGE)
    page = text(lab.get(at(made)))
    assert page.count('data-name="How far"') == A_PAGE and "Page 1 of 2" in page
    page = text(lab.get(at(made) + "?show=to_go&page=2"))
    assert page.count('data-name="How far"') == 1 and "NLB-B051" in page


def test_the_pages_ask_as_often_for_30_boxes_as_for_3(store, lab, django_assert_num_queries):
    made = opened(store)
    stored(store, tubes(2))
    lab.get(at(made))
    counted = {}
    for name in ("swap", "swap_close"):
        with CaptureQueriesContext(connection) as asked:
            lab.get(at(made, name))
        counted[name] = len(asked)
    for n in range(4, 31):
        added(store.actor("curator"), f"NLB-B{n:03}", "box", "NLB-R1", rows=9, cols=9)
    for name, many in counted.items():
        with django_assert_num_queries(many):
            page = lab.get(at(made, name))
        assert page.content.count(b'data-name="How far"') == 30
