"""The pages and papers of a failing freezer, used as plain forms without script."""

from __future__ import annotations

import html
import re
from datetime import timedelta
from io import BytesIO

import pypdfium2
import pytest
import time_machine
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.acting import ms
from biobank.core import codes
from biobank.evacuation import actions
from biobank.models import Evacuation, ThermalEvent, Unit
from biobank.temperature import actions as loggers
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.failing import add, filled_box, freezers, workup
from tests.biobank.test_loggers import rows_from, take_in
from tests.people import moment

pytestmark = pytest.mark.django_db
F1, B1, F2R1 = "NLB-F1", "NLB-B001", "NLB-F2-R1"
WORKING = {"labtech", "curator"}
SEEING = WORKING | {"fieldtech", "auditor"}


@pytest.fixture
def filled(store):
    """Two boxes in Freezer 1: nine tubes of urine, and the only serum of a seal."""
    freezers(store)
    add(store, "NLB-B002", "box", "NLB-R1")
    workup(store, "W-1", store.animal)
    filled_box(store, B1, "K7R2M", 9, "W-1", matrix="URN")
    filled_box(store, "NLB-B002", "K8R3N", 1, "W-1", matrix="SER")
    return store


@pytest.fixture
def going(filled):
    return actions.begin(filled.actor("curator"), new_id(), filled.units[F1], "compressor stands still")


@pytest.fixture
def desk(filled, sign_in):
    return sign_in("curator")


def key_on(page):
    return re.search(r'name="key" value="([0-9a-f-]{36})"', page.content.decode())[1]


def hold_on(page):
    return re.search(r'name="hold"(?: value="([^"]*)")?', page.content.decode())[1] or ""


def send(client, address, **said):
    said.setdefault("key", key_on(client.get(address)))
    return client.post(address, said)


def scan(client, address, text, **more):
    """Takes what a person would see on the page at this address, scans, and follows to the next page."""
    page = client.get(address)
    return client.post(address, {"key": key_on(page), "hold": hold_on(page), "scan": text} | more)


def text_of(page):
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode())))


def words_of(pdf):
    paper = pypdfium2.PdfDocument(BytesIO(pdf))
    return re.sub(r"\s+", " ", " ".join(page.get_textpage().get_text_bounded() for page in paper)), len(paper)


def boxes(going):
    return reverse("evacuation", args=[going.pk])


# who may ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", sorted(SEEING | {"collaborator"}))
@pytest.mark.parametrize(
    ("name", "may"),
    [
        ("evacuations", SEEING), ("evacuate", SEEING), ("evacuation_list", SEEING), ("evacuation", SEEING),
        ("evacuation_end", WORKING), ("evacuation_letters", WORKING), ("evacuation_letter", WORKING),
        ("thermal_event", WORKING), ("thermal_event_withdraw", {"curator"}),
    ],
)  # fmt: skip
def test_who_sees_what(filled, going, sign_in, name, may, role):
    said = (filled.units[F1], moment(14), moment(15), "compressor")
    event = actions.say_thermal_event(filled.actor("curator"), new_id(), *said)
    args = {
        "evacuations": [], "evacuate": [F1], "evacuation_list": [F1], "thermal_event": [F1],
        "evacuation_letter": [going.pk, "NLB"], "thermal_event_withdraw": [event.pk],
    }.get(name, [going.pk])  # fmt: skip
    assert sign_in(role).get(reverse(name, args=args)).status_code == (200 if role in may else 403)


def test_who_only_looks_on_has_no_form_and_cannot_send_one(going, sign_in):
    client, size = sign_in("auditor"), ledger.size()
    page = client.get(boxes(going))
    assert 'name="scan"' not in page.content.decode()
    said = {"key": new_id(), "scan": B1, "why": "power"}
    assert client.post(boxes(going), said).status_code == 403
    assert client.post(reverse("evacuate", args=["NLB-F2"]), said).status_code == 403
    assert (ledger.size(), Evacuation.objects.count()) == (size, 1)


