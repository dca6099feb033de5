"""The pages of one event, used as plain forms without script."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
import time_machine

from biobank.amend import actions
from biobank.amend.actions import Fix
from biobank.bench import actions as bench
from biobank.handoffs import actions as handoffs
from biobank.store import actions as store_actions
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.lab import GEL, MADE, RED, SPUN, STORED, aliquots, lab_set, primary

pytestmark = pytest.mark.django_db
WHY = "the wrong one was scanned"


@pytest.fixture
def tubes(store):
    return lab_set(store)


@pytest.fixture
def lab(store):
    return store.actor("labtech")


@pytest.fixture
def red(tubes) -> str:
    return primary(tubes, RED)


@pytest.fixture
def thaw(lab, red) -> str:
    return store_actions.thaw(lab, new_id(), [red], at=SPUN)


def key_on(page) -> str:
    return re.search(r'name="key" value="([0-9a-f-]{36})"', page.content.decode())[1]


def send(client, address, **said):
    """Opens the page, takes its key, and sends the form."""
    said.setdefault("key", key_on(client.get(address)))
    return client.post(address, said)


def words(page) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode()))


@pytest.mark.parametrize(
    ("role", "see", "amend"),
    [
        ("labtech", 200, 200),
        ("curator", 200, 200),
        ("fieldtech", 200, 403),
        ("auditor", 200, 403),
        ("collaborator", 403, 403),
    ],
)
def test_who_may_see_and_who_may_amend(sign_in, thaw, role, see, amend):
    client = sign_in(role)
    assert client.get(f"/events/{thaw}/").status_code == see
    for page in ("correct/", "void/", "tube/0/"):
        assert client.get(f"/events/{thaw}/{page}").status_code == amend
        if amend != 200:
            sent = {"key": new_id(), "note": WHY, "reason": "did_not_occur"}
            assert client.post(f"/events/{thaw}/{page}", sent).status_code == amend
    offered = f"/events/{thaw}/void/" in client.get(f"/events/{thaw}/").content.decode()
    assert offered == (amend == 200)
    assert ledger.told([thaw])[thaw].voided is False


def test_strangers_get_404_also_for_an_event_of_another_programme(sign_in, store, thaw):
    from biobank.models import Programme

    client = sign_in("labtech")
    assert client.get(f"/events/{new_id()}/").status_code == 404
    assert client.get(f"/events/{thaw}/tube/7/").status_code == 404
    who = store.person("labtech")
    who.programme = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    who.save()
    void = actions.void(store.actor("curator"), new_id(), thaw, WHY)
    for event in (thaw, void):
        assert client.get(f"/events/{event}/").status_code == 404
        assert client.post(f"/events/{event}/void/", {"key": new_id(), "note": WHY}).status_code == 404


def test_an_events_page_shows_it_whole(sign_in, lab, thaw):
    said = ledger.event(thaw)
    page = words(sign_in("labtech").get(f"/events/{thaw}/"))
    for word in ["Thawed", f"Event {said.seq}", "Lab", "TFL", "labtech", said.id, said.leaf]:
        assert word in page


def test_it_did_not_happen(sign_in, thaw, red):
    client = sign_in("labtech")
    assert send(client, f"/events/{thaw}/void/", reason="did_not_occur", note="").status_code == 422
    answer = send(client, f"/events/{thaw}/void/", reason="did_not_occur", note=WHY)
    assert answer["Location"] == f"/events/{thaw}/"
    assert ledger.state(red).thaws == 0
    page = words(client.get(f"/events/{thaw}/"))
    assert "does not count any more" in page and WHY in page and "it did not happen" in page
    assert f"/events/{thaw}/void/" not in client.get(f"/events/{thaw}/").content.decode()


def test_a_correction_shows_old_beside_new_on_the_event_and_on_the_tube(sign_in, red):
    client = sign_in("labtech")
    event = next(one for one in ledger.history(red) if one.kind == "drawn")
    n = event.n
    answer = send(
        client, f"/events/{event.id}/correct/?tube={red}", note="read wrongly", at="2026-05-03T09:15",
        unc_s="300", **{f"ul_{n}": "6000"},
    )  # fmt: skip
    assert answer.status_code == 302
    assert ledger.state(red).volume_ul == 6_000
    for address in (f"/events/{event.id}/", f"/tubes/{red}/"):
        page = client.get(address).content.decode()
        assert re.search(r"<del>.*10 mL</del> <ins>.*6 mL</ins>", page)
        assert re.search(r"<del>.*09:20.*</del> <ins>.*09:15.*</ins>", page)
        assert "read wrongly" in page and "Lab, TFL" in page
    assert f"/events/{event.id}/" in client.get(f"/tubes/{red}/").content.decode()


def test_the_newest_correction_wins_through_the_screens_and_forgets_nothing(sign_in, red):
    client = sign_in("labtech")
    event = next(one for one in ledger.history(red) if one.kind == "drawn")
    address, volume = f"/events/{event.id}/correct/", f"ul_{event.n}"
    page = client.get(address)
    said = dict(re.findall(r'name="(ul_\d+)" value="(\d+)"', page.content.decode()))
    send(client, address, note="time", at="2026-05-03T09:15", **said)
    send(client, address, note="volume", **(said | {volume: "6000"}))
    send(client, address, note="volume again", **(said | {volume: "7000"}))
    now = next(one for one in ledger.history(red) if one.kind == "drawn")
    assert (now.line["ul"], now.at_ms, len(now.amended)) == (7_000, event.at_ms - 300_000, 3)
    others = [one for one in ledger.told([event.id])[event.id].lines if one["t"] != red]
    assert others == [one for one in ledger.event(event.id).lines if one["t"] != red]


def test_a_wrong_slot_by_its_name(sign_in, lab, red):
    event = store_actions.put_away(lab, new_id(), [red], "NLB-B001", "A1", at=STORED)
    client = sign_in("labtech")
    page = client.get(f"/events/{event}/correct/").content.decode()
    assert 'name="slot_0" value="A1"' in page
    send(client, f"/events/{event}/correct/", note=WHY, unit_0="NLB-B001", slot_0="C4")
    assert ledger.box("NLB-B001") == {(3, 4): red}


def test_the_wrong_tube(sign_in, tubes, thaw, red):
    gel = primary(tubes, GEL)
    answer = send(
        sign_in("labtech"), f"/events/{thaw}/tube/0/", tube=f"{gel[:5]}-{gel[5:8]}-{gel[8]}", note=WHY
    )
    assert (ledger.state(red).thaws, ledger.state(gel).thaws) == (0, 1)
    page = sign_in("labtech").get(answer["Location"]).content.decode()
    assert f"/events/{thaw}/" in page and "Said instead of" in page
    assert answer["Location"] in sign_in("labtech").get(f"/events/{thaw}/").content.decode()


def test_a_refusal_shows_its_code_changes_nothing_and_can_then_be_overridden(sign_in, lab, tubes, red):
    parts = aliquots(tubes, RED)[:1]
    event = bench.aliquot(lab, new_id(), red, [(parts[0], 1000)], unspun_why="stood overnight", at=MADE)
    store_actions.thaw(lab, new_id(), parts, at=STORED)
    client, address, size = sign_in("labtech"), f"/events/{event}/void/", ledger.size()
    assert 'name="keep"' not in client.get(address).content.decode()
    answer = send(client, address, reason="did_not_occur", note=WHY)
    page = answer.content.decode()
    assert (answer.status_code, ledger.size()) == (422, size)
    assert "tube_not_drawn" in page and 'name="keep"' in page and WHY in page
    assert send(client, address, reason="did_not_occur", note=WHY, keep="on").status_code == 302
    assert [one.code for one in ledger.findings(parts[0])] == ["tube_not_drawn"]


@pytest.mark.parametrize(
    ("page", "said"),
    [
        ("void/", {"reason": "did_not_occur"}),
        ("correct/", {"at": "2026-05-03T10:00"}),
        ("tube/0/", {"tube": ""}),
    ],
)
def test_a_form_sent_twice_is_one_event(sign_in, thaw, page, said):
    client, key, size = sign_in("labtech"), new_id(), ledger.size()
    first = client.post(f"/events/{thaw}/{page}", {"key": key, "note": WHY} | said)
    again = client.post(f"/events/{thaw}/{page}", {"key": key, "note": WHY} | said)
    assert (first.status_code, again.status_code, first["Location"]) == (302, 302, again["Location"])
    assert ledger.size() == size + 1


@pytest.mark.parametrize(
    ("page", "said", "code"),
    [
        ("void/", {"reason": "boredom"}, "invalid_choice"),
        ("void/", {"reason": "did_not_occur", "note": "x" * 401}, "max_length"),
        ("void/", {"reason": "did_not_occur", "key": "1"}, "invalid"),
        ("correct/", {}, "nothing_changed"),
        ("correct/", {"at": "yesterday"}, "time_malformed"),
        ("correct/", {"at": "2999-01-01T10:00"}, "time_in_future"),
        ("tube/0/", {"tube": "K7R2M-103-0"}, "code_check_digit"),
        ("tube/0/", {"tube": "\x00"}, "null_characters_not_allowed"),
    ],
)
def test_bad_input_is_a_sentence_with_a_code(sign_in, thaw, page, said, code):
    size = ledger.size()
    answer = sign_in("labtech").post(f"/events/{thaw}/{page}", {"key": new_id(), "note": WHY} | said)
    assert answer.status_code == 422 and code in answer.content.decode()
    assert ledger.size() == size


# undo -------------------------------------------------------------------------------------------


def offered(page) -> str:
    found = re.search(r'action="(/events/[0-9a-f-]{36}/undo/)"', page.content.decode())
    return found[1] if found else ""


def test_an_act_on_a_live_screen_offers_undo_and_undo_lands_where_one_was(sign_in, red):
    client = sign_in("labtech")
    answer = send(client, "/store/thaw/", tubes=red)
    page = client.get(answer["Location"])
    assert "within 10 s" in words(page)
    back = client.post(offered(page), {"next": answer["Location"]})
    assert (back.status_code, back["Location"]) == (302, answer["Location"])
    assert ledger.state(red).thaws == 0
    assert "Undone" in words(client.get(back["Location"]))


def test_undo_goes_nowhere_else(sign_in, lab, red):
    thaw = store_actions.thaw(lab, new_id(), [red])
    answer = sign_in("labtech").post(f"/events/{thaw}/undo/", {"next": "https://example.org/"})
    assert answer["Location"] == f"/events/{thaw}/"


def test_undo_is_refused_when_it_is_late_and_for_others(sign_in, lab, red):
    event = store_actions.thaw(lab, new_id(), [red])
    recorded = ledger.event(event).recorded_ms / 1000
    for role, late, code in [("curator", 1, "undo_not_yours"), ("labtech", 16, "undo_too_late")]:
        client = sign_in(role)
        with time_machine.travel(recorded + late, tick=False):
            answer = client.post(f"/events/{event}/undo/")
        assert answer.status_code == 422 and code in answer.content.decode()
    assert sign_in("labtech").get(f"/events/{event}/undo/").status_code == 405
    assert ledger.state(red).thaws == 1


def test_a_page_that_is_opened_later_offers_no_undo(sign_in, red):
    client = sign_in("labtech")
    answer = send(client, "/store/thaw/", tubes=red)
    with time_machine.travel(ledger.recent(1)[0].recorded_ms / 1000 + 11, tick=False):
        page = client.get(answer["Location"])
    assert "Thaw counted" in words(page) and offered(page) == ""


def test_what_wrote_more_than_one_event_or_rows_offers_no_undo(sign_in, people):
    from tests import people as builders

    tube_set = builders.printed_set(people)
    client = sign_in("fieldtech")
    answer = send(client, f"/sets/{tube_set.code}/bind/", why="filled in later")
    assert answer.status_code == 302, words(answer)
    assert offered(client.get(answer["Location"])) == ""


# more -------------------------------------------------------------------------------------------


def test_a_corrected_or_voided_handoff_is_so_on_its_own_page(sign_in, lab, store, red):
    given = handoffs.hand_off(lab, new_id(), [red], "NLB", how="hand", at=MADE).id
    actions.correct(lab, new_id(), given, Fix(at=MADE + timedelta(minutes=3)), WHY)
    assert "10:43" in words(sign_in("labtech").get(f"/handoffs/{given}/"))
    actions.void(lab, new_id(), given, WHY)
    assert "void" in words(sign_in("labtech").get(f"/handoffs/{given}/"))
    assert ledger.state(red).status == "held"


def test_whoever_must_count_does_not_see_the_lines_first(sign_in, lab, store, red):
    given = handoffs.hand_off(lab, new_id(), [red], "NLB", how="hand", at=MADE).id
    assert red[:5] not in words(sign_in("curator").get(f"/events/{given}/"))
    assert red[:5] in words(sign_in("labtech").get(f"/events/{given}/"))
    handoffs.receive(store.actor("curator"), new_id(), given, {red: "ok"}, counted=1, at=STORED)
    assert red[:5] in words(sign_in("curator").get(f"/events/{given}/"))


def test_an_events_page_needs_as_many_queries_for_many_lines_as_for_few(sign_in, lab, store, tubes, red):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    more = [code for _ in range(4) for code in lab_codes(store)]
    client, counts = sign_in("labtech"), []
    for codes in ([red], [red, *more]):
        event = store_actions.thaw(lab, new_id(), codes)
        client.get(f"/events/{event}/")
        with CaptureQueriesContext(connection) as asked:
            client.get(f"/events/{event}/")
        counts.append(len(asked))
    assert counts[0] == counts[1] <= 22, counts


def lab_codes(store) -> list[str]:
    tube_set = lab_set(store)
    return list(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))


def test_a_tubes_page_says_whether_custody_has_gaps_and_so_does_its_paper(sign_in, lab, red):
    import pypdfium2

    client = sign_in("labtech")
    page = words(client.get(f"/tubes/{red}/"))
    assert (
        "Gaps in custody: 1" in page and "no_place" in page and "typed_late" in page and "possession" in page
    )
    paper = pypdfium2.PdfDocument(client.get(f"/tubes/{red}/custody.pdf").content)
    text = "".join(paper[n].get_textpage().get_text_bounded() for n in range(len(paper)))
    assert "with 1 gap, see below" in " ".join(text.split()) and "Who held" in text
