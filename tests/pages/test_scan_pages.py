"""The page of scans as a plain form without script: what a scanner types, and buttons.

Common practice, no source: a scanner types the code and an Enter, now and then twice.
"""

from __future__ import annotations

import html
import re
from datetime import timedelta
from io import BytesIO

import pypdfium2
import pytest
import time_machine
import zxingcpp
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.core import acted, codes
from biobank.handoffs.actions import hand_off
from biobank.models import Pass, PlannedTube
from biobank.store import actions as store_actions
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.lab import (
    EDTA,
    GEL,
    HEPARIN,
    RED,
    SPUN,
    STORED,
    aliquots,
    lab_set,
    primary,
)

pytestmark = pytest.mark.django_db
BOX = "NLB-B001"
LATER = STORED + timedelta(hours=1)
WORKING = {"labtech", "curator"}


@pytest.fixture(autouse=True)
def an_hour_later():
    """An hour after the last act of lab.py, by a clock that goes on."""
    with time_machine.travel(LATER, tick=True) as clock:
        yield clock


@pytest.fixture
def tubes(store):
    return lab_set(store)


@pytest.fixture
def lab(store, sign_in):
    return sign_in("labtech")


def keys_on(page) -> list[str]:
    return re.findall(r'name="key" value="([0-9a-f-]{36})"', page.content.decode())


def text_of(page) -> str:
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode())))


def send(client, mode, **said):
    """Opens the page, takes its key, sends one form; the page that comes after it."""
    address = f"{reverse('scan')}?mode={mode}"
    said.setdefault("key", keys_on(client.get(address))[0])
    return client.post(address, said, follow=True)


def scan(client, mode, text, **more):
    return send(client, mode, scan=text, **more)


def reply(page) -> tuple[str, str]:
    """The newest answer: its result, and what it says."""
    found = re.search(r'class="reply".*?data-result="(\w+)">(.*?)</p>', page.content.decode(), re.S)
    assert found, text_of(page)
    return found[1], html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", found[2])))


def says(page, result, *words):
    got, sentence = reply(page)
    assert got == result, sentence
    for word in words:
        assert word in sentence, sentence
    assert page.status_code == (422 if result == "refused" else 200)


def expects(page) -> str:
    return re.search(r"<span>Scan (.*?)</span></label>", page.content.decode())[1]


def kinds():
    return [one.header["kind"] for one in ledger.recent(500)]


def bag(mode):
    return Pass.objects.get().held.get(mode, {})


# who may ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["scan", "scan_cards"])
def test_who_may(store, sign_in, client, name):
    for role in ("fieldtech", "labtech", "curator", "collaborator", "auditor"):
        answer = sign_in(role).get(reverse(name))
        assert answer.status_code == (200 if role in WORKING else 403), role
    assert client.get(reverse(name)).status_code == 302


def test_looking_writes_nothing(lab):
    for mode in acted.MODES:
        assert lab.get(f"{reverse('scan')}?mode={mode}&eye=1").status_code == 200
    assert not Pass.objects.exists()


# modes and cards ----------------------------------------------------------------------------------


def test_a_mode_is_changed_by_card_by_word_and_by_link_and_is_kept(lab):
    page = scan(lab, "look-up", "do-spin")
    assert page.redirect_chain[-1][0].endswith("?mode=spin")
    says(page, "ok", "Spin")
    assert "<h1>Spin</h1>" in lab.get(reverse("scan")).content.decode()
    assert scan(lab, "spin", "put away").redirect_chain[-1][0].endswith("?mode=put-away")
    assert "<h1>Pull</h1>" in lab.get(reverse("scan") + "?mode=pull").content.decode()


def test_cards_that_do_not_fit_or_are_none_are_refused(lab):
    says(scan(lab, "spin", "DO-SKIP"), "refused", "action_not_here")
    says(scan(lab, "look-up", "DO-DONE"), "refused", "action_not_here")
    says(scan(lab, "look-up", "DO-DANCE"), "refused", "action_unknown")


def test_the_cards_on_paper_are_read_back_as_what_they_are(lab):
    """By ZXing's C++ reader, another implementation than the one that draws."""
    document = pypdfium2.PdfDocument(BytesIO(lab.get(reverse("scan_cards")).content))
    assert len(document) == 2
    found = set()
    for page in document:
        found |= {one.text for one in zxingcpp.read_barcodes(page.render(scale=2).to_pil())}
    assert found == {*acted.CARDS, "WHO-P2"}


