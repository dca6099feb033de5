"""What devices send: idempotent, in any order, item by item, and what is held is settled by somebody."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from django.db import transaction

from custody import devices, queries, sync
from custody.core.fold import FUTURE_MS
from custody.core.refusal import Refused
from custody.models import Device, Event, Finding, Head, Held, Line, TubeState, UnitState
from custody.rebuild import differences
from custody.record import record
from custody.verify import verify
from tests.custody.phone import Phone, item, signing
from tests.custody.test_tamper import unguarded

pytestmark = pytest.mark.django_db


@pytest.fixture
def phone(db) -> Phone:
    return Phone().registered()


def words(verdicts: list[sync.Verdict]) -> list[str]:
    return [one.word for one in verdicts]


def take(phone: Phone, *items, login: str = "fieldtech") -> list[sync.Verdict]:
    return sync.take(phone.code, items, login)


def day(phone: Phone) -> list[dict]:
    """Two tubes printed, drawn, spun; one put away."""
    return [
        phone.says("label_printed", ["T1", "T2"], 0, role="new"),
        phone.says("drawn", ["T1", "T2"], 10, ul=1_000),
        phone.says("spun", ["T1", "T2"], 50, data={"g": 1500, "minutes": 10}),
        phone.says("put_away", "T1", 70, unit="B1", row=1, col=1),
    ]


def sound() -> None:
    """What must hold after anything: hashes, numbers, and state equals rebuild."""
    assert verify().wrong == []
    assert differences() == []


# --- the same event is the same event --------------------------------------------------------------


def test_what_a_device_says_is_stored_as_the_texts_that_it_hashed(phone):
    items = day(phone)
    assert words(take(phone, *items)) == ["new"] * 4
    stored = Event.objects.order_by("seq")
    assert [one.body for one in stored] == [one["header"] for one in items]
    assert [bytes(one.salt).hex() for one in stored] == [one["salt"] for one in items]
    assert list(Line.objects.order_by("event__seq", "n").values_list("text", flat=True)) == [
        text for one in items for text in one["lines"]
    ]
    assert {one.via for one in stored} == {"sync"} and {one.login for one in stored} == {"fieldtech"}
    sound()


def test_sent_again_it_is_there_already(phone):
    items = day(phone)
    take(phone, *items)
    assert words(take(phone, *items, *items)) == ["have"] * 8
    assert Event.objects.count() == Head.objects.get().size == 4
    assert not Held.objects.exists()


def test_a_reused_id_with_other_text_is_held(phone):
    act = phone.act("label_printed", "T1", 0, role="new")
    assert words(take(phone, phone.sent(act))) == ["new"]
    changed = phone.sent(replace(act, at_ms=act.at_ms + 1))
    (verdict,) = take(phone, changed)
    assert (verdict.word, verdict.code, verdict.id) == ("held", "key_reused", act.id)
    assert Event.objects.count() == 1


def test_a_reused_number_is_held(phone):
    take(phone, phone.says("label_printed", "T1", 0, role="new"))
    phone.n -= 1
    (verdict,) = take(phone, phone.says("label_printed", "T2", 1, role="new"))
    assert (verdict.word, verdict.code) == ("held", "device_number_once")
    assert queries.state("T2") is None


def test_the_same_salt_and_lines_are_not_a_new_event_but_another_salt_is_another_text(phone):
    act = phone.act("label_printed", "T1", 0, role="new")
    take(phone, phone.sent(act))
    assert take(phone, phone.sent(act))[0].code == "key_reused"  # a fresh salt, so another root


def test_missing_numbers_are_reported_and_held_ones_are_not_missing(phone):
    said = [phone.says("label_printed", f"T{n}", n, role="new") for n in range(1, 10)]
    held = phone.says("no_such_kind", "T1", 10)  # number 10
    take(phone, said[1], said[2], said[5], held)  # 2, 3, 6
    assert queries.missing_numbers("D-1") == [(1, 1), (4, 5), (7, 9)]
    take(phone, *said)
    assert queries.missing_numbers("D-1") == []
    assert queries.missing_numbers("D-2") == []


# --- any order, any repetition ---------------------------------------------------------------------


def world(dice: random.Random) -> list[tuple[Phone, dict]]:
    """A made-up day of two phones of one agency and one of another: clashes, corrections, voids of voids,
    handoffs answered by clocks that run ahead, more taken out of a tube than was in it, a loop of units."""
    phones = [Phone("D-1"), Phone("D-2", by="p2"), Phone("D-3", org="TFL", by="p3")]
    tubes = ["T1", "T2", "T3"]
    said = [(phones[0], phones[0].act("label_printed", tubes, 0, role="new"))]
    if dice.random() < 0.7:
        said.append((phones[0], phones[0].act("drawn", tubes, dice.randint(1, 9), ul=900)))
    for _ in range(dice.randint(8, 24)):
        phone = dice.choice(phones)
        minute, tube = dice.randint(1, 60), dice.choice(tubes)
        mine = [act for _, act in said if act.org == phone.org]
        target = dice.choice(mine).id if mine else None
        kinds = [
            "drawn",
            "put_away",
            "put_away",
            "handed_off",
            "received",
            "aliquoted",
            "thawed",
            "discarded",
            "moved",
        ]
        kind = dice.choice(kinds + ["voided", "corrected"] * 2)
        match kind:
            case "drawn":
                act = phone.act(kind, tube, minute, ul=dice.choice([500, 900]))
            case "put_away":
                act = phone.act(kind, tube, minute, unit="B1", row=1, col=1)
            case "handed_off":
                act = phone.act(kind, tube, minute, data={"to": dice.choice(["TFL", "SSS"]), "how": "hand"})
            case "received":
                sent = [one.id for _, one in said if one.kind == "handed_off"]
                ref = dice.choice(sent) if sent else None
                act = phone.act(kind, tube, minute, ref=ref, result=dice.choice(["ok", "extra", "missing"]))
            case "aliquoted":
                child = f"A{phone.n}-{phone.code}"
                lines = [{"t": tube, "role": "from", "ul": dice.choice([200, 600])},
                         {"t": child, "role": "to", "of": tube, "ul": 300}]  # fmt: skip
                act = phone.act(kind, tube, minute, lines=lines)
            case "moved":
                unit, to = dice.sample(["U1", "U2", "U3"], 2)
                act = phone.act(kind, tube, minute, lines=[{"u": unit, "role": "subj", "to": to}])
            case "voided" if target:
                act = phone.act(kind, [], minute, data={"of": target, "reason": "did_not_occur"})
            case "corrected" if target:
                fix = {"off": 60, "at": phone.act("x", [], dice.randint(1, 60)).at_ms}
                phone.n -= 1
                data = {"of": target, "reason": "incorrect_data", "set": fix}
                act = phone.act(kind, [], minute, data=data)
            case _:
                act = phone.act("thawed", tube, minute)
        said.append((phone, act))
    return [(phone, phone.sent(act)) for phone, act in said]


def outcome() -> tuple:
    """Everything that is derived, but for the number of the last event: that is the order of arrival."""
    tubes = [
        {name: value for name, value in row.items() if name != "seq"}
        for row in TubeState.objects.order_by("tube").values()
    ]
    units = [
        {name: value for name, value in row.items() if name != "seq"}
        for row in UnitState.objects.order_by("unit").values()
    ]
    findings = sorted(Finding.objects.values_list("code", "subject", "event"))
    held = sorted(Held.objects.filter(settled_as="").values_list("code", "event_id"))
    return tubes, units, findings, held, Event.objects.count()


def delivered(sent: list[tuple[Phone, dict]], dice: random.Random) -> tuple:
    """The outcome when it comes in this order, in batches of any size, some of them again."""
    todo = list(sent)
    while todo:
        size = dice.randint(1, 5)
        batch, todo = todo[:size], todo[size:]
        for code in {phone.code for phone, _ in batch}:
            items = [one for phone, one in batch if phone.code == code]
            sync.take(code, items + dice.sample(items, dice.randint(0, len(items))), "fieldtech")
    sound()
    return outcome()


@contextmanager
def undone() -> Iterator[None]:
    """A ledger of its own: rows cannot be deleted, so all of it is rolled back."""
    block = transaction.atomic()
    block._from_testcase = True  # the writer's transaction may be inside this one, as in any test
    with block:
        yield
        transaction.set_rollback(True)


@pytest.mark.parametrize("seed", range(12))
def test_shuffled_and_repeated_delivery_gives_the_same_states(db, seed):
    dice = random.Random(seed)
    sent = world(dice)
    seen = []
    for _ in range(4):
        with undone():
            for phone in {id(one): one for one, _ in sent}.values():
                phone.registered()
            seen.append(delivered(sent, dice))
        dice.shuffle(sent)
    assert seen[0] == seen[1] == seen[2] == seen[3]
    assert seen[0][4] >= 3


def test_the_worlds_hold_what_they_are_for(db):
    """Otherwise the test above shows less than it says."""
    codes: set[str] = set()
    for seed in range(12):
        with undone():
            sent = world(random.Random(seed))
            for phone in {id(one): one for one, _ in sent}.values():
                phone.registered()
            tubes, _, findings, held, _ = delivered(sent, random.Random(seed))
            codes |= {code for code, *_ in findings} | {code for code, _ in held}
            codes |= {"contested"} if any(one["contested"] for one in tubes) else set()
    assert {"drawn_twice", "contested", "aliquot_balances", "unit_inside_itself"} <= codes, codes


def test_two_corrections_count_by_when_they_were_said_not_by_when_they_came(phone):
    drawn = phone.act("drawn", "T1", 10, ul=100)
    take(phone, phone.says("label_printed", "T1", 0, role="new"), phone.sent(drawn))
    older, newer = (
        phone.says("corrected", [], minute, data={
            "of": drawn.id, "reason": "incorrect_data", "set": {"lines": [{"n": 0, "ul": ul}]}})
        for minute, ul in [(20, 200), (30, 300)]
    )  # fmt: skip
    assert words(take(phone, newer, older)) == ["new", "new"]
    assert queries.state("T1").volume_ul == 300
    sound()


def test_an_answer_that_came_first_takes_its_place_when_what_it_answers_comes(phone):
    """An extra tube is not on the handoff, so the handoff's own lines would not remind of it."""
    sent = phone.act("handed_off", "T1", 30, data={"to": "SSS", "how": "hand"})
    received = phone.says("received", "T2", 25, ref=sent.id, result="extra")  # a clock five minutes behind
    take(
        phone, phone.says("label_printed", ["T1", "T2"], 0, role="new"), phone.says("drawn", ["T1", "T2"], 1)
    )
    take(phone, received, phone.says("discrepancy_resolved", "T2", 27, data={"code": "x"}))
    take(phone, phone.sent(sent))
    sound()


