"""Discards, consents, empty tubes, and what is out of the cold, as plain pages."""

from __future__ import annotations

import re
from datetime import timedelta
from io import BytesIO

import pypdfium2
import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.acting import perform
from biobank.core import codes
from biobank.disposal import actions, returned
from biobank.models import Consent, ConsentRule, ExposureLimit, Person, ThawAnswer
from biobank.store import actions as store_actions
from biobank.store import carry as carrying
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.boxes import AT, filled, more_boxes, stored
from tests.biobank.boxes import tubes as make

pytestmark = pytest.mark.django_db
BOX = "NLB-B001"
NOON = AT + timedelta(hours=2)
WORKING = {"labtech", "curator"}
SEEING = WORKING | {"fieldtech", "auditor"}
HANDLING = WORKING | {"fieldtech"}


@pytest.fixture
def curator(store, sign_in):
    return sign_in("curator")


@pytest.fixture
def five(store):
    return stored(store, make(5))


def watched(store):
    return lambda actor: store.person("auditor")


def discarded(store, some, **more):
    return actions.discard(
        store.actor("curator"),
        new_id(),
        some,
        "contaminated",
        "autoclaved",
        NOON,
        witness=watched(store),
        **more,
    )


def emptied(store, some):
    for code in some:
        perform(store.actor("curator"), "aliquoted", key=new_id(), at=AT + timedelta(minutes=1),
                data={"loss_ul": 500}, lines=[{"t": code, "role": "from", "ul": 500}])  # fmt: skip
    return some


def key_on(page) -> str:
    return re.search(r'name="key" value="([0-9a-f-]{36})"', page.content.decode())[1]


def send(client, address, **said):
    said.setdefault("key", key_on(client.get(address)))
    return client.post(address, said)


def plain(page) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode()))


SIGNED = {"witness": "auditor", "witness_password": builders.PASSWORD, "sure": "on"}
HOW = {"why": "contaminated", "method": "autoclaved"}

# who may ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name, roles", [
    ("discard", WORKING), ("empty_tubes", WORKING), ("out", SEEING), ("out_back", WORKING),
    ("out_limits", {"curator"}), ("consents", HANDLING), ("consent_new", HANDLING),
    ("consent_rules", {"curator"}), ("disposal", SEEING), ("certificate", SEEING),
])  # fmt: skip
def test_a_page_opens_for_those_with_the_right_and_for_nobody_else(store, sign_in, client, five, name, roles):
    event = [discarded(store, five[:1])] if name in ("disposal", "certificate") else []
    address = reverse(name, args=event)
    for role in ("fieldtech", "labtech", "curator", "collaborator", "auditor"):
        assert sign_in(role).get(address).status_code == (200 if role in roles else 403), role
    assert client.get(address).status_code == 302


@pytest.mark.parametrize("name", ["discard", "empty_tubes", "out_back", "out_limits", "consent_rules"])
def test_sending_without_the_right_is_forbidden_too(store, sign_in, five, name):
    size = ledger.size()
    said = {"key": new_id(), "tubes": five[0], "to": BOX, "band": "deep", "minutes": 1, "source": "x",
            "asks": "never"} | HOW | SIGNED  # fmt: skip
    assert sign_in("fieldtech").post(reverse(name), said).status_code == 403
    assert ledger.size() == size and not ConsentRule.objects.exists() and not ExposureLimit.objects.exists()


def test_a_discard_of_another_programme_is_not_there(store, sign_in, five):
    from biobank.labels.actions import print_sets

    other = builders.Programme.objects.create(code="OTHER", name="Another survey")
    event = discarded(store, [print_and_draw(store, print_sets)])
    stranger = builders.make_person(other, store.nlb, builders.Role.CURATOR, "P9", "stranger")
    client = sign_in("curator")
    client.force_login(stranger.user)
    for name in ("disposal", "certificate"):
        assert client.get(reverse(name, args=[event])).status_code == 404
        assert sign_in("curator").get(reverse(name, args=[event])).status_code == 200


