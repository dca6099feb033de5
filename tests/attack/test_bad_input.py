"""Threats 10 to 15 and 27: whatever a device sends, only events are stored as truth, nothing is lost, nobody
else has to wait, and `take` answers.

Expected answers are common practice, no source, but for the numbers that JSON cannot carry safely (RFC 8259
section 6, RFC 7493 section 2.2) and lone surrogates (RFC 7493 section 2.1).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from custody import devices, held, queries, sync
from custody.core import canon, received
from custody.core.refusal import Refused
from custody.models import Event, Finding, Head, Held, TubeState
from custody.rebuild import differences
from custody.verify import verify
from tests.attack.bad import BAD, FIXES, odd_header, text_line
from tests.custody import apart
from tests.custody.conftest import START
from tests.custody.phone import Phone, item, signing

pytestmark = pytest.mark.django_db


@pytest.fixture
def phone(db) -> Phone:
    return Phone().registered()


def truth() -> tuple[Any, ...]:
    """All that counts as having happened."""
    return (
        list(Event.objects.order_by("seq").values_list("body", flat=True)),
        list(TubeState.objects.order_by("tube").values()),
        list(Finding.objects.order_by("subject", "code").values()),
        [one.size for one in Head.objects.all()],
    )


def sound() -> None:
    assert verify().wrong == []
    assert differences() == []


# --- 27 and the list of bad input: each alone, and each among 99 good ones -------------------------


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_held_with_its_raw_text_and_is_no_truth(phone, name):
    code, make = BAD[name]
    before = truth()
    bad = make(phone)
    (verdict,) = sync.take(phone.code, [bad], "fieldtech")
    assert (verdict.word, verdict.code) == ("held", code), verdict.why
    assert truth() == before
    row = queries.held_item(verdict.held)
    assert (row.device, row.login, row.code) == (phone.code, "fieldtech", code)
    if code == "item_too_long":
        assert row.raw == json.dumps(bad)[: held.LONGEST_RAW]
    elif name == "bytes":
        assert "\\\\xff" in row.raw
    else:
        assert json.loads(row.raw) == bad
    assert not row.may_let_in
    with pytest.raises(Refused):
        sync.let_in(row.pk, login="curator", note="I believe it")
    assert truth() == before


ONE_OF_EACH = {code: name for name, (code, _) in BAD.items()}


@pytest.mark.parametrize("name", ONE_OF_EACH.values())
def test_one_bad_item_never_blocks_the_other_99(phone, name):
    good = [phone.says("label_printed", f"G{n}", 0, role="new") for n in range(99)]
    items = [*good[:50], BAD[name][1](phone), *good[50:]]
    verdicts = [one.word for one in sync.take(phone.code, items, "fieldtech")]
    assert verdicts == ["new"] * 50 + ["held"] + ["new"] * 49
    assert queries.count(status="labelled") == Event.objects.count() == 99
    assert Held.objects.count() == 1


def test_all_of_them_at_once_leave_a_sound_ledger(phone):
    good = phone.says("label_printed", "T1", 0, role="new")
    small = [make(phone) for code, make in BAD.values() if code not in {"item_too_long", "canon_depth"}]
    for start in range(0, len(small), 40):
        sync.take(phone.code, [*small[start : start + 40], good], "fieldtech")
    assert Event.objects.count() == 1
    sound()


@pytest.mark.parametrize("name", FIXES)
def test_a_correction_cannot_bring_in_what_the_event_could_not_say(phone, name):
    code, fields = FIXES[name]
    drawn = phone.act("drawn", "T1", 5, ul=900)
    printed = phone.says("label_printed", "T1", 0, role="new")
    sync.take(phone.code, [printed, phone.sent(drawn)], "fieldtech")
    before = truth()
    fix = {"of": drawn.id, "reason": "incorrect_data", "set": fields}
    (verdict,) = sync.take(phone.code, [phone.says("corrected", [], 9, data=fix)], "fieldtech")
    assert (verdict.word, verdict.code) == ("held", code), verdict.why
    assert truth() == before
    sound()


def test_every_number_that_json_cannot_carry_is_refused_and_the_largest_is_not(phone):
    """RFC 7493 section 2.2: integers within ±(2**53 - 1)."""
    assert canon.text(2**53 - 1) == "9007199254740991"
    for number in (2**53, -(2**53), 10**400):
        with pytest.raises(Refused):
            canon.text(number)
    (verdict,) = sync.take(phone.code, [odd_header(n=2**53 - 1)(phone)], "fieldtech")
    assert verdict.word == "new"
    assert queries.missing_numbers(phone.code) == [(1, 2**53 - 2)]


def test_a_thousand_lines_are_taken(phone):
    tubes = [f"T{n}" for n in range(received.MOST_LINES)]
    (verdict,) = sync.take(phone.code, [phone.says("label_printed", tubes, 0, role="new")], "fieldtech")
    assert verdict.word == "new" and queries.count(status="labelled") == 1_000


def test_a_note_may_have_lines_and_any_script(phone):
    note = "Flipper held.\nSíðan blóð ‑ 血 🦭"
    sync.take(phone.code, [phone.says("label_printed", "T1", 0, role="new", note=note)], "fieldtech")
    assert queries.history("T1")[0].line["note"] == note


# --- 27: a batch that is too large is not looked at ------------------------------------------------


@pytest.mark.parametrize(
    ("items", "code"),
    [
        ([{}] * (sync.MOST_ITEMS + 1), "batch_too_large"),
        (["x" * (sync.MOST_BYTES + 1)], "batch_too_large"),
        ({"header": ""}, "batch_malformed"),
        ("items", "batch_malformed"),
        (None, "batch_malformed"),
    ],
)
def test_a_batch_that_is_too_large_or_none_is_refused_whole(phone, items, code):
    with pytest.raises(Refused) as no:
        sync.take(phone.code, items, "fieldtech")
    assert no.value.code == code
    assert not Held.objects.exists() and not Event.objects.exists()


def test_a_device_that_is_no_text_is_refused(db):
    with pytest.raises(Refused) as no:
        sync.take(None, [], "fieldtech")
    assert no.value.code == "batch_malformed"


@pytest.mark.parametrize("code", ["", "D 1", "é", "\x00", "\ud800", "x" * 5_000, "D-1\n"])
def test_a_device_with_an_odd_name_is_an_unknown_one(db, code):
    one = Phone().says("label_printed", "T1", 0, role="new")
    (verdict,) = sync.take(code, [one], "fieldtech")
    assert (verdict.word, verdict.code) == ("held", "device_unknown")


# --- 10: replay ------------------------------------------------------------------------------------


def test_eight_senders_of_the_same_items_at_once_store_each_once(address: str, tmp_path: Path):
    said = apart.run(address, tmp_path, "tests.attack.replay")
    told = [[tuple(one) for one in sender] for sender in said["told"]]
    assert len(told) == 8
    words = {word for sender in told for word, _ in sender}
    assert words <= {"new", "have", "held"}, told
    for position in range(len(told[0]) - 1):  # the last one can never be taken
        assert sum(sender[position][0] == "new" for sender in told) <= 1
    assert {sender[-1] for sender in told} == {("held", "kind_unknown")}
    assert [word for word, _ in said["again"]] == ["have"] * (len(told[0]) - 1) + ["held"]
    assert said["wrong"] == [] and said["differences"] == []
    assert apart.rows(address, "SELECT count(*) FROM custody_event") == [
        (len(told[0]),)
    ]  # and the shared tube
    assert apart.rows(address, "SELECT count(*) FROM custody_held WHERE settled_as = ''") == [(1,)]


# --- 11: something on the way changes an item ------------------------------------------------------


def test_no_character_of_a_signed_item_can_be_changed(db):
    """Each of its characters in turn, with the root made right again where it is in a line."""
    phone = signing().registered()
    one = phone.says("label_printed", "T1", 0, role="new")
    changed = [one | {"header": text} for text in flipped(one["header"])]
    changed += [one | {"lines": [text]} for text in flipped(one["lines"][0])]
    changed += [one | {"salt": text} for text in flipped(one["salt"])]
    changed += [one | {"sig": text} for text in flipped(one["sig"])]
    assert len(changed) > 450
    known = devices.find(phone.code)
    for bad in changed:
        with pytest.raises(Refused):
            sync._checked(phone.code, known, bad, frozenset())
    for bad in changed[::97]:
        assert sync.take(phone.code, [bad], "fieldtech")[0].word == "held"
    assert not Event.objects.exists()
    assert sync.take(phone.code, [one], "fieldtech")[0].word == "new"


def flipped(text: str) -> list[str]:
    """The text with each of its characters changed by one bit."""
    return [text[:n] + chr(ord(letter) ^ 1) + text[n + 1 :] for n, letter in enumerate(text)]


def test_a_changed_item_whose_lines_were_made_to_fit_is_told_by_the_signature(db):
    phone = signing().registered()
    act = phone.act("label_printed", "T1", 0, role="new")
    one, other = phone.sent(act), item(act.header(""), [{"t": "T2", "role": "new"}])
    (verdict,) = sync.take(phone.code, [other | {"sig": one["sig"]}], "fieldtech")
    assert (verdict.word, verdict.code) == ("held", "signature_wrong")
    (verdict,) = sync.take(phone.code, [other], "fieldtech")
    assert (verdict.word, verdict.code) == ("held", "signature_missing")


# --- 12 and 13: items of another device or person; a lost laptop -----------------------------------


def test_the_item_of_another_device_is_held_with_whose_login_sent_it(db):
    mine, theirs = signing().registered(), Phone("D-2", org="TFL", by="p9").registered()
    one = mine.says("label_printed", "T1", 0, role="new")
    (verdict,) = sync.take(theirs.code, [one], "labtech")
    assert (verdict.word, verdict.code) == ("held", "device_foreign")
    row = queries.held_item(verdict.held)
    assert (row.device, row.login) == ("D-2", "labtech")
    assert sync.take(mine.code, [one], "fieldtech")[0].word == "new"


def test_a_device_cannot_speak_as_another_by_writing_its_name(db):
    mine, theirs = signing().registered(), Phone("D-2").registered()
    forged = Phone("D-9").says("label_printed", "T1", 0, role="new")  # D-9 is mine, and the key is not
    assert sync.take(theirs.code, [forged], "fieldtech")[0].code == "device_foreign"
    assert sync.take(mine.code, [forged], "fieldtech")[0].code == "signature_missing"


def test_after_it_was_revoked_everything_is_held_and_nothing_is_lost(phone):
    said = [phone.says("label_printed", f"T{n}", 0, role="new") for n in range(10)]
    sync.take(phone.code, said[:4], "fieldtech")
    devices.revoke(phone.code, login="curator", why="stolen")
    verdicts = sync.take(phone.code, said, "fieldtech")
    assert [one.word for one in verdicts] == ["have"] * 4 + ["held"] * 6
    for one in verdicts[4:]:
        sync.let_in(one.held, login="curator", note="found again, all of it is true")
    assert queries.count(status="labelled") == 10
    sound()


# --- 14: poison ------------------------------------------------------------------------------------


def test_an_error_of_our_own_is_held_like_any_other_and_does_not_block(phone, monkeypatch, caplog):
    good = [phone.says("label_printed", f"G{n}", 0, role="new") for n in range(4)]
    real = sync.append

    def broken(written, **said):
        if written[0].act.lines[0]["t"] == "G2":
            raise ZeroDivisionError("nobody thought of that")
        return real(written, **said)

    monkeypatch.setattr(sync, "append", broken)
    verdicts = sync.take(phone.code, good, "fieldtech")
    assert [one.word for one in verdicts] == ["new", "new", "held", "new"]
    assert verdicts[2].code == "item_not_understood"
    assert "nobody thought of that" in caplog.text
    monkeypatch.undo()
    assert [one.word for one in sync.take(phone.code, good, "fieldtech")] == ["have", "have", "new", "have"]
    assert queries.count_waiting() == 0


def test_a_database_that_is_away_is_no_fault_of_the_item(phone, monkeypatch):
    from django.db import OperationalError

    def away(*_: Any, **__: Any) -> None:
        raise OperationalError("the server closed the connection")

    monkeypatch.setattr(sync, "append", away)
    with pytest.raises(OperationalError):
        sync.take(phone.code, [phone.says("label_printed", "T1", 0, role="new")], "fieldtech")
    assert not Held.objects.exists()


# --- 15: flooding ----------------------------------------------------------------------------------


def test_ten_thousand_junk_items_fill_no_more_than_a_day_s_room(phone):
    sent = refused = 0
    for start in range(0, 10_000, sync.MOST_ITEMS):
        try:
            sync.take(phone.code, [{"junk": start + n} for n in range(sync.MOST_ITEMS)], "fieldtech")
            sent += sync.MOST_ITEMS
        except Refused as no:
            assert no.code == "held_too_many"
            refused += sync.MOST_ITEMS
    assert Held.objects.count() == sent == held.MOST_ROWS
    assert refused == 10_000 - sent


def test_another_device_and_another_login_are_not_held_up(phone):
    other = Phone("D-2").registered()
    for start in range(0, held.MOST_ROWS, 100):
        sync.take(phone.code, [{"junk": start + n} for n in range(100)], "fieldtech")
    good = other.says("label_printed", "T1", 0, role="new")
    assert sync.take(other.code, [good], "labtech")[0].word == "new"
    with pytest.raises(Refused):  # but no login gets more room by making up devices
        sync.take("D-3", [good], "fieldtech")


def test_bytes_are_limited_as_well(phone):
    large = "x" * 390_000
    with pytest.raises(Refused) as no:
        for n in range(100):
            sync.take(phone.code, [{"n": n, "header": large}, {"n": -n - 1, "header": large}], "fieldtech")
    assert no.value.code == "held_too_many"
    kept = sum(Held.objects.values_list("size", flat=True))
    assert held.MOST_BYTES <= kept <= held.MOST_BYTES + sync.MOST_BYTES


def test_room_comes_back_when_somebody_settles_and_on_the_next_day(phone):
    for start in range(0, held.MOST_ROWS, 100):
        sync.take(phone.code, [{"junk": start + n} for n in range(100)], "fieldtech")
    good = phone.says("label_printed", "T1", 0, role="new")
    with pytest.raises(Refused):
        sync.take(phone.code, [good], "fieldtech")
    for one in queries.waiting(most=1):
        sync.set_aside(one.pk, login="curator", note="junk")
    assert sync.take(phone.code, [good], "fieldtech")[0].word == "new"
    sync.take(phone.code, [{"junk": -1}], "fieldtech")
    with pytest.raises(Refused):
        sync.take(phone.code, [good], "fieldtech")
    Held.objects.update(recorded_ms=0)
    assert sync.take(phone.code, [good], "fieldtech")[0].word == "have"


def test_the_same_junk_again_takes_no_more_room(phone):
    for _ in range(20):
        sync.take(phone.code, [{"junk": n} for n in range(50)], "fieldtech")
    assert Held.objects.count() == 50


# --- whatever else: hypothesis ---------------------------------------------------------------------

SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(st.characters(exclude_categories=()), max_size=12)
)
ANYTHING = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)
FIELDS = [
    "v",
    "id",
    "kind",
    "at",
    "off",
    "tz",
    "unc_s",
    "by",
    "org",
    "rec_by",
    "rec_at",
    "dev",
    "data",
    "n",
    "ref",
]
KINDS = ["drawn", "put_away", "received", "aliquoted", "corrected", "voided", "moved", "handed_off", "graded"]
ODD = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def told(phone: Phone, bad: Any) -> sync.Verdict:
    """The verdict; the net that catches our own mistakes must not have been needed."""
    Held.objects.all().delete()  # room for as many examples as there are
    (verdict,) = sync.take(phone.code, [bad], "fieldtech")
    assert verdict.word in {"new", "have", "held"}
    assert verdict.code != "item_not_understood", verdict
    return verdict


@ODD
@given(bad=ANYTHING)
def test_anything_at_all_gets_a_verdict(phone, bad):
    assert told(phone, bad).word == "held"


@ODD
@given(
    header=st.text(st.characters(exclude_categories=()), max_size=60), lines=st.lists(ANYTHING, max_size=3)
)
def test_any_texts_get_a_verdict(phone, header, lines):
    assert told(phone, {"header": header, "lines": lines, "salt": "00" * 16}).word == "held"


@ODD
@given(name=st.sampled_from(FIELDS), value=ANYTHING, kind=st.sampled_from(KINDS), data=ANYTHING)
def test_a_header_with_anything_in_a_field_gets_a_verdict(phone, name, value, kind, data):
    said = phone.act(kind, "T1", 5).header("") | ({"data": data} if isinstance(data, dict) else {})
    told(phone, loose(said | {name: value}, [{"t": "T1", "role": "subj"}]))


LINES = st.lists(
    st.dictionaries(
        st.sampled_from(["t", "u", "role", "ul", "unit", "row", "col", "of", "to", "result", "label", "n"]),
        st.sampled_from(
            ["subj", "from", "to", "new", "T1", "T2", "ok", "missing", 0, 1, 5, 2**40, -1, True, None]
        )
        | ANYTHING,
    ),
    max_size=3,
)


@ODD
@given(kind=st.sampled_from(KINDS), lines=LINES, data=st.dictionaries(
    st.sampled_from(["to", "how", "of", "reason", "set", "loss_ul", "due_ms", "note", "g", "minutes"]),
    st.sampled_from(["SSS", "hand", "did_not_occur", "incorrect_data", 3, None]) | ANYTHING,
))  # fmt: skip
def test_lines_and_data_of_any_shape_get_a_verdict_and_leave_a_sound_ledger(phone, kind, lines, data):
    said = phone.act(kind, "T1", 5).header("") | {"data": data}
    told(phone, loose(said, lines))
    assert differences() == []


@ODD
@given(fields=st.dictionaries(
    st.sampled_from(["at", "off", "tz", "unc_s", "by", "org", "data", "lines"]),
    st.sampled_from([[{"n": 0, "ul": 5}], {"workup": "W-1"}, 60, "Europe/Oslo", "SSS", START]) | ANYTHING,
))  # fmt: skip
def test_a_correction_of_any_shape_gets_a_verdict_and_leaves_a_sound_ledger(phone, fields):
    drawn = phone.act("drawn", "T1", 5, ul=900)
    sync.take(phone.code, [phone.says("label_printed", "T1", 0, role="new"), phone.sent(drawn)], "fieldtech")
    data = {"of": drawn.id, "reason": "incorrect_data", "set": fields}
    told(phone, loose(phone.act("corrected", [], 9).header("") | {"data": data}, []))
    assert differences() == []


def loose(header: dict[str, Any], lines: list[dict[str, Any]]) -> Any:
    """An item whose texts are as canonical as these values allow."""
    try:
        return item(header, lines)
    except Refused:
        texts = [json.dumps(one, sort_keys=True, separators=(",", ":"), ensure_ascii=False) for one in lines]
        plain = json.dumps(header, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        return {"header": plain, "lines": texts, "salt": "00" * 16}


def test_a_line_of_text_is_what_the_list_says_it_is(phone):
    """The same shape without the fault is taken, so it is the fault that holds the others."""
    (verdict,) = sync.take(phone.code, [text_line('{"role":"subj","t":"T1"}')(phone)], "fieldtech")
    assert verdict.word == "new"
    (verdict,) = sync.take(phone.code, [odd_header()(phone)], "fieldtech")
    assert verdict.word == "new"