def test_what_amends_an_event_waits_until_it_comes(phone):
    take(phone, phone.says("label_printed", "T1", 0, role="new"))
    drawn = phone.act("drawn", "T1", 10, ul=100)
    void = phone.act("voided", [], 20, data={"of": drawn.id, "reason": "did_not_occur"})
    back = phone.act("voided", [], 30, data={"of": void.id, "reason": "did_not_occur"})
    assert [one.code for one in take(phone, phone.sent(back), phone.sent(void))] == ["event_unknown"] * 2
    assert queries.count_waiting() == 2
    assert words(take(phone, phone.sent(drawn))) == ["new"]
    assert queries.count_waiting() == 0
    assert queries.state("T1").status == "held"  # the void was voided
    assert {one.settled_as for one in Held.objects.all()} == {"arrived"}
    sound()


def test_in_one_batch_it_is_new_at_once(phone):
    drawn = phone.act("label_printed", "T1", 0, role="new")
    void = phone.says("voided", [], 20, data={"of": drawn.id, "reason": "did_not_occur"})
    assert words(take(phone, void, phone.sent(drawn))) == ["new", "new"]
    assert queries.state("T1").status == "void"


def test_two_events_that_amend_each_other_wait_for_ever(phone):
    one, other = (phone.act("voided", [], 5, data={"of": "", "reason": "did_not_occur"}) for _ in range(2))
    one = replace(one, data={"of": other.id, "reason": "did_not_occur"})
    other = replace(other, data={"of": one.id, "reason": "did_not_occur"})
    assert words(take(phone, phone.sent(one), phone.sent(other))) == ["held", "held"]
    assert words(take(phone, phone.sent(phone.act("label_printed", "T1", 0, role="new")))) == ["new"]