def print_and_draw(store, print_sets) -> str:
    made = print_sets(store.actor("curator"), new_id(), store.plan, store.day, 1, at=AT)[0]
    code = codes.make(made.code, 2)
    perform(
        store.actor("curator"), "drawn", key=new_id(), at=AT, lines=[{"t": code, "role": "subj", "ul": 9}]
    )
    return code


def test_an_event_that_is_no_discard_has_no_certificate(store, curator, five):
    event = next(one.id for one in ledger.history(five[0]) if one.kind == "put_away")
    assert curator.get(reverse("certificate", args=[event])).status_code == 404
    assert curator.get(reverse("disposal", args=[new_id()])).status_code == 404


@pytest.mark.parametrize("name", ["discard", "empty_tubes", "out", "out_back", "out_limits", "consents",
                                  "consent_new", "consent_rules"])  # fmt: skip
def test_no_page_needs_inline_script_or_style(store, curator, five, name):
    emptied(store, five[:1])
    page = curator.get(reverse(name)).content.decode()
    assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son[a-z]+=", page)


# discard ----------------------------------------------------------------------------------------


def test_a_discard_by_form_with_a_witness_is_one_event_and_leads_to_its_certificate(store, curator, five):
    size, address = ledger.size(), reverse("discard")
    said = {"tubes": five[0], "key": key_on(curator.get(address))} | HOW | SIGNED
    for _ in range(2):
        answer = curator.post(address, said)
        assert answer.status_code == 302 and answer.url == reverse("disposal", args=[said["key"]])
    assert ledger.size() == size + 1 and ledger.state(five[0]).status == "discarded"
    assert (
        reverse("certificate", args=[said["key"]])
        in curator.get(reverse("event", args=[said["key"]])).content.decode()
    )
    page = plain(curator.get(answer.url))
    assert "Auditor, Northlight Biobank" in page and f"{BOX} A1" in page and "500 µL" in page
    assert builders.PASSWORD not in str(ledger.event(said["key"]))


@pytest.mark.parametrize("change, code", [
    ({"witness": "", "witness_password": ""}, "witness_missing"),
    ({"witness": "curator"}, "witness_acts"),
    ({"witness": "collaborator"}, "witness_elsewhere"),
    ({"witness_password": "seals"}, "witness_not_known"),
    ({"why": "other"}, "note_required"),
    ({"method": "other"}, "note_required"),
    ({"why": ""}, ""), ({"method": ""}, ""), ({"sure": ""}, ""), ({"why": "space"}, ""),
])  # fmt: skip
def test_a_refused_discard_says_why_and_never_shows_a_password(store, curator, five, change, code):
    size = ledger.size()
    answer = send(curator, reverse("discard"), **({"tubes": five[0]} | HOW | SIGNED | change))
    page = answer.content.decode()
    assert answer.status_code == 422 and ledger.size() == size
    assert f'<span class="reason">{code}</span>' in page if code else 'role="alert"' in page
    assert five[0] in page and builders.PASSWORD not in page and 'type="password"' in page
    assert not re.search(r'type="password"[^>]*value=|value=[^>]*type="password"', page)


def test_caution_is_on_the_page(curator):
    page = plain(curator.get(reverse("discard")))
    for word in ("Biohazardous waste", "Zoonoses", "Sharps", "Formalin", "Local codes decide"):
        assert word in page