def test_a_badge_says_who_is_signed_in_and_lets_nobody_act_as_another(lab):
    says(scan(lab, "look-up", "WHO-P2"), "ok", "TFL is signed in")
    says(scan(lab, "look-up", "WHO-P3"), "refused", "badge_of_another")


# receive ------------------------------------------------------------------------------------------


@pytest.fixture
def handed(store):
    """Three tubes of the field team on their way to the laboratory."""
    tube_set = lab_set(store, role="fieldtech")
    three = [primary(tube_set, number) for number in (RED, GEL, EDTA)]
    done = hand_off(store.actor("fieldtech"), new_id(), three, "TFL", how="hand", at=SPUN)
    return done.id, three


def test_what_is_scanned_is_received_and_the_rest_is_missing_only_after_it_was_shown(lab, handed):
    handoff, (red, gel, edta) = handed
    page = lab.get(reverse("scan") + "?mode=receive")
    assert red[:5] not in page.content.decode()  # the count comes before the list
    says(scan(lab, "receive", codes.show(red)), "ok", "1 counted")
    says(scan(lab, "receive", gel.lower()), "ok", "2 counted")
    says(scan(lab, "receive", red), "beware", "counts once")
    page = scan(lab, "receive", "DO-DONE")
    says(page, "beware", "1 tube was not scanned")
    assert codes.show(edta) in text_of(page)
    assert "received" not in kinds()
    says(scan(lab, "receive", "do-damaged"), "beware", "damaged")
    says(scan(lab, "receive", "DO-DONE"), "beware", "Received from SSS: 2, 1 missing")
    said = ledger.event(Pass.objects.get().said[0]["event"])
    assert said.header["ref"] == handoff and said.header["data"]["counted"] == 2
    assert {line["t"]: line["result"] for line in said.lines} == {
        red: "ok", gel: "damaged", edta: "missing",
    }  # fmt: skip
    assert bag("receive") == {}


def test_all_scanned_is_received_at_once_with_how_it_came(lab, handed):
    handoff, three = handed
    says(scan(lab, "receive", handoff), "ok", "SSS")
    for tube in three:
        scan(lab, "receive", tube)
    send(lab, "receive", run="1", seal_intact="no", centi_c="4,5", note="wet")
    says(scan(lab, "receive", "DO-DONE"), "ok", "Received from SSS: 3.")
    data = ledger.event(Pass.objects.get().said[0]["event"]).header["data"]
    assert data == {"counted": 3, "seal_intact": False, "centi_c": 450, "note": "wet"}


def test_a_tube_that_was_not_handed_over_is_set_aside(lab, store, tubes):
    says(scan(lab, "receive", primary(tubes, RED)), "refused", "tube_not_on_handoff", "already")
    says(scan(lab, "receive", codes.make("Y2Y2Y", 7)), "refused", "tube_not_on_handoff", "printed")
    says(scan(lab, "receive", "DO-DONE"), "refused", "no_tube")
    says(scan(lab, "receive", codes.set_label(tubes.code)), "refused", "scan_not_here")


# spin ---------------------------------------------------------------------------------------------


def test_one_run_is_one_event_with_the_plans_values(lab, tubes):
    PlannedTube.objects.update(spin_g=1500, spin_minutes=10)
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    says(scan(lab, "spin", red), "ok", "1 in the run")
    page = scan(lab, "spin", gel)
    assert 'name="g" value="1500"' in page.content.decode()
    an = len(kinds())
    says(scan(lab, "spin", codes.show(red)), "beware", "counts once")
    assert len(bag("spin")["tubes"]) == 2
    send(lab, "spin", run="1", g="1500", minutes="10", centi_c="4", brake="no")
    says(scan(lab, "spin", "done"), "ok", "Spun: 2 tubes, 1500 × g, 10 min")
    assert kinds().count("spun") == 1 and len(kinds()) == an + 1
    said = ledger.event(Pass.objects.get().said[0]["event"])
    assert [line["t"] for line in said.lines] == [red, gel]
    data = said.header["data"]
    assert (data["g"], data["minutes"], data["centi_c"], data["brake"]) == (1500, 10, 400, False)


