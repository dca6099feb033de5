"""Receiving through its pages: count blind, scan, compare, confirm, receipt."""

import html
import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.core import codes
from biobank.handoffs import actions
from biobank.handoffs.conditions import CONDITIONS
from biobank.models import HandoffCase, OwnNumber
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders

GIVEN = builders.moment(10)
SEAL = "TAMPER-20417"


@pytest.fixture
def tubes(people) -> list[str]:
    tube_set = builders.drawn_set(people)
    return sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))


@pytest.fixture
def given(people, tubes) -> str:
    """Five tubes on their way to the laboratory, the sixth stays with the field team."""
    return give(people, tubes[:5])


def give(people, tubes, **more) -> str:
    said = {"how": "sealed", "seal": SEAL, "at": GIVEN} | more
    return actions.hand_off(people.actor("fieldtech"), new_id(), tubes, "TFL", **said).id


class Dock:
    """Somebody at the pages of one handoff."""

    def __init__(self, client, handoff):
        self.client, self.address = client, f"/handoffs/{handoff}/receive/"

    def see(self, step=""):
        return self.client.get(self.address, {"step": step} if step else {})

    def text(self, step=""):
        """What a person reads there."""
        return words(self.see(step))

    def say(self, step, follow=False, **said):
        return self.client.post(self.address, {"step": step} | said, follow=follow)

    def count(self, counted, seal_state="intact", seal=SEAL, **more):
        return self.say("count", counted=str(counted), seal_state=seal_state, seal=seal, **more)

    def scan(self, *scans):
        return self.say("scan", scans="\n".join(scans))

    def confirm(self, **said):
        return self.say("confirm", key=self.key(), **said)

    def key(self):
        return re.search(r'name="key" value="([^"]+)"', self.see("confirm").content.decode())[1]


def words(answer) -> str:
    text = re.sub(r"<(svg|script).*?</\1>|<[^>]+>", " ", answer.content.decode(), flags=re.S)
    return " ".join(html.unescape(text).split())


@pytest.fixture
def dock(sign_in, given) -> Dock:
    return Dock(sign_in("labtech"), given)


# --- the count is blind ---------------------------------------------------------------------------


@pytest.fixture
def many(people, given) -> str:
    """A handoff whose number of tubes stands nowhere by chance: 17 of three sets."""
    held = [
        tube for _ in range(3)
        for tube in builders.drawn_set(people).tubes.filter(parent_hint="").values_list("code", flat=True)
    ]  # fmt: skip
    return give(people, held[:17])


def test_before_the_count_nothing_tells_how_many_or_which(sign_in, many):
    dock = Dock(sign_in("labtech"), many)
    tubes = [line["t"] for line in ledger.event(many).lines]
    for page in (dock.see(), dock.see("scan"), dock.see("compare"), dock.see("confirm")):
        source = re.sub(r'name="csrfmiddlewaretoken" value="[^"]*"', "", page.content.decode())
        source = source.replace(many, "")
        assert "Tubes counted by hand" in source
        assert not re.search(r"(?<![0-9A-Za-z.:-])(17|seventeen)(?![0-9A-Za-z.:-])", source)
        assert SEAL not in source
        assert not any(tube in source or codes.show(tube) in source for tube in tubes)


def test_the_handoff_s_own_page_says_it_neither(sign_in, many):
    page = sign_in("labtech").get(f"/handoffs/{many}/").content.decode()
    tubes = [line["t"] for line in ledger.event(many).lines]
    assert not any(tube in page or codes.show(tube) in page for tube in tubes)


def test_nothing_can_be_said_before_the_count(dock, tubes, given):
    size = ledger.size()
    for step in ("scan", "compare", "confirm"):
        answer = dock.say(step, scans="\n".join(tubes), key=new_id())
        assert "Tubes counted by hand" in words(answer)
    assert ledger.size() == size and "Tubes counted by hand" in dock.text()


@pytest.mark.parametrize("counted", ["", "five", "-1", "5.0", "½", "٥"])
def test_a_count_that_is_no_number_is_refused(dock, counted):
    answer = dock.count(counted)
    assert answer.status_code == 422
    assert "count_not_a_number" in answer.content.decode() or not counted
    assert "Tubes counted by hand" in dock.text()