def test_from_a_missing_consent_to_the_discard_by_forms_alone(store, sign_in, curator, five):
    lab, some = sign_in("labtech"), five[:2]
    lines = [{"t": code, "role": "subj"} for code in some]
    sent = perform(store.actor("curator"), "handed_off", key=new_id(), at=NOON,
                   data={"to": "TFL", "how": "hand"}, lines=lines)  # fmt: skip
    perform(store.actor("labtech"), "received", key=new_id(), at=NOON, ref=sent.id,
            lines=[line | {"result": "ok"} for line in lines])  # fmt: skip
    said = {"tubes": "\r\n".join(some)} | HOW | SIGNED
    answer = send(lab, reverse("discard"), **said)
    assert answer.status_code == 422 and b"consent_missing" in answer.content
    assert all(codes.show(code) in answer.content.decode() for code in some)
    given = {"tubes": said["tubes"], "agency": store.nlb.pk, "given_by": "Curator in charge",
             "given_on": "2026-05-02", "how": "letter", "reference": "Letter 12"}  # fmt: skip
    assert send(lab, reverse("consent_new"), **(given | {"agency": store.sss.pk})).status_code == 422
    assert send(lab, reverse("consent_new"), **given).url == reverse("consents")
    answer = send(lab, reverse("discard"), **said)
    one = Consent.objects.get()
    assert answer.status_code == 302 and "Letter 12" in plain(lab.get(answer.url))
    assert one.code in plain(lab.get(reverse("consents")))
    answer = lab.post(reverse("consent_end", args=[one.pk]), {"why": ""})
    assert answer.status_code == 422
    assert lab.post(reverse("consent_end", args=[one.pk]), {"why": "changed"}).status_code == 302
    assert "withdrawn" in plain(lab.get(reverse("consents")))


def test_a_rule_is_set_by_form_and_shown(store, curator):
    said = {"plan": "SEAL", "owner": store.sss.pk, "asks": "always", "source": "Agreement 4"}
    assert curator.post(reverse("consent_rules"), said).status_code == 302
    assert "Agreement 4" in plain(curator.get(reverse("consents")))
    assert curator.post(reverse("consent_rules"), said | {"asks": "perhaps"}).status_code == 422
    assert ConsentRule.objects.get().owner == store.sss


# empty tubes ------------------------------------------------------------------------------------


def test_ticked_empty_tubes_are_discarded_together_without_a_witness(store, curator, five):
    emptied(store, five[:3])
    address, size = reverse("empty_tubes"), ledger.size()
    page = curator.get(address)
    assert page.content.decode().count('type="checkbox" name="tubes"') == 3 and "A3" in plain(page)
    assert send(curator, address, tubes=[], method="autoclaved").status_code == 422
    key = key_on(page)
    for _ in range(2):
        answer = curator.post(address, {"key": key, "tubes": five[:2], "method": "autoclaved"})
        assert answer.url == reverse("disposal", args=[key])
    assert ledger.size() == size + 1
    assert ledger.event(key).header["data"] == {"why": "used up", "method": "autoclaved"}
    left = curator.get(address).content.decode()
    assert five[2] in left and five[0] not in left


def test_what_is_not_empty_does_not_pass_through_the_list_of_empty_tubes(store, curator, five):
    emptied(store, five[:1])
    answer = send(curator, reverse("empty_tubes"), tubes=five[:2], method="autoclaved")
    assert answer.status_code == 422 and b"witness_missing" in answer.content
    assert ledger.state(five[0]).status == "stored"


def test_without_empty_tubes_the_page_says_so(curator, five):
    assert "No empty tube stands in a box" in plain(curator.get(reverse("empty_tubes")))


# certificate ------------------------------------------------------------------------------------


def text_of(answer) -> str:
    assert answer["Content-Type"] == "application/pdf"
    pages = pypdfium2.PdfDocument(BytesIO(answer.content))
    return "\n".join(page.get_textpage().get_text_range() for page in pages)


def test_the_certificate_names_tubes_why_how_who_witness_event_and_checkpoint(store, curator, five):
    event = discarded(store, five[:2])
    text = text_of(curator.get(reverse("certificate", args=[event])))
    wanted = [codes.show(code) for code in five[:2]] + [
        "Certificate of disposal", "contaminated", "autoclaved", "Curator (P3)", "Auditor (P5)", event,
        f"Event {ledger.event(event).seq} ", "Signed checkpoint", f"{BOX} A2", "Northlight Biobank",
    ]  # fmt: skip
    assert [word for word in wanted if word not in text] == []