# --- what broke an invariant is kept and found -----------------------------------------------------


def test_a_contested_slot_is_nobodys_until_somebody_looked(phone):
    other = Phone("D-2", by="p2").registered()
    take(
        phone, phone.says("label_printed", ["T1", "T2"], 0, role="new"), phone.says("drawn", ["T1", "T2"], 1)
    )
    take(phone, phone.says("put_away", "T1", 10, unit="B1", row=1, col=1))
    take(other, other.says("put_away", "T2", 11, unit="B1", row=1, col=1))
    assert {one.tube for one in queries.find(contested=True)} == {"T1", "T2"}
    assert queries.box("B1") == {}
    take(other, other.says("moved", "T2", 20, unit="B1", row=1, col=2))
    assert queries.box("B1") == {(1, 1): "T1", (1, 2): "T2"}
    sound()


def test_a_late_event_falls_into_its_place(phone):
    early = phone.says("put_away", "T1", 20, unit="B1", row=1, col=1)
    take(phone, phone.says("label_printed", "T1", 0, role="new"), phone.says("drawn", "T1", 10, ul=900))
    take(phone, phone.says("moved", "T1", 30, unit="B2", row=2, col=2))
    take(phone, early)
    assert (queries.state("T1").unit, queries.findings()) == ("B2", [])
    assert [stay.unit for stay in queries.stays("T1")] == ["B1", "B2"]
    sound()


