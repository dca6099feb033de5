"""Discarding: what it writes, what it refuses, who must watch, whose consent is needed.

What must be asked (reason, method, witness, the owner first) is common practice of biobanks, no source; the
words of the reasons are those that curators use.
"""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.test import RequestFactory

from biobank.acting import perform
from biobank.core import codes
from biobank.disposal import actions, owners, queries
from biobank.disposal.witness import Claim
from biobank.models import Consent, ConsentRule, Person, Role
from biobank.store import actions as store_actions
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.lab import (
    DRAWN,
    EDTA,
    GEL,
    HEPARIN,
    MADE,
    RED,
    STORED,
    aliquots,
    lab_set,
    primary,
    refused,
)

pytestmark = pytest.mark.django_db
BOX = "NLB-B001"
LATER = STORED + timedelta(hours=1)
TODAY = LATER.date()


@pytest.fixture
def labtech(store):
    return store.actor("labtech")


@pytest.fixture
def tubes(store):
    """Drawn by Tarn Field Laboratory itself, so it owns them."""
    return lab_set(store)


@pytest.fixture
def theirs(store):
    """Drawn by the survey, held by the laboratory."""
    made = lab_set(store, role="fieldtech")
    given = [{"t": primary(made, number), "role": "subj"} for number in (RED, GEL, HEPARIN, EDTA)]
    sent = perform(store.actor("fieldtech"), "handed_off", key=new_id(), at=MADE,
                   data={"to": "TFL", "how": "hand"}, lines=given)  # fmt: skip
    perform(store.actor("labtech"), "received", key=new_id(), at=MADE, ref=sent.id,
            lines=[line | {"result": "ok"} for line in given])  # fmt: skip
    return made


def seen_by(person):
    return lambda actor: person


def discard(actor, some, why="contaminated", method="autoclaved", at=LATER, **more):
    more.setdefault("witness", seen_by(Person.objects.get(code="P3")))  # the curator watches
    return actions.discard(actor, more.pop("key", None) or new_id(), some, why, method, at, **more)


def used(actor, code, at=MADE):
    """All of it was divided: nothing is left, by the ledger."""
    ul = ledger.state(code).volume_ul
    perform(actor, "aliquoted", key=new_id(), at=at, data={"loss_ul": ul},
            lines=[{"t": code, "role": "from", "ul": ul}])  # fmt: skip
    return code


def agreed(actor, some, agency, **more):
    said = {"given_by": "Survey lead", "given_on": TODAY, "how": "letter", "reference": "Letter 7"}
    return actions.note_consent(actor, new_id(), agency=agency, tubes=some, **(said | more))


# the act ----------------------------------------------------------------------------------------