def test_the_certificate_of_a_voided_discard_says_so(store, curator, five):
    event = discarded(store, five[:1])
    assert "VOIDED" not in text_of(curator.get(reverse("certificate", args=[event])))
    perform(store.actor("curator"), "voided", key=new_id(), data={"of": event, "reason": "did_not_occur"})
    assert "VOIDED" in text_of(curator.get(reverse("certificate", args=[event])))
    assert "This does not count any more" in plain(curator.get(reverse("disposal", args=[event])))


# out and back -----------------------------------------------------------------------------------


@pytest.fixture
def bench(store):
    store_actions.add_unit(store.actor("curator"), new_id(), code="NLB-BENCH", kind="bench", name="Bench",
                           reason="new", at=AT)  # fmt: skip
    return "NLB-BENCH"


def carried(store, unit, to, minutes=0):
    return carrying.carry(
        store.actor("curator"), new_id(), unit, to, "to pick", at=NOON + timedelta(minutes=minutes)
    )


def test_what_is_out_is_listed_most_urgent_first_in_words_and_goes_back_by_one_link(
    store, curator, five, bench
):
    more_boxes(store, 1)
    stored(store, make(3, start=11), "NLB-B002")
    carried(store, "NLB-B002", bench)
    store_actions.pull(store.actor("curator"), new_id(), five[:2], "assay", at=NOON + timedelta(minutes=4))
    with time_machine.travel(NOON + timedelta(minutes=5.5), tick=False):
        page = curator.get(reverse("out"))
        html, words = page.content.decode(), plain(page)
        assert html.index("NLB-B002") < html.index(codes.show(five[0]))
        assert "1 min over" in words and "3 min left" in words and "in time" in words
        assert 'http-equiv="refresh"' in html  # looks again without script
        link = re.search(r'href="([^"]*unit=NLB-B002[^"]*)"', html)[1].replace("&amp;", "&")
        form = curator.get(link)
        assert 'value="NLB-B002"' in form.content.decode() and 'value="NLB-R1"' in form.content.decode()
        answer = send(curator, link, unit="NLB-B002", to="NLB-R1")
    thaw = answer.url
    assert "/store/out/thaw/" in thaw
    page = curator.get(thaw)
    assert "3 tubes" in plain(page) and 'value="yes" required' in page.content.decode()
    assert re.search(r'value="yes"[^>]*checked', page.content.decode())  # the proposed answer


def test_the_question_is_answered_once_by_form(store, curator, five, bench):
    carried(store, BOX, bench)
    event = carried(store, BOX, "NLB-R1", 9)
    address, size = reverse("out_thaw", args=[event]), ledger.size()
    with time_machine.travel(NOON + timedelta(minutes=20), tick=False):
        assert "count a thaw?" in plain(curator.get(reverse("out")))
        answer = send(curator, address, counted="no", why=" ")
        assert answer.status_code == 422 and b"reason_required" in answer.content
        key = key_on(curator.get(address))
        for _ in range(2):
            assert curator.post(address, {"key": key, "counted": "yes"}).url == reverse("out")
        assert ledger.size() == size + 1 and {ledger.state(code).thaws for code in five} == {1}
        assert "count a thaw?" not in plain(curator.get(reverse("out")))
    assert curator.get(address).url == reverse("out")
    answer = curator.post(address, {"key": new_id(), "counted": "yes"})
    assert answer.status_code == 422 and b"thaw_not_asked" in answer.content
    assert ThawAnswer.objects.count() == 1


def test_another_agency_s_return_is_not_answered(store, sign_in, five, bench):
    carried(store, BOX, bench)
    event = carried(store, BOX, "NLB-R1", 9)
    assert sign_in("labtech").get(reverse("out_thaw", args=[event])).status_code == 404