def test_more_given_than_taken_is_kept_and_found_and_closed_by_a_correction(phone):
    take(phone, phone.says("label_printed", "T1", 0, role="new"), phone.says("drawn", "T1", 1, ul=900))
    lines = [{"t": "T1", "role": "from", "ul": 200}, {"t": "A1", "role": "to", "of": "T1", "ul": 300}]
    act = phone.act("aliquoted", "T1", 5, lines=lines)
    assert words(take(phone, phone.sent(act))) == ["new"]
    assert [(one.code, one.subject) for one in queries.findings()] == [("aliquot_balances", "T1")]
    sound()
    take(phone, phone.says("thawed", "A1", 6))  # an event of the child alone leaves the finding of the parent
    fix = {"of": act.id, "reason": "incorrect_data", "set": {"lines": [{"n": 1, "ul": 100}]}}
    assert words(take(phone, phone.says("corrected", [], 9, data=fix))) == ["new"]
    assert queries.findings() == [] and queries.state("A1").volume_ul == 100
    sound()


def test_a_loop_of_units_is_kept_and_found_until_one_is_moved_out(phone):
    def into(unit, to, minute):
        return phone.says("moved", [], minute, lines=[{"u": unit, "role": "subj", "to": to}])

    take(phone, into("U1", "U2", 1), into("U2", "U1", 2), into("U3", "U3", 3))
    found = {(one.code, one.subject) for one in queries.findings()}
    assert found == {("unit_inside_itself", unit) for unit in ("U1", "U2", "U3")}
    sound()
    take(phone, into("U2", "F1", 4))
    assert [one.subject for one in queries.findings()] == ["U3"]
    sound()