def test_one_event_says_why_how_and_who_watched_and_the_slot_is_free(store, labtech, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    store_actions.put_away(labtech, new_id(), [red, gel], BOX, at=STORED)
    key, size = new_id(), ledger.size()
    for _ in range(2):
        assert discard(labtech, [red], "failed storage", key=key, note="lid cracked") == key
    assert ledger.size() == size + 1
    assert ledger.event(key).header["data"] == {
        "why": "failed storage", "method": "autoclaved", "note": "lid cracked", "witness": "P3",
    }  # fmt: skip
    state = ledger.state(red)
    assert (state.status, state.unit, state.custodian) == ("discarded", None, None)
    assert ledger.box(BOX) == {(1, 2): gel}


def test_a_key_of_another_form_is_not_taken_for_it(labtech, tubes):
    key = store_actions.thaw(labtech, new_id(), [primary(tubes, RED)], at=MADE)
    with refused("key_reused"):
        discard(labtech, [primary(tubes, RED)], key=key)


@pytest.mark.parametrize("why, method, code", [
    ("", "autoclaved", "reason_required"),
    ("other", "autoclaved", "note_required"),
    ("duplicate", "other", "note_required"),
])  # fmt: skip
def test_a_reason_is_needed_and_other_says_what(labtech, tubes, why, method, code):
    with refused(code):
        discard(labtech, [primary(tubes, RED)], why, method)
    if code == "note_required":
        discard(labtech, [primary(tubes, RED)], why, method, note="label printed twice")
        assert ledger.state(primary(tubes, RED)).status == "discarded"


def test_never_what_others_hold_what_is_in_dispute_or_in_reserve(store, labtech, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    others = lab_set(store, role="fieldtech")
    with refused("not_the_custodian", "SSS holds"):
        discard(labtech, [primary(others, RED)])
    for kind, data, code, lifted, undo in [
        ("reserved", {}, "tube_reserved", "released", {}),
        ("discrepancy_noted", {"code": "label_torn"}, "tube_in_dispute", "discrepancy_resolved",
         {"code": "label_torn"}),
    ]:  # fmt: skip
        perform(labtech, kind, key=new_id(), at=STORED, data=data, lines=[{"t": red, "role": "subj"}])
        with refused(code, codes.show(red)):
            discard(labtech, [gel, red])
        perform(labtech, lifted, key=new_id(), at=STORED, data=undo, lines=[{"t": red, "role": "subj"}])
    discard(labtech, [gel, red])
    assert {ledger.state(code).status for code in (red, gel)} == {"discarded"}


def test_a_tube_that_is_reserved_while_somebody_types_is_not_discarded(labtech, tubes, monkeypatch):
    """The look before and the look inside the transaction: the second is asked too."""
    red = primary(tubes, RED)

    def meanwhile(actor):
        perform(labtech, "reserved", key=new_id(), at=STORED, lines=[{"t": red, "role": "subj"}])
        return Person.objects.get(code="P3")

    with pytest.raises(actions.Refused) as no:
        discard(labtech, [red], witness=meanwhile)
    assert no.value.code == "tube_reserved" and ledger.state(red).status == "held"


# witness ----------------------------------------------------------------------------------------


def claim(login, password=builders.PASSWORD):
    return Claim(RequestFactory().post("/"), login, password).confirmed


def test_somebody_else_must_watch_unless_the_ledger_has_them_all_as_empty(labtech, tubes):
    empty = used(labtech, primary(tubes, RED))
    with refused("witness_missing", codes.show(primary(tubes, GEL))):
        discard(labtech, [empty, primary(tubes, GEL)], witness=actions.nobody)
    with refused("witness_missing"):  # never measured: the word of one person is not enough
        discard(labtech, [primary(tubes, 6)], "used up", witness=actions.nobody)
    key = discard(labtech, [empty], "used up", witness=actions.nobody)
    assert "witness" not in ledger.event(key).header["data"]


def test_the_witness_is_known_by_the_own_password_and_is_another_person(store, labtech, tubes):
    red = [primary(tubes, RED)]
    for login, password, code in [
        ("curator", "wrong", "witness_not_known"), ("nobody", builders.PASSWORD, "witness_not_known"),
        ("curator", "", "witness_not_known"), ("", builders.PASSWORD, "witness_not_known"),
        ("labtech", builders.PASSWORD, "witness_acts"),
        ("collaborator", builders.PASSWORD, "witness_elsewhere"),
    ]:  # fmt: skip
        with refused(code):
            discard(labtech, red, witness=claim(login, password))
    key = discard(labtech, red, witness=claim(" auditor "))
    assert ledger.event(key).header["data"]["witness"] == "P5"
    assert builders.PASSWORD not in str(ledger.event(key)) and builders.PASSWORD not in repr(claim("x"))


def test_somebody_of_another_programme_is_no_witness(store, labtech, tubes):
    other = builders.Programme.objects.create(code="OTHER", name="Another survey")
    builders.make_person(other, store.nlb, Role.CURATOR, "P9", "stranger")
    with refused("witness_elsewhere"):
        discard(labtech, [primary(tubes, RED)], witness=claim("stranger"))


def test_no_password_is_asked_for_what_is_refused_anyway(store, labtech, tubes):
    def never(actor):
        raise AssertionError("asked")

    with refused("tube_unknown"):
        discard(labtech, [codes.make("Y7777", 1)], witness=never)
    with refused("reason_required"):
        discard(labtech, [primary(tubes, RED)], "", witness=never)


# owner and consent --------------------------------------------------------------------------------


def test_the_owner_is_who_drew_it_and_what_was_made_of_it_is_the_same_owner_s(store, labtech, theirs):
    red, vial = primary(theirs, RED), aliquots(theirs, RED)[0]
    made = [{"t": red, "role": "from", "ul": 1000}, {"t": vial, "role": "to", "of": red, "ul": 1000}]
    perform(labtech, "aliquoted", key=new_id(), at=STORED, data={"loss_ul": 0}, lines=made)
    assert ledger.state(vial).custodian == "TFL"
    assert owners.who_drew([red, vial]) == {red: "SSS", vial: "SSS"}
    empty_label = builders.printed_set(store)  # not drawn: whoever printed it
    assert owners.who_drew([primary(empty_label, RED)]) == {primary(empty_label, RED): "SSS"}


def test_a_draw_that_was_voided_makes_nobody_the_owner(store, labtech, tubes):
    red = primary(tubes, RED)
    drew = next(one.id for one in ledger.history(red) if one.kind == "drawn")
    perform(labtech, "voided", key=new_id(), data={"of": drew, "reason": "did_not_occur"})
    assert owners.who_drew([red]) == {red: "SSS"}  # who printed the label


def test_another_agency_s_tubes_need_its_consent_and_the_refusal_names_them(store, labtech, theirs, tubes):
    red, gel, own = primary(theirs, RED), primary(theirs, GEL), primary(tubes, RED)
    with refused("consent_missing", "(SSS)") as _:
        discard(labtech, [own, red, gel])
    agreed(labtech, [red], store.sss)
    with refused("consent_missing", codes.show(gel)):
        discard(labtech, [own, red, gel])
    second = agreed(labtech, [gel], store.sss)
    key = discard(labtech, [own, red, gel])
    first = Consent.objects.get(tubes__tube=red)
    assert ledger.event(key).header["data"]["consent"] == f"{first.code}, {second.code}"


def test_the_refusal_names_the_first_twenty_and_counts_the_rest(store, labtech):
    from tests.biobank.boxes import filled
    from tests.biobank.boxes import tubes as make

    some = filled(store, make(23))  # drawn by Northlight
    given = [{"t": code, "role": "subj"} for code in some]
    sent = perform(store.actor("curator"), "handed_off", key=new_id(), at=LATER,
                   data={"to": "TFL", "how": "hand"}, lines=given)  # fmt: skip
    perform(labtech, "received", key=new_id(), at=LATER, ref=sent.id,
            lines=[line | {"result": "ok"} for line in given])  # fmt: skip
    with pytest.raises(actions.Refused) as no:
        discard(labtech, some)
    named = [code for code in some if codes.show(code) in no.value.sentence]
    assert named == some[:20] and "and 3 more" in no.value.sentence


def test_a_consent_counts_from_its_day_and_until_it_is_withdrawn(store, labtech, theirs):
    red, gel = primary(theirs, RED), primary(theirs, GEL)
    one = agreed(labtech, [red, gel], store.sss, given_on=TODAY + timedelta(days=1))
    with refused("consent_missing"):
        discard(labtech, [red])
    discard(labtech, [red], at=LATER + timedelta(days=1))
    with pytest.raises(actions.Refused, match="why"):
        actions.withdraw_consent(labtech, one, " ")
    actions.withdraw_consent(labtech, one, "the owner wants them back")
    with refused("consent_missing"):
        discard(labtech, [gel], at=LATER + timedelta(days=1))
    assert one.history.first().history_change_reason == "the owner wants them back"


def test_empty_tubes_of_others_need_no_consent_unless_a_rule_says_always(store, labtech, theirs):
    red, gel = (used(labtech, primary(theirs, number), at=STORED) for number in (RED, GEL))
    discard(labtech, [red], "used up", witness=actions.nobody)
    actions.set_rule(store.actor("curator"), plan="SEAL", owner=None, asks="always", source="Agreement 3")
    with refused("consent_missing", codes.show(gel)):
        discard(labtech, [gel], "used up", witness=actions.nobody)


def test_a_rule_of_the_plan_comes_before_one_of_the_programme(store, labtech, theirs, tubes):
    curator = store.actor("curator")
    actions.set_rule(curator, plan="", owner=None, asks="always", source="Agreement 1")
    with refused("consent_missing"):
        discard(labtech, [primary(tubes, RED)])  # its own, and still
    actions.set_rule(curator, plan="SEAL", owner=None, asks="never", source="Agreement 2")
    discard(labtech, [primary(tubes, RED), primary(theirs, RED)])


def test_a_rule_may_name_another_owner_and_only_that_owner_can_agree(store, labtech, tubes):
    red = primary(tubes, RED)
    actions.set_rule(store.actor("curator"), plan="SEAL", owner=store.nlb, asks="others", source="Deed 1")
    with refused("consent_missing", "(NLB)"):
        discard(labtech, [red])
    with refused("consent_not_theirs", "belongs to NLB"):
        agreed(labtech, [red], store.tfl)
    agreed(labtech, [red], store.nlb)
    discard(labtech, [red])


def test_a_rule_is_changed_in_place_with_its_history(store):
    curator = store.actor("curator")
    for asks, source in [("always", "Agreement 1"), ("never", "Agreement 2")]:
        actions.set_rule(curator, plan="SEAL", owner=None, asks=asks, source=source)
    rule = ConsentRule.objects.get()
    assert rule.asks == "never"
    assert [one.history_change_reason for one in rule.history.all()] == ["Agreement 2", "Agreement 1"]
    with refused("plan_unknown"):
        actions.set_rule(curator, plan="NONE", owner=None, asks="always", source="x")
    with refused("reason_required"):
        actions.set_rule(curator, plan="SEAL", owner=None, asks="always", source=" ")


def test_a_consent_to_a_box_is_about_what_is_in_it_then(store, labtech, theirs):
    red, gel = primary(theirs, RED), primary(theirs, GEL)
    with refused("box_empty"):
        agreed(labtech, [], store.sss, box=BOX)
    store_actions.put_away(labtech, new_id(), [red], BOX, at=STORED)
    one = agreed(labtech, [], store.sss, box="nlb-b001")
    store_actions.put_away(labtech, new_id(), [gel], BOX, at=STORED)
    assert [row.tube for row in one.tubes.all()] == [red] and one.box == BOX
    with refused("consent_missing", codes.show(gel)):
        discard(labtech, [red, gel])


def test_what_is_no_consent(store, labtech, theirs):
    with refused("nothing_named"):
        agreed(labtech, [], store.sss)
    with refused("tube_unknown"):
        agreed(labtech, [codes.make("Y7777", 1)], store.sss)
    with refused("date_in_future"):
        agreed(labtech, [primary(theirs, RED)], store.sss, given_on=date(2126, 1, 1))
    assert not Consent.objects.exists()


def test_the_same_consent_twice_is_one(store, labtech, theirs):
    key, red = new_id(), primary(theirs, RED)
    said = {"agency": store.sss, "given_by": "Lead", "given_on": TODAY, "how": "mail", "reference": "Mail 2"}
    assert actions.note_consent(labtech, key, tubes=[red, red], **said) == actions.note_consent(
        labtech, key, tubes=[red, red], **said
    )
    assert Consent.objects.get().tubes.count() == 1


# reading ----------------------------------------------------------------------------------------


def test_empty_tubes_in_boxes_are_listed_by_box_with_what_keeps_them(store, labtech, tubes):
    red, gel, heparin = (primary(tubes, number) for number in (RED, GEL, HEPARIN))
    store_actions.put_away(labtech, new_id(), [red, gel, heparin], BOX, at=DRAWN)
    used(labtech, red), used(labtech, gel)
    perform(labtech, "reserved", key=new_id(), at=STORED, lines=[{"t": gel, "role": "subj"}])
    (box,) = queries.empties("TFL")
    assert box.unit == BOX
    assert [(one.tube, slot, kept) for one, slot, kept in box.tubes] == [
        (red, "A1", ""), (gel, "A2", "in reserve"),
    ]  # fmt: skip
    assert queries.empties("NLB") == []
    discard(labtech, [red], "used up", witness=actions.nobody)
    assert [one.tube for one, _, _ in queries.empties("TFL")[0].tubes] == [gel]


def test_a_discard_tells_where_each_stood_whose_it_was_and_on_what_consent(store, labtech, theirs):
    red = primary(theirs, RED)
    store_actions.put_away(labtech, new_id(), [red], BOX, "C4", at=STORED)
    one = agreed(labtech, [red], store.sss)
    key = discard(labtech, [red])
    told = queries.disposal(ledger.told([key])[key])
    (gone,) = told.tubes
    assert (gone.code, gone.owner, gone.place, gone.state.volume_ul) == (red, "SSS", f"{BOX} C4", 10000)
    assert (told.who, told.witness, told.witness_agency) == ("Lab", "Curator", "Northlight Biobank")
    assert told.consents == [one] and not told.empty