def test_a_refused_return_says_why_and_keeps_what_was_typed(store, curator, five, bench):
    carried(store, BOX, bench)
    answer = send(curator, reverse("out_back"), unit=BOX, tubes=five[0], to="NLB-R1")
    assert (
        answer.status_code == 422
        and b"unit_or_tubes" in answer.content
        and five[0] in answer.content.decode()
    )
    answer = send(curator, reverse("out_back"), unit=BOX, to="NOWHERE")
    assert b"unit_unknown" in answer.content


def test_a_limit_is_set_by_form_and_shown_with_its_source(store, curator):
    said = {"band": "nitrogen", "minutes": "1", "source": "SOP 8"}
    assert curator.post(reverse("out_limits"), said).status_code == 302
    assert "1 min (SOP 8)" in plain(curator.get(reverse("out")))
    for wrong in ("0", "1441", ""):
        assert curator.post(reverse("out_limits"), said | {"minutes": wrong}).status_code == 422


# queries ----------------------------------------------------------------------------------------


def asked(client, address) -> int:
    with CaptureQueriesContext(
        connection,
    ) as seen:
        assert client.get(address).status_code == 200, address
    return len(seen)


def prepared(store, boxes, start, bench) -> str:
    """More of everything that the pages list: a discard, empty tubes, boxes and tubes out, open questions."""
    curator = store.actor("curator")
    event = discarded(store, filled(store, make(boxes, start=start)))
    for n in range(boxes):
        first = start + 100 + 4 * n
        name = f"NLB-Q{first:03d}"
        store_actions.add_unit(curator, new_id(), code=name, kind="box", name=name, reason="new", rows=9,
                               cols=9, parent="NLB-R1", at=AT)  # fmt: skip
        some = stored(store, make(4, start=first), name)
        emptied(store, some[:1])
        store_actions.pull(curator, new_id(), some[1:2], "assay", at=NOON)
        store_actions.pull(curator, new_id(), some[2:3], "assay", at=NOON)
        store_actions.put_away(curator, new_id(), some[2:3], BOX, at=NOON + timedelta(minutes=30))
        carried(store, name, bench, 40)
    given = {"agency": store.nlb, "given_by": "Lead", "given_on": AT.date(), "how": "mail", "reference": "1"}
    for n in range(boxes):
        actions.note_consent(curator, new_id(), tubes=make(1, start=start + 100 + 4 * n), **given)
    return event


def test_pages_ask_as_often_for_30_as_for_3(store, curator, bench, monkeypatch):
    monkeypatch.setattr(returned, "LOOKED_AT", 10_000)  # else the older units fall off the newest events
    pages = ["out", "empty_tubes", "consents"]
    with time_machine.travel(NOON + timedelta(minutes=50), tick=False):
        event = prepared(store, 3, 1, bench)
        few = [asked(curator, reverse(name)) for name in pages]
        few.append(asked(curator, reverse("disposal", args=[event])))
        event = prepared(store, 30, 300, bench)
        many = [asked(curator, reverse(name)) for name in pages]
        many.append(asked(curator, reverse("disposal", args=[event])))
        found = curator.get(reverse("out")).content.decode()
    assert found.count('<li data-state="') == 66 and found.count("not answered") == 33
    assert many == few and max(few) <= 40


def test_a_discard_asks_as_often_for_30_tubes_as_for_3(store, curator):
    def asked_by(start, number):
        some = filled(store, make(number, start=start))
        key = key_on(curator.get(reverse("discard")))
        said = {"key": key, "tubes": "\n".join(some)} | HOW | SIGNED
        with CaptureQueriesContext(connection) as seen:
            assert curator.post(reverse("discard"), said).status_code == 302
        return len(seen)

    asked_by(1, 3)  # the first makes the checkpoint's key
    few, many = asked_by(10, 3), asked_by(20, 30)
    assert many <= few + 1, (few, many)  # a tile of the log more may be stored
    assert Person.objects.count() == 5