@pytest.mark.parametrize(("counted", "status"), [(1000, 302), (1001, 422)])
def test_one_answer_has_room_for_a_thousand_tubes(dock, counted, status):
    assert dock.count(counted).status_code == status


def test_the_count_does_not_change_silently(dock, tubes, given):
    dock.count(4)
    dock.scan(*tubes[:5])
    assert "count_does_not_agree" in dock.text("compare")
    again = dock.client.post(
        dock.address, {"step": "count", "counted": "5", "seal_state": "intact", "seal": SEAL}, follow=True
    )
    assert "another count than before" in words(again)
    dock.say("compare", do="next")
    dock.confirm()
    note = ledger.events(kind="received")[0].header["data"]["note"]
    assert note == "Counted 4, then 5."


def test_the_same_count_again_is_no_news(dock, tubes):
    dock.count(5)
    dock.count(5)
    dock.scan(*tubes[:5])
    dock.confirm()
    assert "note" not in ledger.events(kind="received")[0].header["data"]


def test_a_seal_read_otherwise_after_the_number_was_shown_is_said(dock, tubes):
    dock.count(5, seal="TAMPER-1")
    dock.scan(*tubes[:5])
    dock.count(5)
    dock.confirm(note="Wet label.")
    data = ledger.events(kind="received")[0].header["data"]
    assert data["seal"] == SEAL
    assert (
        data["note"]
        == f"Seal said to be there and whole (TAMPER-1), then there and whole ({SEAL}). Wet label."
    )


# --- from the dock to the receipt -----------------------------------------------------------------


def test_all_there_from_count_to_receipt(dock, tubes, given):
    assert dock.count(5)["Location"].endswith("?step=scan")
    assert dock.scan(*tubes[:5])["Location"].endswith("?step=compare")
    assert "All agree" in dock.text("compare")
    assert dock.say("compare", do="next")["Location"].endswith("?step=confirm")
    assert "5 received" in dock.text("confirm")
    done = dock.confirm(centi_c="-76,5", low_centi="−79", high_centi="-74", coolant="dry ice, 2 kg")
    receipt = words(dock.client.get(done["Location"]))
    for part in (
        "Received from SSS",
        "5 received",
        "Everything matched",
        "Put 5 away",
        "-76.5 °C".replace("-", "−"),
    ):
        assert part in receipt
    data = ledger.events(kind="received")[0].header["data"]
    assert (data["counted"], data["seal_intact"], data["seal"]) == (5, True, SEAL)
    assert (data["centi_c"], data["low_centi"], data["high_centi"]) == (-7650, -7900, -7400)
    assert {one.custodian for one in ledger.states(tubes[:5]).values()} == {"TFL"}


def test_sent_twice_is_one_answer_and_leads_to_the_same_receipt(dock, tubes):
    dock.count(5)
    dock.scan(*tubes[:5])
    key = dock.key()
    first, again = (dock.say("confirm", key=key) for _ in range(2))
    assert first["Location"] == again["Location"]
    assert len(ledger.events(kind="received")) == 1


def test_the_unreadable_one_is_chosen_from_the_missing(dock, tubes):
    dock.count(5)
    dock.scan(*tubes[1:5], "?")
    text = dock.text("compare")
    assert f"May be {codes.show(tubes[0])}" in text and "confirm by eye, then reprint" in text
    dock.say("compare", do="next", unreadable=tubes[0])
    assert "1 label cannot be read" in dock.text("confirm")
    dock.confirm()
    assert (ledger.state(tubes[0]).custodian, ledger.state(tubes[0]).disputes) == ("SSS", 1)
    assert {one.custodian for one in ledger.states(tubes[1:5]).values()} == {"TFL"}
    assert HandoffCase.objects.get().code == "unreadable"