def test_what_cannot_be_spun_is_refused_at_its_scan(lab, store, tubes):
    gel, red = primary(tubes, GEL), primary(tubes, RED)
    send(lab, "spin", run="1", g="1500", minutes="10")
    scan(lab, "spin", gel)
    scan(lab, "spin", "DO-DONE")
    says(scan(lab, "spin", gel), "refused", "gel_spun_before")
    store_actions.put_away(store.actor("labtech"), new_id(), [red], BOX)
    says(scan(lab, "spin", red), "refused", "still_stored")
    says(scan(lab, "spin", BOX), "refused", "scan_not_here")
    says(scan(lab, "spin", "DO-DONE"), "refused", "no_tube")


def test_a_tube_that_the_plan_spins_otherwise_is_said(lab, tubes):
    PlannedTube.objects.update(spin_g=1500, spin_minutes=10)
    PlannedTube.objects.filter(number=GEL).update(spin_g=2000)
    scan(lab, "spin", primary(tubes, RED))
    says(scan(lab, "spin", primary(tubes, GEL)), "beware", "Its plan says 2000 × g, the run 1500 × g")


def test_what_is_typed_wrongly_beside_the_scans_is_said_and_kept(lab):
    page = send(lab, "spin", run="1", g="much", minutes="10")
    assert page.status_code == 422 and 'value="much"' in page.content.decode()


# aliquot ------------------------------------------------------------------------------------------


@pytest.fixture
def spun(lab, tubes):
    send(lab, "spin", run="1", g="1500", minutes="10")
    for number in (RED, HEPARIN):
        scan(lab, "spin", primary(tubes, number))
    scan(lab, "spin", "DO-DONE")
    return tubes


def test_vials_are_taken_in_the_order_of_the_rack_alone(lab, spun, an_hour_later):
    red, vials = primary(spun, RED), sorted(aliquots(spun, RED))
    says(scan(lab, "aliquot", vials[0]), "refused", "parent_first", codes.show(red))
    page = scan(lab, "aliquot", red)
    assert expects(page).startswith(codes.show(vials[0]))
    page = scan(lab, "aliquot", vials[1])  # a sibling, one too far
    says(page, "refused", "aliquot_out_of_order", codes.show(vials[0]))
    assert bag("aliquot")["made"] == []
    says(scan(lab, "aliquot", vials[0]), "ok", "1000 µL", codes.show(vials[1]))
    an_hour_later.shift(2)
    says(scan(lab, "aliquot", vials[0]), "beware", "counts once")
    says(scan(lab, "aliquot", primary(spun, HEPARIN)), "refused", "aliquots_not_ended")
    says(scan(lab, "aliquot", aliquots(spun, HEPARIN)[0]), "refused", "label_of_another_tube")
    says(scan(lab, "aliquot", "skip"), "beware", codes.show(vials[1]))
    says(scan(lab, "aliquot", vials[2]), "ok")
    send(lab, "aliquot", run="1", loss_ul="50", **{f"ul_{one}": "900" for one in vials})
    says(scan(lab, "aliquot", "DO-DONE"), "ok", "2 aliquots")
    lines = ledger.event(Pass.objects.get().said[0]["event"]).lines
    assert [(line["t"], line["ul"]) for line in lines] == [
        (red, 1850), (vials[0], 900), (vials[2], 900),
    ]  # fmt: skip


def test_what_was_measured_is_shared_out_and_is_in_the_event(lab, spun):
    """Of 2.1 mL two vials of 1 mL can be filled, as `bench.propose` has it."""
    red, vials = primary(spun, RED), sorted(aliquots(spun, RED))
    scan(lab, "aliquot", red)
    assert len(bag("aliquot")["plan"]) == 4
    said = {f"ul_{one}": "1000" for one in vials} | {"recovered_ul": "2100", "loss_ul": ""}
    page = send(lab, "aliquot", run="1", **said)
    assert [one["t"] for one in bag("aliquot")["plan"]] == vials[:2] and "falls away" in text_of(page)
    says(scan(lab, "aliquot", vials[0]), "ok")
    says(scan(lab, "aliquot", vials[2]), "refused", "aliquot_falls_away")
    says(scan(lab, "aliquot", vials[1]), "ok")
    says(scan(lab, "aliquot", "done"), "ok", "2 aliquots")
    assert ledger.event(Pass.objects.get().said[0]["event"]).header["data"]["recovered_ul"] == 2100