def test_a_finding_is_closed_by_an_event_that_names_it(phone, say):
    take(phone, phone.says("label_printed", "T1", 0, role="new"))
    twice = phone.act("drawn", "T1", 5, ul=1)
    take(phone, phone.says("drawn", "T1", 3, ul=900), phone.sent(twice))
    assert [one.code for one in queries.findings("T1")] == ["drawn_twice"]
    done = say(
        "discrepancy_resolved", "T1", 9, data={"code": "drawn_twice", "finding": twice.id, "note": "one tube"}
    )
    assert queries.findings("T1") == [] and queries.state("T1").disputes == 0
    sound()
    say("voided", [], 9, data={"of": done.id, "reason": "did_not_occur"}, strict=False)
    assert [one.code for one in queries.findings("T1")] == ["drawn_twice"]
    sound()


# --- who may say it, and what somebody may let in --------------------------------------------------


def stranger(phone: Phone) -> list[tuple[str, dict]]:
    """(code, item) of everything that this phone may not say."""
    other = Phone("D-7")
    theirs = phone.act("label_printed", "T9", 0, role="new", org="TFL")
    return [
        ("device_foreign", other.says("label_printed", "T9", 0, role="new")),
        ("agency_foreign", phone.sent(theirs)),
        ("number_missing", phone.sent(replace(phone.act("label_printed", "T9", 0, role="new"), extra={}))),
    ]


def test_who_may_not_say_it_is_held_and_can_be_let_in(phone):
    for code, one in stranger(phone):
        (verdict,) = take(phone, one)
        assert (verdict.word, verdict.code) == ("held", code)
        assert not Event.objects.filter(event_id=verdict.id).exists()
        done = sync.let_in(verdict.held, login="curator", note="seen the phone")
        assert done.new
        stored = Event.objects.get(event_id=done.id)
        assert (stored.via, stored.login, stored.body) == ("review", "curator", one["header"])
        assert words(take(phone, one)) == ["have"]
    sound()


def test_an_unknown_device_is_held_and_goes_in_once_it_is_registered(db):
    phone = Phone("D-5")
    one = phone.says("label_printed", "T1", 0, role="new")
    assert take(phone, one)[0].code == "device_unknown"
    phone.registered()
    assert words(take(phone, one)) == ["new"]
    assert Held.objects.get().settled_as == "arrived"


def test_a_person_s_phone_writes_for_that_person_alone(db):
    phone = Phone("D-5", by="p1").registered(person="p1")
    assert words(take(phone, phone.says("label_printed", "T1", 0, role="new"))) == ["new"]
    act = phone.act("label_printed", "T2", 0, role="new", rec_by="p2")
    assert take(phone, phone.sent(act))[0].code == "person_foreign"


def test_a_device_amends_only_what_its_own_agency_said(phone, say):
    printed = say("label_printed", "T1", 0, role="new", org="TFL")
    void = phone.says("voided", [], 3, data={"of": printed.id, "reason": "did_not_occur"})
    (verdict,) = take(phone, void)
    assert verdict.code == "amends_foreign"
    sync.let_in(verdict.held, login="curator", note="the laboratory agrees")
    assert queries.state("T1").status == "void"


def test_a_correction_cannot_give_an_event_to_another_agency(phone):
    act = phone.act("label_printed", "T1", 0, role="new")
    take(phone, phone.sent(act))
    data = {"of": act.id, "reason": "incorrect_data", "set": {"org": "TFL"}}
    assert take(phone, phone.says("corrected", [], 3, data=data))[0].code == "amends_foreign"
    assert queries.state("T1").custodian == "SSS"