def test_a_tick_alone_says_that_a_label_cannot_be_read(dock, tubes):
    """No ? was typed: the count says that one more is there, and the person knows which."""
    dock.count(5)
    dock.scan(*tubes[1:5])
    assert "count_does_not_agree" in dock.text("compare")
    assert dock.say("compare", do="next", unreadable=tubes[0]).status_code == 302
    dock.confirm()
    assert [line["result"] for line in ledger.events(kind="received")[0].lines].count("unreadable") == 1


def test_an_unreadable_label_never_becomes_a_tube_by_itself(dock, tubes):
    dock.count(5)
    dock.scan(*tubes[1:5], "?")
    dock.say("compare", do="next", rest="missing")
    dock.confirm()
    event = ledger.events(kind="received")[0]
    assert [line["result"] for line in event.lines if line["t"] == tubes[0]] == ["missing"]
    assert event.header["data"]["foreign"] == "a tube without a readable label"


def test_one_label_cannot_be_two_tubes(dock, tubes):
    dock.count(4)
    dock.scan(*tubes[2:5], "?")
    answer = dock.say("compare", do="next", unreadable=tubes[:2])
    assert answer.status_code == 422 and "count_does_not_agree" in answer.content.decode()


def test_an_extra_tube_is_written_down_only_when_it_was_ticked(dock, tubes):
    dock.count(6)
    dock.scan(*tubes)
    answer = dock.say("compare", do="next")
    assert answer.status_code == 422 and "extra_unconfirmed" in answer.content.decode()
    assert "extra_unconfirmed" in words(dock.say("confirm", key=new_id()))
    assert dock.say("compare", do="next", extra=tubes[5]).status_code == 302
    dock.confirm()
    assert ledger.state(tubes[5]).custodian == "SSS"
    assert [(one.tube, one.code) for one in HandoffCase.objects.all()] == [(tubes[5], "extra")]


def test_foreign_codes_are_shown_and_kept_and_a_mistyped_one_is_told_apart(dock, tubes):
    wrong = tubes[0][:-1] + ("0" if tubes[0][-1] != "0" else "1")
    dock.count(7)
    dock.scan(*tubes[:5], "4006381333931", wrong)
    text = dock.text("compare")
    assert "4006381333931 none of our codes" in text and "its check character is wrong" in text
    dock.say("compare", do="next")
    dock.confirm()
    assert ledger.events(kind="received")[0].header["data"]["foreign"] == f"4006381333931, {wrong}"


def test_two_tubes_with_one_code_are_ticked_by_eye(dock, tubes):
    dock.count(6)
    dock.scan(*tubes[:5], tubes[0])
    answer = dock.say("compare", do="next")
    assert answer.status_code == 422 and "twins_unconfirmed" in answer.content.decode()
    dock.say("compare", do="next", twins=tubes[0])
    dock.confirm()
    assert [(one.tube, one.code) for one in HandoffCase.objects.all()] == [(tubes[0], "twice")]


def test_scanned_again_and_the_count_agrees_is_shown_and_well(dock, tubes):
    dock.count(5)
    dock.scan(*tubes[:5], tubes[0])
    text = dock.text("compare")
    assert "All agree" in text and "counts once" in text


def test_count_does_not_agree_and_scanning_on_settles_it(dock, tubes):
    dock.count(5)
    dock.scan(*tubes[:4])
    assert dock.say("compare", do="next").status_code == 422
    assert dock.say("compare", do="stay", more=tubes[4]).status_code == 302
    assert "All agree" in dock.text("compare")


def test_a_part_today_and_the_rest_later(dock, tubes, given):
    dock.count(2)
    dock.scan(*tubes[:2])
    dock.say("compare", do="next", rest="later")
    receipt = words(dock.client.get(dock.confirm()["Location"]))
    assert "3 tubes of this handoff" in receipt and "Receive the rest" in receipt
    assert not HandoffCase.objects.exists()
    dock.count(3, seal_state="none", seal="")
    dock.scan(*tubes[2:5])
    dock.say("compare", do="next")
    dock.confirm()
    assert not ledger.find(pending_ref=given)