def test_a_volume_of_nought_is_refused(lab, spun):
    scan(lab, "aliquot", primary(spun, RED))
    wrong = {f"ul_{one}": "0" for one in aliquots(spun, RED)}
    page = send(lab, "aliquot", run="1", **wrong)
    assert page.status_code == 422 and "volume_not_positive" in text_of(page)
    assert {one["ul"] for one in bag("aliquot")["plan"]} == {1000}


# put away -----------------------------------------------------------------------------------------


def place(code):
    state = ledger.state(code)
    return state.unit, state.row, state.col


def test_a_box_once_and_tubes_go_to_the_next_free(lab, tubes, an_hour_later):
    three = [primary(tubes, number) for number in (RED, GEL, EDTA)]
    page = scan(lab, "put-away", BOX.lower())
    assert "A1" in text_of(page) and "0 of 81" in text_of(page)
    says(scan(lab, "put-away", three[0]), "ok", f"{BOX} A1")
    says(scan(lab, "put-away", three[1]), "ok", f"{BOX} A2")
    says(scan(lab, "put-away", "c4"), "ok", "C4")
    says(scan(lab, "put-away", three[2]), "ok", f"{BOX} C4")
    assert [place(one) for one in three] == [(BOX, 1, 1), (BOX, 1, 2), (BOX, 3, 4)]
    says(scan(lab, "put-away", three[0]), "refused", "tube_already_stored")
    says(scan(lab, "put-away", "C4"), "refused", "slot_taken", codes.show(three[2]), "C5")
    says(scan(lab, "put-away", "DO-DONE"), "ok", BOX)
    an_hour_later.shift(2)
    says(scan(lab, "put-away", "DO-DONE"), "refused", "nothing_to_end")


