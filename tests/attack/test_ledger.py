"""Attacks on the ledger itself, each named after what it shows. test_list.py says which of the reference's
list stands where."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
import time_machine
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.db.models import ProtectedError

from biobank import kept
from biobank.blood.actions import allow, set_limit
from biobank.core.blood import Rule as BloodRule
from biobank.models import Agency, Person, Unit
from biobank.sheets.photos import keep
from custody import queries
from custody.core import canon, tree
from custody.core.event import Act, new_id
from custody.core.fold import FUTURE_MS
from custody.core.refusal import Refused
from custody.models import Event
from custody.rebuild import differences
from custody.record import record
from custody.verify import verify
from tests.attack.answered import one_of_each
from tests.custody import apart
from tests.custody.conftest import START
from tests.people import DAY, drawn_set

DAY_MS = 86_400_000
NOON = time.time_ns() // 1_000_000_000 * 1_000 + 30 * DAY_MS  # after all that the fixtures record


def thaw(at_ms: int, *, strict: bool = True, rec_at: int | None = None) -> str:
    act = Act(
        kind="thawed", at_ms=at_ms, by="p1", org="SSS", lines=[{"t": "T1", "role": "subj"}], rec_at=rec_at
    )
    return record([act], login="fieldtech", strict=strict)[0].id


# --- 1, 3: by whoever can write to the database ------------------------------------------------------------


def test_an_insider_who_makes_the_leaf_fit_is_still_told_by_the_root(drawn):
    """With triggers out of the way the text and its leaf are changed together: the root is another one, and
    whoever keeps an older root sees it (tests/custody/test_verify_against.py)."""
    before = verify()
    event = Event.objects.get(seq=1)
    body = event.body.replace('"by":"p1"', '"by":"p2"')
    leaf = canon.leaf(tree.entry(event.recorded_ms, event.login, body, event.via))
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute("ALTER TABLE custody_event DISABLE TRIGGER USER")
        else:
            cursor.execute("DROP TRIGGER custody_event_no_update")
    Event.objects.filter(seq=1).update(body=body, leaf=leaf, by="p2")
    assert verify().wrong == []  # said plainly in the documents: by itself the database cannot tell
    assert verify().root != before.root


@pytest.mark.skipif(apart.ON_POSTGRES, reason="REPLACE is SQLite's")
def test_insert_or_replace_puts_no_forged_event_in_the_place_of_another(drawn):
    columns = [field.column for field in Event._meta.concrete_fields]
    forged = ", ".join("'p9'" if name == "by" else name for name in columns)
    with (
        pytest.raises(DatabaseError, match="append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(
            f"INSERT OR REPLACE INTO custody_event ({', '.join(columns)}) SELECT {forged} FROM custody_event"
        )
    assert verify().wrong == []


# --- 2: triggers that are lost without a word --------------------------------------------------------------


def test_after_a_field_was_altered_nothing_is_written_until_the_triggers_are_back(
    address: str, tmp_path: Path
):
    seen = apart.run(address, tmp_path, "tests.attack.altered")
    assert seen["before"] == []
    if apart.ON_POSTGRES:
        assert (seen["lost"], seen["refused"]) == ([], "")
    else:
        assert {name.rsplit("_no_")[0] for name in seen["lost"]} == {"custody_event", "custody_line"}
        assert len(seen["lost"]) == 6
        assert seen["refused"].startswith("ImproperlyConfigured: The ledger is not protected")
        assert seen["size"] == 1
    assert (seen["after"], seen["again"], seen["wrong"]) == ([], "", [])


# --- 6, 7, 30: clocks --------------------------------------------------------------------------------------


def test_a_backdated_event_shows_both_times_and_is_in_no_older_root(drawn):
    older = verify()
    with time_machine.travel(NOON / 1000, tick=False):
        key = thaw(NOON - 3 * DAY_MS, rec_at=NOON)
    said = queries.history("T1")[-1]
    assert (said.id, said.recorded_ms - said.at_ms, said.rec_at - said.at_ms) == (key, 3 * DAY_MS, 3 * DAY_MS)
    leaves = [bytes(leaf) for leaf in Event.objects.order_by("seq").values_list("leaf", flat=True)]
    assert queries.event(key).seq == older.events  # it stands after all that the older root covers…
    assert tree.root(leaves[: older.events]).hex() == older.root  # …and that one is as it was
    assert verify().wrong == []


def test_a_backdated_event_is_told_as_typed_late(drawn):
    from custody.core import gaps

    with time_machine.travel(NOON / 1000, tick=False):
        key = thaw(NOON - 3 * DAY_MS, rec_at=NOON)
    found = gaps.gaps("T1", queries.history("T1"), NOON)
    assert [one.event for one in found if one.code == "typed_late"] == [key]


@pytest.mark.parametrize("late_ms", [0, 1])
def test_a_clock_may_run_five_minutes_ahead_and_not_a_millisecond_more(drawn, late_ms):
    with time_machine.travel(NOON / 1000, tick=False):
        at = NOON + FUTURE_MS + late_ms
        if not late_ms:
            thaw(at)
            assert queries.findings() == []
            return
        with pytest.raises(Refused) as no:
            thaw(at)
        assert no.value.code == "time_in_future"
        thaw(at, strict=False)
    assert [one.code for one in queries.findings("T1")] == ["time_in_future"]
    assert differences() == []


def test_a_future_event_stays_a_finding_when_its_time_has_come(drawn):
    """Otherwise a rebuild a week later would give another state than the one of today."""
    with time_machine.travel(NOON / 1000, tick=False):
        thaw(NOON + DAY_MS, strict=False)
    with time_machine.travel((NOON + 7 * DAY_MS) / 1000, tick=False):
        thaw(NOON + 2 * DAY_MS)
        assert [one.code for one in queries.findings("T1")] == ["time_in_future"]
        assert differences() == []


def test_a_clock_that_is_set_back_a_day_moves_no_time_of_recording_back(drawn, caplog):
    with time_machine.travel(NOON / 1000, tick=False):
        thaw(START + 5 * 60_000)
    with time_machine.travel((NOON - DAY_MS) / 1000, tick=False):
        thaw(START + 6 * 60_000)
    times = list(Event.objects.order_by("seq").values_list("recorded_ms", flat=True))
    assert times == sorted(times)
    assert times[-2:] == [NOON, NOON]
    assert "86400 s behind" in caplog.text
    assert verify().wrong == []


def test_a_clock_that_is_set_right_by_a_minute_is_no_news(drawn, caplog):
    with time_machine.travel(NOON / 1000, tick=False):
        thaw(START + 5 * 60_000)
    with time_machine.travel((NOON - 60_000) / 1000, tick=False):
        thaw(START + 6 * 60_000)
    assert caplog.text == ""


# --- what is wrong in itself, whatever the tubes are ------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "data", "line", "code"),
    [
        ("handed_off", {"to": "TFL", "how": "post"}, {}, "data_malformed"),
        ("graded", {}, {"haemolysis": 5}, "grade_out_of_range"),
        ("counted", {"unit": "B1"}, {"result": "lost"}, "line_malformed"),
        ("aliquoted", {"loss_ul": 2}, {"role": "from", "ul": 1}, "aliquot_balances"),
    ],
)
def test_an_act_that_cannot_be_is_refused_and_nothing_is_written(drawn, kind, data, line, code):
    before = queries.size()
    act = Act(
        kind=kind, at_ms=START + 5 * 60_000, by="p1", org="SSS", data=data,
        lines=[{"t": "T1", "role": "subj"} | line],
    )  # fmt: skip
    with pytest.raises(Refused) as no:
        record([act], login="fieldtech")
    assert no.value.code == code
    assert queries.size() == before
    assert differences() == []


# --- 33: who or what has a history is not deleted ----------------------------------------------------------


@pytest.mark.parametrize("name", kept.KEPT)
def test_the_database_deletes_nothing_that_the_ledger_may_name(store, name):
    tube_set = drawn_set(store)
    keep(store.actor("fieldtech"), tube_set, [("sheet.jpg", b"\xff\xd8\xff")])
    limited(store, tube_set.workup)
    one_of_each(store)
    with (
        pytest.raises(DatabaseError, match=kept.SENTENCE),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        table = f"biobank_{name}"
        cursor.execute(f"SELECT count(*) FROM {table}")
        assert cursor.fetchone()[0] > 0
        if connection.vendor == "postgresql":
            cursor.execute("SET CONSTRAINTS ALL DEFERRED")
        cursor.execute(f"DELETE FROM {table}")


def limited(store, workup):
    """A limit, and what was allowed beyond it."""
    vet = store.person("fieldtech")
    vet.veterinarian = True
    vet.save()
    actor = store.actor("fieldtech")
    set_limit(actor, new_id(), BloodRule(10, None, None, 14), DAY, "the protocol")
    allow(actor, new_id(), workup, 1_000, "a test that matters")


@pytest.mark.parametrize("name", sorted(kept.FIXED))
def test_the_database_changes_nothing_that_is_said_once(store, name):
    tube_set = drawn_set(store)
    keep(store.actor("fieldtech"), tube_set, [("sheet.jpg", b"\xff\xd8\xff")])
    limited(store, tube_set.workup)
    one_of_each(store)
    with (
        pytest.raises(DatabaseError, match=kept.SENTENCE),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(f"SELECT count(*) FROM {name}")
        assert cursor.fetchone()[0] > 0
        cursor.execute(f"UPDATE {name} SET id = id")


def test_a_person_an_agency_and_a_unit_with_a_history_stay(store):
    person = store.person("curator")  # has acted: the units of the store were moved by somebody
    for row in (person, store.nlb, store.box):
        with pytest.raises((ProtectedError, IntegrityError, DatabaseError)), transaction.atomic():
            type(row).objects.filter(pk=row.pk).delete()
        with pytest.raises((ProtectedError, IntegrityError, DatabaseError)), transaction.atomic():
            row.delete()
    assert Person.objects.filter(pk=person.pk).exists()
    assert Agency.objects.filter(pk=store.nlb.pk).exists()
    assert Unit.objects.filter(pk=store.box.pk).exists()