def test_a_tube_of_an_earlier_part_is_named(dock, tubes, given):
    dock.count(2)
    dock.scan(*tubes[:2])
    dock.say("compare", do="next", rest="later")
    dock.confirm()
    dock.count(3)
    dock.scan(*tubes[1:4])
    assert "handoff_answered_once" in dock.text("compare")


def test_conditions_are_noted_taken_back_and_defined_on_the_page(dock, tubes):
    dock.count(5)
    dock.scan(*tubes[:5])
    dock.say("compare", do="stay", condition="leaking", odd="\n".join(tubes[:2]))
    text = dock.text("compare")
    assert all(one.means in text for one in CONDITIONS)
    assert f"{codes.show(tubes[1])} leaking" in text
    dock.say("compare", drop=tubes[1])
    dock.say("compare", do="next")
    assert "1 received damaged" in dock.text("confirm")
    dock.confirm()
    lines = {line["t"]: line for line in ledger.events(kind="received")[0].lines}
    assert (lines[tubes[0]]["condition"], lines[tubes[1]]["result"]) == ("leaking", "ok")


@pytest.mark.parametrize(
    ("said", "code"),
    [({"odd": 0}, "condition_unknown"), ({"odd": 5, "condition": "broken"}, "condition_contradicts")],
)
def test_a_condition_is_of_a_tube_that_was_scanned_and_is_named(dock, tubes, said, code):
    dock.count(5)
    dock.scan(*tubes[:5])
    answer = dock.say("compare", do="stay", **said | {"odd": tubes[said["odd"]]})
    assert answer.status_code == 422 and code in answer.content.decode()


def test_own_numbers_are_pasted_or_typed_behind_a_code(dock, tubes):
    dock.count(5)
    dock.scan(f"{tubes[0]}\t26-0001", *tubes[1:5])
    dock.say("compare", do="next", own=f"{codes.show(tubes[1])}\t26-0002")
    receipt = words(dock.client.get(dock.confirm()["Location"]))
    assert "26-0001" in receipt and "26-0002" in receipt
    assert set(OwnNumber.objects.values_list("tube", "number")) == {
        (tubes[0], "26-0001"),
        (tubes[1], "26-0002"),
    }


def test_a_number_of_another_tube_is_refused_on_the_page(dock, tubes, people):
    OwnNumber.objects.create(agency=people.tfl, tube=tubes[5], number="26-1", event=new_id())
    dock.count(5)
    dock.scan(*tubes[:5])
    dock.say("compare", do="next", own=f"{tubes[0]}\t26-1")
    answer = dock.confirm()
    assert answer.status_code == 422 and "own_number_taken" in answer.content.decode()
    assert codes.show(tubes[5]) in answer.content.decode()


def test_a_bag_s_label_is_no_tube(dock, tubes):
    dock.count(5)
    answer = dock.scan(codes.set_label(tubes[0][:5]))
    assert answer.status_code == 422 and "set_where_tube" in answer.content.decode()


def test_a_seal_that_was_sent_and_is_not_there_is_no_whole_seal(dock, tubes):
    dock.count(5, seal_state="none", seal="")
    dock.scan(*tubes[:5])
    dock.confirm()
    assert ledger.events(kind="received")[0].header["data"]["seal_intact"] is False
    assert HandoffCase.objects.get().code == "seal"


def test_what_was_typed_survives_going_away_and_back(dock, tubes):
    dock.count(5)
    dock.scan(*tubes[:3])
    assert all(tube in dock.see("scan").content.decode() for tube in tubes[:3])
    assert 'value="5"' in dock.see("count").content.decode()


# --- who, and what is closed ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "status"),
    [("labtech", 200), ("fieldtech", 403), ("curator", 403), ("auditor", 403), ("collaborator", 403)],
)
def test_who_may_receive(sign_in, given, role, status):
    client = sign_in(role)
    assert client.get(f"/handoffs/{given}/receive/").status_code == status
    said = {"step": "count", "counted": "5", "seal_state": "intact"}
    assert client.post(f"/handoffs/{given}/receive/", said).status_code == (302 if status == 200 else status)