def test_a_correction_typed_in_the_future_does_not_overrule_all_that_follow(phone):
    """The newest by when it was typed counts, so a clock that runs years ahead would win for years."""
    act = phone.act("label_printed", "T1", 0, role="new")
    take(phone, phone.sent(act))
    data = {"of": act.id, "reason": "incorrect_data", "set": {"by": "p9"}}
    fix = phone.act("corrected", [], 3, data=data)
    ahead = round(time.time() * 1000) + FUTURE_MS + 60_000
    (verdict,) = take(phone, phone.sent(replace(fix, rec_at=ahead)))
    assert (verdict.word, verdict.code) == ("held", "amends_in_future")
    assert queries.state("T1").by == "p1"
    (verdict,) = take(
        phone, phone.sent(replace(phone.act("corrected", [], 3, data=data), rec_at=ahead - 120_000))
    )
    assert verdict.word == "new"


def test_a_finding_is_not_closed_from_afar(phone):
    data = {"code": "drawn_twice", "finding": phone.act("x", [], 1).id}
    assert take(phone, phone.says("discrepancy_resolved", "T1", 3, data=data))[0].code == "closes_finding"


def test_what_is_wrong_in_itself_cannot_be_let_in(phone):
    (verdict,) = take(phone, phone.says("no_such_kind", "T1", 0))
    with pytest.raises(Refused) as no:
        sync.let_in(verdict.held, login="curator", note="please")
    assert no.value.code == "kind_unknown"
    assert queries.count_waiting() == 1
    sync.set_aside(verdict.held, login="curator", note="an old version; typed anew")
    assert queries.count_waiting() == 0
    row = queries.held_item(verdict.held)
    assert (row.settled_as, row.settled_by, row.note) == (
        "set_aside",
        "curator",
        "an old version; typed anew",
    )
    assert Event.objects.count() == 0


def test_an_item_is_settled_once(phone):
    (verdict,) = take(phone, phone.says("no_such_kind", "T1", 0))
    sync.set_aside(verdict.held, login="curator", note="x")
    for again in (sync.set_aside, sync.let_in):
        with pytest.raises(Refused) as no:
            again(verdict.held, login="curator", note="y")
        assert no.value.code == "held_settled"
    with pytest.raises(Refused) as no:
        sync.let_in(verdict.held + 1, login="curator", note="y")
    assert no.value.code == "held_unknown"


def test_an_item_that_was_set_aside_stays_so_when_it_is_sent_again(phone):
    one = phone.says("no_such_kind", "T1", 0)
    (verdict,) = take(phone, one)
    sync.set_aside(verdict.held, login="curator", note="x")
    assert take(phone, one)[0].held == verdict.held
    assert Held.objects.count() == 1 and queries.count_waiting() == 0


# --- devices and their keys ------------------------------------------------------------------------


def test_a_device_is_registered_once_and_its_key_never_changes(db):
    phone = signing().registered()
    phone.registered()  # the same again
    for odd in ({"org": "TFL"}, {"public_key": signing().public_key}, {"public_key": ""}):
        with pytest.raises(Refused) as no:
            devices.register(
                "D-9", "Test phone", **{"org": "SSS", "public_key": phone.public_key} | odd, login="curator"
            )
        assert no.value.code == "device_known"


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"code": "web"}, "device_malformed"),
        ({"code": "D 1"}, "device_malformed"),
        ({"code": ""}, "device_malformed"),
        ({"label": " "}, "device_malformed"),
        ({"public_key": "AAAA"}, "key_malformed"),
        ({"public_key": "not base64"}, "key_malformed"),
        ({"public_key": "é"}, "key_malformed"),
    ],
)
def test_a_device_that_cannot_be(db, given, code):
    with pytest.raises(Refused) as no:
        devices.register(**{"code": "D-1", "label": "Phone", "org": "SSS", "login": "x"} | given)
    assert no.value.code == code