def test_each_tube_and_then_its_slot(lab, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    scan(lab, "put-away", BOX)
    scan(lab, "put-away", "DO-SLOTS")
    says(scan(lab, "put-away", red), "ok", "Scan its slot")
    says(scan(lab, "put-away", gel), "refused", "tube_waits")
    says(scan(lab, "put-away", "Z9"), "refused", "slot_unknown")
    says(scan(lab, "put-away", "E5"), "ok", "E5")
    assert place(red) == (BOX, 5, 5) and place(gel) == (None, None, None)


def test_without_a_box_a_place_of_the_plans_class_is_proposed_and_must_be_confirmed(lab, tubes):
    red = primary(tubes, RED)
    says(scan(lab, "put-away", "A1"), "refused", "scan_box_first")
    says(scan(lab, "put-away", red), "ok", BOX, "A1")
    assert place(red) == (None, None, None)
    says(scan(lab, "put-away", "DO-DONE"), "ok", f"{BOX} A1")
    assert place(red) == (BOX, 1, 1)


def test_a_warmer_place_asks_for_a_reason(lab, store, tubes):
    store.units["NLB-F1"].__class__.objects.filter(code="NLB-F1").update(nominal_centi=-2000)
    red = primary(tubes, RED)
    scan(lab, "put-away", BOX)
    page = scan(lab, "put-away", red)
    says(page, "refused", "wrong_temperature_class")
    assert 'name="why"' in page.content.decode()
    with time_machine.travel(LATER + timedelta(minutes=1)):
        says(scan(lab, "put-away", red, why="no colder room tonight"), "ok", "A1")
    assert ledger.history(red)[-1].data["note"] == "no colder room tonight"


def test_a_rack_is_no_place_for_a_tube(lab):
    says(scan(lab, "put-away", "NLB-R1"), "refused", "not_a_box")


# pull, look up, discard ---------------------------------------------------------------------------


def test_pull_asks_what_for_first(lab, store, tubes):
    red = primary(tubes, RED)
    store_actions.put_away(store.actor("labtech"), new_id(), [red], BOX, at=STORED)
    says(scan(lab, "pull", red), "refused", "reason_first")
    says(scan(lab, "pull", "cortisol assay"), "ok", "cortisol assay")
    says(scan(lab, "pull", red), "ok", f"from {BOX}")
    assert ledger.history(red)[-1].data["why"] == "cortisol assay"
    says(scan(lab, "pull", "DO-DONE"), "ok")
    assert bag("pull") == {}


def test_look_up_says_what_where_and_with_whom(lab, store, tubes):
    red = primary(tubes, RED)
    store_actions.put_away(store.actor("labtech"), new_id(), [red], BOX, "B2", at=STORED)
    page = scan(lab, "look-up", red)
    says(page, "ok", "Red 10", "10 mL", "with TFL", f"{BOX} B2")
    assert reverse("tube", args=[red]) in page.content.decode()
    says(scan(lab, "look-up", BOX), "ok", "1 of 81", "NLB-F1")
    says(scan(lab, "look-up", codes.set_label(tubes.code)), "ok", "15 tubes")
    says(scan(lab, "look-up", tubes.code.lower()), "ok", "15 tubes")
    says(scan(lab, "look-up", codes.make("Y2Y2Y", 7)), "refused", "tube_unknown")
    says(scan(lab, "look-up", "Y2Y2Y"), "refused", "set_unknown")


def test_discard_collects_and_leads_to_its_page(lab, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    for tube in (red, gel, red):
        scan(lab, "discard", tube)
    address = f"{reverse('scan')}?mode=discard"
    answer = lab.post(address, {"key": new_id(), "scan": "DO-DONE"})
    assert answer.url == f"{reverse('discard')}?tube={red}&tube={gel}"
    assert "discarded" not in kinds()


# undo ---------------------------------------------------------------------------------------------


def test_undo_takes_back_an_act_within_ten_seconds_and_leads_to_its_page_later(lab, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    scan(lab, "put-away", BOX)
    scan(lab, "put-away", red)
    says(scan(lab, "put-away", "DO-UNDO"), "ok", "Taken back", codes.show(red))
    assert place(red) == (None, None, None)
    scan(lab, "put-away", gel)
    event = Pass.objects.get().said[0]["event"]
    with time_machine.travel(LATER + timedelta(minutes=2)):
        page = lab.get(reverse("scan"))
        assert reverse("event", args=[event]) in page.content.decode()
        says(scan(lab, "put-away", "DO-UNDO"), "refused", "undo_too_late")
    assert place(gel) == (BOX, 1, 1)


def test_undo_takes_a_tube_out_of_the_run_and_puts_a_run_back(lab, tubes):
    red, gel = primary(tubes, RED), primary(tubes, HEPARIN)
    send(lab, "spin", run="1", g="1500", minutes="10")
    scan(lab, "spin", red)
    page = scan(lab, "spin", gel)
    number = re.search(r'name="undo" value="(\d+)"', page.content.decode())[1]
    says(send(lab, "spin", undo=number), "ok", codes.show(gel))
    assert [one["t"] for one in bag("spin")["tubes"]] == [red]
    scan(lab, "spin", "DO-DONE")
    assert bag("spin") == {}
    scan(lab, "spin", "DO-UNDO")
    assert [one["t"] for one in bag("spin")["tubes"]] == [red] and kinds()[0] == "voided"
    says(send(lab, "spin", press="DO-UNDO"), "ok", codes.show(red))  # a button, within a second
    assert bag("spin") == {}
    says(send(lab, "spin", press="DO-UNDO"), "refused", "nothing_to_undo")
    says(send(lab, "spin", undo="999"), "refused", "nothing_to_undo")


def test_the_list_is_emptied_and_what_is_collected_stays(lab, tubes):
    scan(lab, "spin", primary(tubes, RED))
    page = send(lab, "spin", clear="1")
    assert "Nothing yet." in text_of(page) and len(bag("spin")["tubes"]) == 1


def test_a_scan_that_a_script_sends_is_answered_at_once_and_a_change_of_mode_leads_on(lab):
    """`Sec-Fetch-Dest: empty` is what a browser says of fetch() (W3C Fetch Metadata)."""
    address, script = f"{reverse('scan')}?mode=put-away", {"Sec-Fetch-Dest": "empty"}
    page = lab.post(address, {"key": new_id(), "scan": BOX}, headers=script)
    says(page, "ok", BOX)
    assert lab.post(address, {"key": new_id(), "scan": "spin"}, headers=script).status_code == 302
    navigated = {"Sec-Fetch-Dest": "document"}
    assert lab.post(address, {"key": new_id(), "scan": "NLB-S1"}, headers=navigated).status_code == 422
    assert lab.post(address, {"key": new_id(), "scan": "c4"}, headers=navigated).status_code == 302


# what goes wrong with scanners --------------------------------------------------------------------


def test_the_same_form_and_a_scan_twice_within_a_second_are_one(lab, tubes):
    red = primary(tubes, RED)
    scan(lab, "put-away", BOX)
    key = new_id()
    for _ in range(2):
        says(scan(lab, "put-away", red, key=key), "ok", "A1")
    says(scan(lab, "put-away", codes.show(red), key=key), "ok", "A1")
    scan(lab, "spin", "DO-PUT-AWAY")
    for _ in range(2):
        scan(lab, "put-away", primary(tubes, GEL))  # another key, within a second
    assert kinds().count("put_away") == 2
    assert [one["word"] for one in Pass.objects.get().said].count("no") == 0


def test_a_tube_twice_after_more_than_a_second_is_refused(lab, tubes):
    red = primary(tubes, RED)
    scan(lab, "put-away", BOX)
    scan(lab, "put-away", red)
    with time_machine.travel(LATER + timedelta(seconds=5)):
        says(scan(lab, "put-away", red), "refused", "tube_already_stored")


def test_a_scanner_with_another_keyboard_is_understood_or_said_to_be_so(lab, tubes):
    red = primary(tubes, RED)
    says(scan(lab, "put-away", BOX.replace("-", "ß").lower()), "beware", "keyboard layout")
    says(scan(lab, "put-away", codes.show(red).replace("-", "'").replace("Y", "Z")), "beware", "A1")
    assert place(red) == (BOX, 1, 1)
    says(scan(lab, "put-away", "#+ä"), "refused", "scanner_layout")
    says(scan(lab, "put-away", "smudge"), "refused", "scan_unknown")
    says(scan(lab, "put-away", red[:-1] + ("0" if red[-1] != "0" else "1")), "refused", "code_check_digit")
    says(scan(lab, "put-away", ""), "refused", "nothing_said")


# a label that cannot be read ----------------------------------------------------------------------


def test_a_tube_is_told_by_eye_among_those_that_are_expected(lab, tubes):
    red, gel, edta = (primary(tubes, number) for number in (RED, GEL, EDTA))
    scan(lab, "put-away", BOX)
    scan(lab, "put-away", red)
    address = reverse("scan") + "?mode=put-away&eye=1"
    page = lab.get(address).content.decode()
    choices = set(re.findall(r'type="radio" name="tube" value="(\w+)"', page))
    assert gel in choices and red not in choices and not choices & set(aliquots(tubes, RED))
    said = {"key": new_id(), "eye": "1", "tube": gel, "wrong": "torn or rubbed off"}
    says(lab.post(address, said, follow=True), "ok", "A2")
    assert [one.kind for one in ledger.history(gel)][-2:] == ["put_away", "discrepancy_noted"]
    assert "torn or rubbed off" in ledger.history(gel)[-1].data["note"]
    page = lab.post(address, {"key": new_id(), "eye": "1", "tube": edta})
    assert page.status_code == 422 and place(edta) == (None, None, None)
    stranger = {"key": new_id(), "eye": "1", "tube": aliquots(tubes, RED)[0], "wrong": "under frost"}
    assert lab.post(address, stranger).status_code == 422


# nothing is lost, nothing grows -------------------------------------------------------------------


def test_another_device_goes_on_where_this_one_stopped(store, sign_in, tubes):
    scan(sign_in("labtech"), "spin", primary(tubes, RED))
    page = sign_in("labtech").get(reverse("scan"))
    assert codes.show(primary(tubes, RED)) in text_of(page) and "<h1>Spin</h1>" in page.content.decode()
    assert codes.show(primary(tubes, RED)) not in text_of(sign_in("curator").get(reverse("scan")))


@pytest.fixture
def queries_of(lab, store):
    def count(text, mode="put-away"):
        address = f"{reverse('scan')}?mode={mode}"
        key = keys_on(lab.get(address))[0]
        with CaptureQueriesContext(
            connection,
        ) as asked:
            assert lab.post(address, {"key": key, "scan": text}).status_code == 302
        with CaptureQueriesContext(connection) as shown:
            lab.get(address)
        return len(asked), len(shown)

    return count


def test_the_queries_of_a_put_away_scan_do_not_grow(lab, store, queries_of):
    """With 3 and with 30 tubes in the box, and on the list."""
    sets = [lab_set(store) for _ in range(6)]
    many = [primary(one, number) for one in sets for number in (1, RED, GEL, HEPARIN, EDTA)]
    scan(lab, "put-away", BOX)
    for tube in many[:3]:
        queries_of(tube)
    few = queries_of(many[3])
    for tube in many[4:29]:
        queries_of(tube)
    assert queries_of(many[29]) == few
    assert few[0] <= 45 and few[1] <= 10, few