def test_a_stranger_does_not_learn_of_it_and_a_wrong_address_is_404(sign_in, people, tubes):
    handoff = actions.hand_off(people.actor("fieldtech"), new_id(), tubes, "NLB", how="hand", at=GIVEN).id
    assert sign_in("labtech").get(f"/handoffs/{handoff}/receive/").status_code == 404
    assert sign_in("labtech").get(f"/handoffs/{new_id()}/receive/").status_code == 404


def test_the_receipt_is_for_both_sides_and_for_its_own_handoff(dock, sign_in, people, tubes, given):
    other = give(people, [tubes[5]])
    dock.count(5)
    dock.scan(*tubes[:5])
    place = dock.confirm()["Location"]
    assert sign_in("fieldtech").get(place).status_code == 200
    assert "Put 5 away" not in words(sign_in("fieldtech").get(place))
    assert sign_in("labtech").get(place.replace(given, other)).status_code == 404
    assert sign_in("collaborator").get(place).status_code == 403


def test_what_is_answered_says_who_and_when(dock, tubes, people):
    dock.count(5)
    dock.scan(*tubes[:5])
    dock.confirm()
    page = dock.see()
    assert page.status_code == 422
    assert "P2 of TFL answered this handoff already" in words(page) and "handoff_answered_once" in words(page)


def test_what_was_withdrawn_meanwhile_is_not_received(dock, tubes, people, given):
    dock.count(5)
    dock.scan(*tubes[:5])
    key = dock.key()
    actions.send_back(people.actor("fieldtech"), new_id(), given, "withdrawn", "Boat turned back")
    answer = dock.say("confirm", key=key)
    assert answer.status_code == 422 and "handoff_withdrawn" in answer.content.decode()


def queries(dock, tubes):
    """How many each page needs."""
    found = []
    dock.count(len(tubes))
    dock.scan(*tubes[1:], "?")
    dock.say("compare", do="stay", unreadable=tubes[0])
    for step in ("count", "scan", "compare", "confirm"):
        with CaptureQueriesContext(connection) as seen:
            assert dock.see(step).status_code == 200
        found.append(len(seen))
    with CaptureQueriesContext(connection) as seen:
        place = dock.confirm()["Location"]
    found.append(len(seen))
    with CaptureQueriesContext(connection) as seen:
        dock.client.get(place)
    return [*found, len(seen)]


def test_queries_do_not_grow_with_tubes(sign_in, people):
    held = [
        tube for _ in range(6)
        for tube in builders.drawn_set(people).tubes.filter(parent_hint="").values_list("code", flat=True)
    ]  # fmt: skip
    client = sign_in("labtech")
    few, more = (Dock(client, give(people, part)) for part in (held[:3], held[3:33]))
    assert queries(few, held[:3]) == queries(more, held[3:33])


# --- afterwards -----------------------------------------------------------------------------------


def test_a_tube_is_found_by_the_number_of_one_s_own_agency(dock, sign_in, tubes, people):
    OwnNumber.objects.create(agency=people.tfl, tube=tubes[0], number="26/0417 b", event=new_id())
    client = sign_in("labtech")
    assert client.get("/tubes/", {"scan": " 26/0417  b"})["Location"] == f"/tubes/{tubes[0]}/"
    assert client.get("/tubes/", {"scan": "26/0418"}).status_code == 422
    assert sign_in("fieldtech").get("/tubes/", {"scan": "26/0417 b"}).status_code == 422


@pytest.mark.parametrize(("came", "undo"), [(5, True), (4, False)])
def test_an_answer_that_opened_cases_is_not_undone_by_a_click(dock, tubes, came, undo):
    dock.count(came)
    dock.scan(*tubes[:came])
    dock.say("compare", do="next")
    receipt = dock.client.get(dock.confirm()["Location"]).content.decode()
    assert ('class="undo"' in receipt) is undo


def test_what_will_be_said_of_the_seal_stands_on_the_last_page(dock, tubes):
    dock.count(5, seal="TAMPER-1")
    dock.scan(*tubes[:5])
    assert f"Seal TAMPER-1 was read; {SEAL} was sent." in dock.text("confirm")
