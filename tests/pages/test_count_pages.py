"""The pages of counts, used as plain forms without script."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.core import codes
from biobank.counts import actions, queries
from biobank.models import Count, CountDraw
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.boxes import more_boxes, stored, tubes

pytestmark = pytest.mark.django_db
BOX = "NLB-B001"
COUNTING = {"labtech", "curator"}
SEEING = COUNTING | {"fieldtech", "auditor"}
PAGES = [
    ("counts", SEEING), ("counts_accuracy", SEEING), ("count", SEEING), ("done", SEEING),
    ("count_draw", SEEING), ("counts_choose", COUNTING), ("count_begin", COUNTING), ("count_close", COUNTING),
]  # fmt: skip


@pytest.fixture
def nine(store):
    return stored(store, tubes(9))


@pytest.fixture
def curator(store):
    return store.actor("curator")


@pytest.fixture
def desk(store, sign_in):
    return sign_in("curator")


@pytest.fixture
def count(curator, nine):
    return actions.by_hand(curator, BOX)


@pytest.fixture
def finished(curator, nine, count):
    """A count in which the last tube was not found."""
    for tube in nine[:8]:
        actions.read(curator, count, tube)
    return actions.finish(curator, new_id(), count)


def keys_on(page):
    return re.findall(r'name="key" value="([0-9a-f-]{36})"', page.content.decode())


def scan(client, one, text):
    """Opens the page, takes the key of the scan form, and sends one scan."""
    address = reverse("count", args=[one.pk])
    return client.post(address, {"do": "scan", "key": keys_on(client.get(address))[0], "scan": text})


def text_of(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode()))


# who may ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", sorted(SEEING | {"collaborator"}))
@pytest.mark.parametrize(("name", "may"), PAGES)
def test_who_sees_what(store, curator, sign_in, finished, name, may, role):
    draw = actions.draw(curator, new_id(), 1)
    addresses = {
        "count": reverse("count", args=[Count.objects.get(finished=None).pk]),
        "done": reverse("count", args=[finished.pk]),
        "count_draw": reverse("count_draw", args=[draw.pk]),
        "count_close": reverse("count_close", args=[finished.pk, queries.differences(finished)[0].event]),
    }
    address = addresses.get(name) or reverse(name)
    assert sign_in(role).get(address).status_code == (200 if role in may else 403)


def test_those_who_only_see_have_no_form_and_cannot_send_one(sign_in, nine, count):
    client = sign_in("auditor")
    page = client.get(reverse("count", args=[count.pk]))
    assert 'name="scan"' not in page.content.decode()
    assert client.post(reverse("count", args=[count.pk]), {"do": "scan", "scan": nine[0]}).status_code == 403
    assert not queries.reads_of(count)


def test_what_is_not_there_is_404(desk, finished):
    assert desk.get(reverse("count", args=[999])).status_code == 404
    assert desk.get(reverse("count_draw", args=[999])).status_code == 404
    assert desk.get(reverse("count_close", args=[finished.pk, new_id()])).status_code == 404
    assert desk.get(reverse("count_close", args=[999, new_id()])).status_code == 404


def test_nobody_signed_in_sees_nothing(client, store):
    assert client.get(reverse("counts")).status_code == 302


# a count by scans alone ---------------------------------------------------------------------------


def test_a_whole_count_needs_nothing_but_the_scan_field(desk, nine):
    """Box, tubes, box again: what a scanner types, and Enter."""
    page = desk.post(reverse("count_begin"), {"unit": BOX.lower()}, follow=True)
    one = Count.objects.get()
    assert page.redirect_chain[-1][0] == reverse("count", args=[one.pk])
    for tube in nine:
        assert scan(desk, one, codes.show(tube).lower()).status_code == 302
    assert scan(desk, one, BOX).status_code == 302
    page = desk.get(reverse("count", args=[one.pk]))
    assert "All is as the ledger says" in text_of(page)
    assert ledger.event(str(Count.objects.get().event)).header["kind"] == "counted"


def test_the_scan_field_is_ready_and_marked_for_the_script(desk, count):
    page = desk.get(reverse("count", args=[count.pk])).content.decode()
    assert "data-scan" in page
    assert re.search(r'<input[^>]*name="scan"[^>]*autofocus', page)


def test_the_count_is_blind_until_it_is_finished(desk, curator, nine, count):
    actions.read(curator, count, nine[0])
    page = text_of(desk.get(reverse("count", args=[count.pk])))
    assert "Read 1" in page
    assert not re.search(r"\b9\b", page.replace("Box 1", "")), "the expected number is on the page"
    assert not any(codes.show(tube) in page for tube in nine[1:])


def test_a_tube_of_another_box_is_not_told_apart_while_scanning(store, desk, nine, count):
    more_boxes(store, 1)
    (foreign,) = stored(store, tubes(1, 40), "NLB-B002")
    answers = []
    for tube in (nine[0], foreign):
        scan(desk, count, tube)
        page = text_of(desk.get(reverse("count", args=[count.pk])))
        answers.append(re.search(r"(\S+-\S+-\S)\. (\d) read\.", page)[2])
    assert answers == ["1", "2"]


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("nonsense", "code_malformed"),
        ("", "required"),
        (BOX, "nothing_scanned"),
        ("K7R2M-001-B", "code_check_digit"),
    ],
)
def test_a_bad_scan_is_422_with_its_code_and_the_text_stays(desk, count, text, code):
    page = scan(desk, count, text)
    assert page.status_code == 422
    body = page.content.decode()
    assert code in body
    assert 'data-result="refused"' in body
    assert not text or f'value="{text}"' in body


def test_the_same_finish_sent_twice_is_one_count(desk, nine, count):
    scan(desk, count, nine[0])
    address, size = reverse("count", args=[count.pk]), ledger.size()
    said = {"do": "finish", "key": keys_on(desk.get(address))[-1]}
    assert desk.post(address, said).status_code == 302
    now = ledger.size()
    assert now > size
    assert desk.post(address, said).status_code == 302
    assert ledger.size() == now


def test_a_scan_after_the_end_is_refused_and_shows_the_result(desk, nine, finished):
    said = {"do": "scan", "key": new_id(), "scan": nine[0]}
    page = desk.post(reverse("count", args=[finished.pk]), said)
    assert page.status_code == 422
    assert "count_finished" in page.content.decode()
    assert "expected by the ledger" in text_of(page)
    assert 'name="scan"' not in page.content.decode()


def test_an_empty_box_is_said_to_be_empty(desk, store):
    one = actions.by_hand(store.actor("curator"), BOX)
    address = reverse("count", args=[one.pk])
    key = keys_on(desk.get(address))[-1]
    assert desk.post(address, {"do": "finish", "key": key}).status_code == 422
    assert desk.post(address, {"do": "finish", "key": key, "empty": "on"}).status_code == 302
    assert Count.objects.get().finished


def test_a_rack_is_pasted_and_a_bad_list_is_kept_to_be_mended(desk, nine, count):
    address = reverse("count", args=[count.pk])
    bad = f"A1,{nine[0]}\nA1,{nine[1]}"
    page = desk.post(address, {"do": "rack", "rack": bad})
    assert page.status_code == 422
    assert "slot_twice" in page.content.decode()
    assert nine[1] in page.content.decode()
    desk.post(address, {"do": "rack", "rack": bad.replace("\nA1", "\nA2")})
    assert len(queries.reads_of(count)) == 2
    desk.post(address, {"do": "back"})
    assert [one.tube for one in queries.reads_of(count)] == [nine[0]]


# result and closing -------------------------------------------------------------------------------


def test_the_result_says_what_is_where_and_a_difference_is_closed(desk, nine, finished):
    page = desk.get(reverse("count", args=[finished.pk]))
    assert f"Not found in {BOX}; the ledger says A9." in text_of(page)
    assert "88.9 %" in text_of(page)
    (diff,) = queries.differences(finished)
    address = reverse("count_close", args=[finished.pk, diff.event])
    assert address in page.content.decode()
    key = keys_on(desk.get(address))[0]
    refused = desk.post(address, {"key": key, "note": ""})
    assert refused.status_code == 422
    assert desk.post(address, {"key": key, "note": "It lay beside the box."}).status_code == 302
    after = text_of(desk.get(reverse("count", args=[finished.pk])))
    assert "It lay beside the box." in after
    assert "All closed" in after


def test_who_is_of_another_agency_cannot_close(sign_in, finished):
    (diff,) = queries.differences(finished)
    address = reverse("count_close", args=[finished.pk, diff.event])
    page = sign_in("labtech").post(address, {"key": new_id(), "note": "it is mine"})
    assert page.status_code == 422
    assert "unit_of_another_agency" in page.content.decode()


# choosing and accuracy ----------------------------------------------------------------------------


def test_choosing_draws_and_shows_how_to_redo_it(desk, store, nine):
    more_boxes(store, 3)
    address = reverse("counts_choose")
    page = desk.get(address)
    assert "never counted" in text_of(page)
    answer = desk.post(address, {"key": keys_on(page)[0], "wanted": "2"}, follow=True)
    draw = CountDraw.objects.get()
    assert draw.seed in answer.content.decode()
    assert "Redone just now" in text_of(answer)
    assert f"printf '{draw.seed}:BOX' | sha256sum" in text_of(answer).replace("&#x27;", "'")
    assert BOX in text_of(desk.get(reverse("counts")))


@pytest.mark.parametrize("wanted", ["0", "", "many", "1000"])
def test_a_bad_number_of_boxes_is_422(desk, nine, wanted):
    page = desk.post(reverse("counts_choose"), {"key": new_id(), "wanted": wanted})
    assert page.status_code == 422
    assert not CountDraw.objects.exists()


def test_accuracy_with_and_without_counts(desk, sign_in, nine, count, curator):
    assert "Nothing was counted yet" in text_of(desk.get(reverse("counts_accuracy")))
    actions.read(curator, count, nine[0])
    actions.finish(curator, new_id(), count)
    page = desk.get(reverse("counts_accuracy"))
    assert "11.1 %" in text_of(page)
    assert re.search(r'<polyline class="line" points="90,\d+"', page.content.decode())


def queries_of(client, address):
    with CaptureQueriesContext(connection) as seen:
        assert client.get(address).status_code == 200
    return len(seen)


def count_all(curator, boxes):
    """A finished count with a miss of every box, then an open one."""
    for box in boxes:
        stored_tube = ledger.find(unit=box.code)[0].tube
        one = actions.by_hand(curator, box.code)
        actions.read(curator, one, f"I9 {stored_tube}")
        actions.finish(curator, new_id(), one)
        actions.by_hand(curator, box.code)


def test_the_lists_take_as_many_queries_for_30_boxes_as_for_3(store, desk, curator):
    boxes = more_boxes(store, 30)
    for n, box in enumerate(boxes):
        stored(store, tubes(2, 2 * n + 1), box.code)
    addresses = [reverse("counts"), reverse("counts_choose"), reverse("counts_accuracy")]
    count_all(curator, boxes[:3])
    few = [queries_of(desk, address) for address in addresses]
    count_all(curator, boxes[3:])
    assert [queries_of(desk, address) for address in addresses] == few


def test_a_result_takes_as_many_queries_for_30_differences_as_for_3(store, desk, curator):
    numbers = []
    for box, count in zip(more_boxes(store, 2), (3, 30), strict=True):
        stored(store, tubes(count, 10 * count), box.code)
        one = actions.by_hand(curator, box.code)
        actions.finish(curator, new_id(), one, empty=True)
        one.refresh_from_db()
        assert one.not_found == count
        numbers.append(queries_of(desk, reverse("count", args=[one.pk])))
    assert numbers[0] == numbers[1]