def test_what_is_not_there_is_404(desk, going):
    for name, args in [
        ("evacuate", ["NLB-F9"]), ("evacuate", [B1]), ("evacuation_list", [B1]), ("evacuation", [99]),
        ("evacuation_letter", [going.pk, "TFL"]), ("thermal_event", [B1]), ("thermal_event_withdraw", [99]),
    ]:  # fmt: skip
        assert desk.get(reverse(name, args=args)).status_code == 404, (name, args)


def test_nobody_signed_in_sees_nothing(client, filled):
    assert client.get(reverse("evacuations")).status_code == 302


# in advance ---------------------------------------------------------------------------------------


def test_the_unit_and_the_store_lead_there(desk):
    assert reverse("evacuate", args=[F1]) in desk.get(reverse("unit", args=[F1])).content.decode()
    assert reverse("evacuate", args=[B1]) not in desk.get(reverse("unit", args=[B1])).content.decode()
    assert reverse("evacuations") in desk.get(reverse("store")).content.decode()
    assert reverse("evacuation_list", args=[F1]) in desk.get(reverse("evacuations")).content.decode()


def test_the_list_says_why_each_box_stands_where_it_stands(desk):
    said = text_of(desk.get(reverse("evacuate", args=[F1])))
    assert "1 last of its animal and matrix" in said.lower()
    assert said.index("NLB-B002") < said.index(B1), "the only serum before nine tubes of urine"
    assert "supposed, not measured" in said
    assert "1 box fits in NLB-F2-R1" in said
    assert "Before the door is opened" in said


def test_the_list_on_paper_says_the_same(desk):
    answer = desk.get(reverse("evacuation_list", args=[F1]))
    said, pages = words_of(answer.content)
    assert (answer["Content-Type"], pages) == ("application/pdf", 1)
    for part in [
        "NLB-B002", "irreplaceable", "1 box fits in NLB-F2-R1", "supposed and not measured",
        "Keep the door closed", "No place is known for 1 box", "−40.0 °C", "1 h after it fails",
        "6 h after it fails",
    ]:  # fmt: skip
        assert part in said, part
    assert "A-0001" not in said, "no animal is on it"


def test_a_tank_warns_of_nitrogen(desk, filled):
    add(filled, "NLB-T1", "tank", centi=-19000)
    assert "loses consciousness without warning" in text_of(desk.get(reverse("evacuate", args=["NLB-T1"])))
    said, _ = words_of(desk.get(reverse("evacuation_list", args=["NLB-T1"])).content)
    assert "Nitrogen takes the air" in said
    assert "No figure is known" in said, "nothing is supposed of a tank"


def test_readings_that_rise_are_drawn_on_and_called_so(desk, filled):
    logger = loggers.add_logger(filled.actor("curator"), "T-0", 300, "probe", "SN0")
    loggers.place(filled.actor("curator"), logger, filled.units[F1], ms(moment(9)), medium="buffered")
    take_in(filled, logger, rows_from("2026-05-03 10:00", 13, value=lambda k: -80 + k))  # 12 °C an hour
    with time_machine.travel(moment(13, 2), tick=False):
        said = text_of(desk.get(reverse("evacuate", args=[F1])))
    assert "drawn on from readings" in said
    # the newest is −68.0 °C at 13:00 and 5 °C from the unit's own alarm at −65 °C, at 1 °C in 5 min or slower
    assert "−65.0 °C at about 3 May 2026 13:1" in said
    assert "−60.0 °C 3 May 2026 13:4" in said, "8 °C more at 1 °C in 5 min after 13:00"
    assert "no promise" in said
    with time_machine.travel(moment(13, 2) + timedelta(hours=13), tick=False):
        assert "has sent no reading of the last 12 hours" in text_of(desk.get(reverse("evacuate", args=[F1])))


# by scans alone -----------------------------------------------------------------------------------