def test_only_keys_that_browsers_sign_with_are_taken(db):
    import base64

    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519

    def written(key) -> str:
        form = serialization.PublicFormat.SubjectPublicKeyInfo
        return base64.b64encode(key.public_key().public_bytes(serialization.Encoding.DER, form)).decode()

    with pytest.raises(Refused) as no:
        devices.register(
            "D-1", "Phone", "SSS", login="x", public_key=written(ec.generate_private_key(ec.SECP384R1()))
        )
    assert no.value.code == "key_malformed"
    key = ed25519.Ed25519PrivateKey.generate()
    devices.register("D-1", "Phone", "SSS", login="x", public_key=written(key))
    assert devices.signed(written(key), "said", key.sign(b"said"))
    assert not devices.signed(written(key), "said", key.sign(b"sad"))


def test_a_signature_as_browsers_make_it_is_kept_with_the_event(db):
    phone = signing().registered()
    one = phone.says("label_printed", "T1", 0, role="new")
    assert words(take(phone, one)) == ["new"]
    stored = Event.objects.get()
    assert bytes(stored.signature).hex() == one["sig"]
    assert devices.signed(phone.public_key, stored.body, bytes(stored.signature))


@pytest.mark.parametrize("forged", [None, b"", b"\x00" * 64, "another's"])
def test_a_changed_signature_is_named_by_the_check(db, forged):
    phone = signing().registered()
    take(phone, *day(phone))
    assert verify().wrong == []
    other = Event.objects.get(seq=2).signature
    with unguarded():
        Event.objects.filter(seq=1).update(signature=other if forged == "another's" else forged)
    (wrong,) = verify().wrong
    assert "event 1 " in wrong and "signature" in wrong


def test_a_changed_key_of_a_device_is_named_by_the_check(db):
    phone = signing().registered()
    take(phone, *day(phone))
    for key in (signing().public_key, "AAAA", ""):
        Device.objects.update(public_key=key)
        assert len(verify().wrong) == 4


def test_a_signature_of_a_device_without_a_key_is_not_kept(phone):
    one = phone.says("label_printed", "T1", 0, role="new") | {"sig": "00" * 64}
    assert words(take(phone, one)) == ["new"]
    assert Event.objects.get().signature is None
    sound()


def test_what_was_let_in_with_a_wrong_signature_keeps_none(db):
    phone = signing().registered()
    one = phone.says("label_printed", "T1", 0, role="new")
    for sig in ("00" * 64, None):
        other = phone.says("label_printed", "T2" if sig else "T3", 0, role="new") | {"sig": sig}
        (verdict,) = take(phone, {name: value for name, value in other.items() if value})
        sync.let_in(verdict.held, login="curator", note="seen")
    assert words(take(phone, one)) == ["new"]
    assert [one.signature is None for one in Event.objects.order_by("seq")] == [True, True, False]
    sound()


def test_a_revoked_device_is_held_and_what_it_said_before_stays(phone):
    before = phone.says("label_printed", "T1", 0, role="new")
    take(phone, before)
    devices.revoke("D-1", login="curator", why="lost at sea")
    after = phone.says("drawn", "T1", 9, ul=1)
    assert words(take(phone, before, after)) == ["have", "held"]
    assert queries.state("T1").status == "labelled"
    (device,) = queries.devices()
    assert (device.revoked_by, device.revoked_why) == ("curator", "lost at sea")
    devices.revoke("D-1", login="labtech", why="again")
    assert queries.devices()[0].revoked_by == "curator"
    with pytest.raises(Refused) as no:
        devices.revoke("D-2", login="curator", why="x")
    assert no.value.code == "device_unknown"


# --- the live path next to it ----------------------------------------------------------------------


def test_the_same_event_live_and_by_sync_is_one(phone):
    """A phone that was online sends its form live; its own copy comes later by sync, with another salt."""
    act = phone.act("label_printed", "T1", 0, role="new")
    record([act], login="fieldtech")
    assert take(phone, phone.sent(act))[0].code == "key_reused"  # not the same text: somebody looks
    assert Event.objects.count() == 1


def test_an_odd_header_field_is_held(phone):
    act = phone.act("label_printed", "T1", 0, role="new")
    header = act.header("") | {"extra": 1}
    assert take(phone, item(header, [dict(one) for one in act.lines]))[0].code == "header_malformed"