def test_a_whole_evacuation_by_plain_forms(desk, filled):
    address = reverse("evacuate", args=[F1])
    begun = send(desk, address, why="display says E5", warm_since="2026-05-03T12:30")
    one = Evacuation.objects.get()
    assert begun["Location"] == boxes(one)
    page = desk.get(boxes(one))
    assert "0 of 2 boxes in a new place" in text_of(page)
    assert "3 May 2026 13:30" in text_of(page), "−40 °C an hour after 12:30 at the earliest"
    out = scan(desk, boxes(one), "nlb-b002")
    held = desk.get(out["Location"])
    assert "NLB-B002 is out" in text_of(held)
    assert hold_on(held) == "NLB-B002"
    again = desk.get(out["Location"])  # loaded once more
    assert (hold_on(again), "In hand" in text_of(again)) == ("NLB-B002", True)
    put = scan(desk, out["Location"], F2R1)
    assert put["Location"] == boxes(one)
    said = text_of(desk.get(boxes(one)))
    assert "1 of 2 boxes in a new place" in said
    assert "50 % : 1 still in it, 0 out and in no new place, 1 in a new place" in said
    assert "Of 1 box with what cannot be replaced, 1 is out" in said
    assert send(desk, reverse("evacuation_end", args=[one.pk])).status_code == 422
    ended = send(desk, reverse("evacuation_end", args=[one.pk]), note="cools again")
    assert ended["Location"] == boxes(one)
    page = desk.get(boxes(one))
    assert 'name="scan"' not in page.content.decode()
    assert "Ended cools again" in text_of(page)


def test_a_scan_sent_twice_leads_to_the_same_page_and_is_one_event(desk, going):
    size, said = ledger.size(), {"key": key_on(desk.get(boxes(going))), "hold": "", "scan": B1}
    first, second = (desk.post(boxes(going), said)["Location"] for _ in range(2))
    assert first == second == f"{boxes(going)}?hold={B1}"
    assert ledger.size() == size + 1


def test_a_refused_scan_is_422_with_its_code_and_keeps_what_is_in_hand(desk, going):
    out = scan(desk, boxes(going), B1)["Location"]
    for text, code in [("NLB-Z9", "unit_unknown"), (codes.make("K7R2M", 1), "tube_where_unit"),
                       ("NLB-B101", "not_of_this_unit"), (F1, "unit_is_emptied")]:  # fmt: skip
        answer = scan(desk, out, text)
        assert answer.status_code == 422
        assert code in answer.content.decode()
        assert hold_on(answer) == B1
    answer = scan(desk, boxes(going), F2R1)
    assert (answer.status_code, "nothing_in_hand" in answer.content.decode()) == (422, True)


def test_a_warmer_place_opens_a_field_for_the_reason(desk, going):
    out = scan(desk, boxes(going), B1)["Location"]
    assert 'name="why"' not in desk.get(out).content.decode()
    answer = scan(desk, out, "NLB-C1-S1")
    assert (answer.status_code, "wrong_temperature_class" in answer.content.decode()) == (422, True)
    assert 'name="why"' in answer.content.decode()
    done = scan(desk, out, "NLB-C1-S1", why="nothing colder left")
    assert done.status_code == 302
    assert ledger.units()[B1] == "NLB-C1-S1"


def test_boxes_that_are_out_are_offered_to_be_put(desk, going):
    scan(desk, boxes(going), B1)
    page = desk.get(boxes(going))  # the hand was lost: another window, another person
    assert hold_on(page) == ""
    link = html.unescape(re.search(r'href="([^"]*\?hold=[^"]*)"', page.content.decode())[1])
    assert hold_on(desk.get(link)) == B1


def test_two_that_are_out_are_put_together_by_their_links(desk, going):
    scan(desk, boxes(going), B1)
    scan(desk, boxes(going), "NLB-B002")
    link = f"{boxes(going)}?hold={B1}"
    more = html.unescape(re.search(r'href="([^"]*\?hold=[^"]*)"', desk.get(link).content.decode())[1])
    assert hold_on(desk.get(more)).split() == [B1, "NLB-B002"]
    scan(desk, more, "NLB-F2")
    assert {ledger.units()[code] for code in (B1, "NLB-B002")} == {"NLB-F2"}


def test_begun_twice_and_once_too_often(desk, filled):
    address = reverse("evacuate", args=[F1])
    said = {"key": key_on(desk.get(address)), "why": "power"}
    assert desk.post(address, said)["Location"] == desk.post(address, said)["Location"]
    answer = desk.post(address, said | {"key": new_id()})
    assert (answer.status_code, "evacuation_goes_on" in answer.content.decode()) == (422, True)
    assert "Go on with it" in text_of(desk.get(address))


def test_a_time_in_the_future_is_refused(desk, filled):
    answer = send(desk, reverse("evacuate", args=[F1]), why="power", warm_since="2099-01-01T00:00")
    assert (answer.status_code, "time_in_future" in answer.content.decode()) == (422, True)


# how warm, and letters ----------------------------------------------------------------------------


def test_how_warm_is_said_once_and_shown(desk, filled):
    address = reverse("thermal_event", args=[F1])
    said = {
        "key": key_on(desk.get(address)), "start": "2026-05-03T14:00", "stop": "2026-05-03T16:00",
        "max_centi": "−45,5", "probe": "glycol bottle, middle", "note": "door seal",
    }  # fmt: skip
    for _ in range(2):
        assert desk.post(address, said)["Location"] == reverse("evacuate", args=[F1])
    event = ThermalEvent.objects.get()
    assert (event.max_centi, event.from_ms, event.to_ms) == (-4550, ms(moment(14)), ms(moment(16)))
    shown = text_of(desk.get(reverse("evacuate", args=[F1])))
    assert "3 May 2026 14:00 to 3 May 2026 16:00" in shown
    assert "−45.5 °C" in shown


def test_without_an_end_it_goes_up_to_now_and_without_a_measure_nobody_knows(desk, filled):
    send(desk, reverse("thermal_event", args=[F1]), start="2026-05-03T14:00", note="door seal")
    event = ThermalEvent.objects.get()
    assert (event.max_centi, event.to_ms > ms(moment(15))) == (None, True)
    assert "how warm is not known" in text_of(desk.get(reverse("evacuate", args=[F1])))


@pytest.mark.parametrize(
    ("said", "code"),
    [
        ({"start": "2026-05-03T16:00", "stop": "2026-05-03T14:00"}, "time_reversed"),
        ({"start": "2099-05-03T16:00"}, "time_in_future"),
        ({"start": "2026-05-03T14:00", "probe": "glycol"}, "probe_without_measurement"),
    ],
)
def test_what_cannot_be_is_422_with_its_code(desk, filled, said, code):
    answer = send(desk, reverse("thermal_event", args=[F1]), note="x", **said)
    assert (answer.status_code, code in answer.content.decode()) == (422, True)
    assert not ThermalEvent.objects.exists()


def test_another_agencys_freezer_is_theirs_to_speak_of(filled, sign_in):
    answer = send(sign_in("labtech"), reverse("thermal_event", args=[F1]), start="2026-05-03T14:00", note="x")
    assert (answer.status_code, "unit_of_another_agency" in answer.content.decode()) == (422, True)


def test_withdrawn_it_stays_to_be_read(desk, filled):
    send(desk, reverse("thermal_event", args=[F1]), start="2026-05-03T14:00", note="door seal")
    address = reverse("thermal_event_withdraw", args=[ThermalEvent.objects.get().pk])
    assert send(desk, address, why="it was Freezer 2").status_code == 302
    assert "withdrawn it was Freezer 2" in text_of(desk.get(reverse("evacuate", args=[F1])))
    answer = send(desk, address, why="again")
    assert (answer.status_code, "event_withdrawn" in answer.content.decode()) == (422, True)


def test_a_letter_says_what_happened_which_tubes_and_what_is_asked(desk, going):
    send(
        desk, reverse("thermal_event", args=[F1]), start="2026-05-03T14:00", max_centi="-41", note="door seal"
    )
    page = text_of(desk.get(reverse("evacuation_letters", args=[going.pk])))
    assert "Skarvik Seal Survey : 10 tubes in 2 places (holds 0, drew 10)" in page
    answer = desk.get(reverse("evacuation_letter", args=[going.pk, "SSS"]))
    said, _ = words_of(answer.content)
    for part in [
        "To Skarvik Seal Survey", "10 tubes that you hold or that your team drew", "compressor stands still",
        "−41.0 °C", codes.show(codes.make("K7R2M", 9)), "What we ask", "still in NLB-F1",
    ]:  # fmt: skip
        assert part in said, part
    assert "A-0001" not in said and "Skarvik Bay" not in said, "neither animal nor site"


def test_a_letter_says_so_when_nobody_said_how_warm(desk, going):
    said, _ = words_of(desk.get(reverse("evacuation_letter", args=[going.pk, "NLB"])).content)
    assert "Nobody has said yet how warm it became" in said


# the order is worked out once ---------------------------------------------------------------------


def test_what_is_in_the_hand_is_told_where_there_is_room_and_as_of_when(desk, going):
    page = scan(desk, boxes(going), "NLB-B002")
    said = text_of(desk.get(page["Location"]))
    assert f"There should be room in {F2R1}" in said
    assert "There should be room" not in text_of(desk.get(boxes(going)))
    assert "Order and places as of" in said


def test_a_scan_and_the_page_after_it_do_not_rank_and_ask_as_often_for_30_boxes_as_for_3(
    desk, filled, going, monkeypatch
):
    def never(*_):
        raise AssertionError("ranked again")

    def asked(box):
        desk.get(boxes(going))
        said = {"key": new_id(), "hold": "", "scan": box}
        with monkeypatch.context() as patched, CaptureQueriesContext(connection) as seen:
            patched.setattr("biobank.evacuation.order.rank", never)
            assert desk.get(desk.post(boxes(going), said)["Location"]).status_code == 200
            refused = desk.post(boxes(going), said | {"key": new_id(), "scan": "NLB-B999"})
            assert refused.status_code == 422, "a refusal does not rank either"
        return len(seen)

    add(filled, "NLB-B003", "box", "NLB-R1")
    filled_box(filled, "NLB-B003", "R0003", 2, "W-1")
    scan(desk, boxes(going), "NLB-B002")
    few = asked("NLB-B003")
    for n in range(30):
        add(filled, f"NLB-B4{n:02d}", "box", "NLB-R1")
        filled_box(filled, f"NLB-B4{n:02d}", f"T{n:02d}AA", 2, "W-1")
    assert asked("NLB-B429") == few <= 90


# as many queries for many -------------------------------------------------------------------------


def test_pages_ask_as_often_for_30_boxes_as_for_3(desk, filled, going):
    addresses = [
        reverse("evacuations"), reverse("evacuate", args=[F1]), boxes(going),
        reverse("evacuation_letters", args=[going.pk]), reverse("evacuation_end", args=[going.pk]),
    ]  # fmt: skip

    def asked(address):
        cache.clear()
        with CaptureQueriesContext(connection) as seen:
            assert desk.get(address).status_code == 200
        return len(seen)

    add(filled, "NLB-B003", "box", "NLB-R1")
    filled_box(filled, "NLB-B003", "R0003", 2, "W-1")
    few = [asked(address) for address in addresses]
    for n in range(30):
        add(filled, f"NLB-B4{n:02d}", "box", "NLB-R1")
        filled_box(filled, f"NLB-B4{n:02d}", f"T{n:02d}AA", 2, "W-1")
        Unit.objects.create(code=f"NLB-F4{n:02d}", kind="freezer", name="another", agency=filled.nlb)
    many = [asked(address) for address in addresses]
    assert many == few
    assert max(few) <= 45
