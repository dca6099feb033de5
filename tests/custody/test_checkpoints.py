"""Checkpoints: when they are made, what they sign, and what is never signed."""

from __future__ import annotations

import logging
import os
import shutil
import stat
import subprocess
import tarfile
from io import StringIO
from pathlib import Path

import pytest
from django.core.exceptions import ImproperlyConfigured
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction

from custody import checkpoints, keys
from custody.core import canon, note, tree
from custody.core.event import Act, new_id
from custody.models import Checkpoint, Event, Head, Tile
from custody.record import record
from custody.tiles import Stored
from custody.verify import verify
from tests.custody.test_tamper import unguarded


def leaves() -> list[bytes]:
    return [bytes(one) for one in Event.objects.order_by("seq").values_list("leaf", flat=True)]


def tar_version() -> str:
    found = shutil.which("tar")
    return subprocess.run([found, "--version"], capture_output=True, text=True).stdout if found else ""


def printed(command: str, *words: str, **options: object) -> str:
    out = StringIO()
    call_command(command, *words, stdout=out, stderr=StringIO(), **options)
    return out.getvalue()


@pytest.fixture
def many(db):
    """600 events that nobody recorded, for their hashes alone: two full tiles and a part of one."""
    append(0, 600)


def append(first: int, stop: int) -> None:
    rows = [
        Event(
            event_id=new_id(), seq=n, kind="thawed", at_ms=n, by="p1", org="SSS", device="web", recorded_ms=n,
            login="labtech", via="live", body="{}", salt=bytes(16), leaf=canon.leaf(n.to_bytes(4, "big")),
        )
        for n in range(first, stop)
    ]  # fmt: skip
    Event.objects.bulk_create(rows)
    Head.objects.update_or_create(id=1, defaults={"size": stop, "recorded_ms": stop})


# --- what is signed -------------------------------------------------------------------------------------


def test_a_checkpoint_signs_the_root_over_all_events(drawn):
    made = checkpoints.make("on demand")
    text, [by] = note.opened(made.note, [keys.secret().public])
    said = note.checkpoint(text)
    assert (said.size, said.root) == (2, tree.root(leaves()))
    assert said.origin == by.name and made.root == said.root.hex() == verify().root
    assert made.words == f"2 · {' '.join(made.root[at : at + 4] for at in range(0, 20, 4))}"
    assert note.expanded(made.short, [by]) == made.note


def test_the_same_size_is_signed_once(drawn):
    assert checkpoints.make("on demand") == checkpoints.make("manifest")
    assert Checkpoint.objects.count() == 1


def test_an_empty_ledger_can_be_signed(db):
    assert checkpoints.make("on demand").root == tree.EMPTY.hex()
    assert verify().wrong == []


def test_tiles_are_stored_once_and_proofs_read_them(many, django_assert_max_num_queries):
    made = checkpoints.make("on demand")
    assert made.root == tree.root(leaves()).hex()
    assert list(Tile.objects.values_list("level", "idx").order_by("idx")) == [(1, 0), (1, 1)]
    assert [bytes(one.hash) for one in Tile.objects.order_by("idx")] == [
        tree.root(leaves()[:256]), tree.root(leaves()[256:512])
    ]  # fmt: skip
    with django_assert_max_num_queries(4):
        path = tree.inclusion(3, 600, Stored().part)
    assert tree.includes(3, 600, leaves()[3], path, bytes.fromhex(made.root))
    assert checkpoints.make("on demand") == made and Tile.objects.count() == 2
    append(600, 800)
    assert checkpoints.make("on demand").root == tree.root(leaves()).hex()
    assert list(Tile.objects.values_list("idx", flat=True).order_by("idx")) == [0, 1, 2]
    assert verify().checkpoints == 2


def test_a_missing_tile_is_worked_out_and_missed(many):
    made = checkpoints.make("on demand")
    with unguarded():
        Tile.objects.filter(idx=1).delete()
    assert Stored().part(0, 600).hex() == made.root
    assert any("kept hash 1 of level 1" in said for said in verify().wrong)


def test_a_changed_tile_is_named(many):
    checkpoints.make("on demand")
    with unguarded():
        Tile.objects.filter(idx=0).update(hash=bytes(32))
    assert any("kept hash 0 of level 1" in said for said in verify().wrong)


# --- when -----------------------------------------------------------------------------------------------


def test_made_after_the_events_that_change_custody_or_end_a_tube(
    drawn, say, django_capture_on_commit_callbacks
):
    def reasons() -> list[str]:
        return list(Checkpoint.objects.order_by("size").values_list("reason", flat=True))

    with django_capture_on_commit_callbacks(execute=True):
        say("thawed", "T1", 2)
    assert reasons() == []
    steps = [
        ("handed_off", {"to": "TFL", "how": "hand"}, {}, "SSS"),
        ("received", {"counted": 1}, {"result": "ok"}, "TFL"),
        ("discarded", {"why": "empty"}, {}, "TFL"),
    ]
    ref = None
    for minute, (kind, data, line, org) in enumerate(steps, 3):
        with django_capture_on_commit_callbacks(execute=True):
            done = say(
                kind, "T1", minute, data=data, org=org, ref=ref if kind == "received" else None, **line
            )
        ref = done.id
    assert reasons() == ["handed_off", "received", "discarded"]
    assert checkpoints.newest().size == Head.objects.get().size


def test_a_repeated_or_refused_event_makes_none(drawn, say, django_capture_on_commit_callbacks):
    key = new_id()
    with django_capture_on_commit_callbacks() as called:
        say("handed_off", "T1", 3, data={"to": "TFL", "how": "hand"}, key=key)
    assert len(called) == 1
    with django_capture_on_commit_callbacks() as called:
        say("handed_off", "T1", 3, data={"to": "TFL", "how": "hand"}, key=key)
    assert called == []


@pytest.mark.parametrize(
    "trouble", [OSError("disk full"), DatabaseError("gone"), ImproperlyConfigured("no key")]
)
def test_a_checkpoint_that_fails_never_fails_the_event(
    drawn, say, monkeypatch, caplog, trouble, django_capture_on_commit_callbacks
):
    def fail(reason: str) -> None:
        raise trouble

    with monkeypatch.context() as broken, caplog.at_level(logging.ERROR):
        broken.setattr(checkpoints, "make", fail)
        with django_capture_on_commit_callbacks(execute=True):
            say("handed_off", "T1", 3, data={"to": "TFL", "how": "hand"})
    assert "No checkpoint could be made (handed_off)" in caplog.text and str(trouble) in caplog.text
    assert Event.objects.count() == 3 and Checkpoint.objects.count() == 0
    with django_capture_on_commit_callbacks(execute=True):
        say("discarded", "T2", 4, data={"why": "empty"})
    assert checkpoints.covering(2).size == 4  # the next one covers it


def test_covering_is_the_newest_one_or_none(drawn, say):
    assert checkpoints.covering(0) is None
    first = checkpoints.make("on demand")
    say("thawed", "T1", 2)
    assert checkpoints.covering(1) == first and checkpoints.covering(2) is None
    assert checkpoints.for_paper(2).reason == "manifest"
    assert checkpoints.covering(0).size == 3


def test_hourly_only_when_something_is_new_and_an_hour_has_gone(drawn, say):
    first = checkpoints.hourly(0)
    assert first.reason == "hourly"
    hour = first.made_ms + checkpoints.HOUR_MS
    assert checkpoints.hourly(hour) is None  # nothing new
    say("thawed", "T1", 2)
    assert checkpoints.hourly(hour - 1) is None  # too soon
    assert checkpoints.hourly(hour).size == 3


def test_hourly_of_an_empty_database_is_none(db):
    assert checkpoints.hourly(0) is None
    assert "Nothing to do" in printed("custody_checkpoint", "--hourly")


# --- never two histories -----------------------------------------------------------------------------------


def cut(seq: int) -> None:
    """The log without its end, as an older backup has it."""
    with unguarded(), connection.cursor() as cursor:
        cursor.execute(
            "DELETE FROM custody_line WHERE event_id IN (SELECT event_id FROM custody_event WHERE seq >= %s)",
            [seq],
        )
        Event.objects.filter(seq__gte=seq).delete()
        Checkpoint.objects.filter(size__gt=seq).delete()
        Head.objects.update(size=seq)


def test_an_older_backup_is_not_signed_on_and_the_check_says_why(drawn, say):
    say("thawed", "T1", 2)
    checkpoints.make("on demand")
    cut(2)
    with pytest.raises(checkpoints.NotAContinuation, match="3 events was signed before; this ledger holds 2"):
        checkpoints.make("on demand")
    assert any("only 2 are there" in said for said in verify().wrong)
    assert checkpoints.attempt("discarded") is None
    with pytest.raises(CommandError, match="older backup"):
        call_command("custody_checkpoint")


def test_other_events_of_the_same_number_are_not_signed_on(drawn, say):
    say("thawed", "T1", 2)
    checkpoints.make("on demand")
    cut(2)
    say("thawed", "T2", 2)
    say("thawed", "T3", 3)
    with pytest.raises(checkpoints.NotAContinuation, match="first 3 events of this ledger are not those"):
        checkpoints.make("on demand")
    with pytest.raises(checkpoints.NotAContinuation):
        checkpoints.change_key()


def test_after_a_restore_on_purpose_the_log_goes_on_under_another_name(drawn, say):
    say("thawed", "T1", 2)
    old = checkpoints.make("on demand")
    cut(2)
    out = printed("custody_checkpoint", "--begin-again")
    new = checkpoints.newest()
    assert new.note in out and new.size == 2
    names = [key.name for key in keys.public_keys()]
    assert len(set(names)) == 2
    with pytest.raises(ValueError):
        note.opened(new.note, [note.public(keys.change_of(keys.changes()[0])[0].text())])
    assert note.opened(old.note, keys.public_keys())
    assert verify().wrong == []


def test_a_size_has_one_checkpoint(drawn):
    checkpoints.make("on demand")
    with pytest.raises(DatabaseError), transaction.atomic():
        Checkpoint.objects.create(size=2, root=bytes(32), note="", reason="x", made_ms=0)


@pytest.mark.parametrize("table", ["custody_checkpoint", "custody_tile"])
@pytest.mark.parametrize("act", ["UPDATE {} SET id = id + 1", "DELETE FROM {}"])
def test_the_database_refuses_to_change_checkpoints_and_tiles(many, table, act):
    checkpoints.make("on demand")
    with (
        pytest.raises(DatabaseError, match="append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(act.format(table))


def test_the_recorder_takes_part_in_no_checkpoint(drawn):
    """The write is committed before a checkpoint begins; nothing of it waits for a signature."""
    seen: list[int] = []
    act = Act(
        kind="handed_off", at_ms=1_780_000_300_000, by="p1", org="SSS", data={"to": "TFL", "how": "hand"},
        lines=[{"t": "T1", "role": "subj"}],
    )  # fmt: skip
    record([act], login="fieldtech", before=lambda: seen.append(Checkpoint.objects.count()))
    assert seen == [0] and Checkpoint.objects.count() == 0


# --- the key --------------------------------------------------------------------------------------------


def test_the_key_is_made_once_and_is_its_owners_alone(settings):
    first = keys.secret()
    assert keys.secret() == first
    assert stat.S_IMODE(keys.path().stat().st_mode) == 0o600
    assert note.name_is_good(first.name) and first.name.startswith("tube-to-freezer/")
    settings.CHECKPOINT_KEY_FILE = keys.path().with_name("other")
    assert keys.secret().name != first.name


def test_the_origin_can_be_given(settings):
    settings.CHECKPOINT_ORIGIN = "skarvik.example/ledger"
    assert keys.secret().name == "skarvik.example/ledger"


def test_a_key_that_others_can_read_is_not_used():
    keys.secret()
    os.chmod(keys.path(), 0o644)
    with pytest.raises(ImproperlyConfigured, match="chmod 600"):
        keys.secret()


def test_a_key_file_that_holds_something_else_stops_with_a_sentence():
    keys.secret()
    keys.path().write_text("hello")
    with pytest.raises(ImproperlyConfigured, match="cannot be read as the key"):
        keys.secret()


@pytest.mark.skipif("GNU" not in tar_version(), reason="GNU tar is what knows the option")
def test_a_backup_that_skips_caches_skips_the_key(tmp_path):
    """The tag of bford.info/cachedir, which tar, restic, borg and others follow when told to."""
    keys.secret()
    text = (keys.path().parent / "CACHEDIR.TAG").read_text()
    assert text.startswith("Signature: 8a477f597d28d172789f06886806bc55")
    command = ["tar", "--exclude-caches", "-cf", str(tmp_path / "a.tar"), "-C", str(keys.path().parents[1])]
    subprocess.run([*command, keys.path().parent.name], check=True)
    with tarfile.open(tmp_path / "a.tar") as archive:
        names = [Path(name).name for name in archive.getnames()]
    assert "CACHEDIR.TAG" in names and keys.path().name not in names


def test_a_folder_that_holds_other_things_is_not_tagged(settings, tmp_path):
    (tmp_path / "years_of_work").write_text("x")
    settings.CHECKPOINT_KEY_FILE = tmp_path / "ledger"
    keys.secret()
    assert not (tmp_path / "CACHEDIR.TAG").exists()


def test_the_secret_is_nowhere_in_the_database(drawn):
    checkpoints.make("on demand")
    kept = keys.secret().text().split("+", 4)[-1]  # base64 itself may hold a plus sign
    assert len(kept) == 44
    said = [str(row) for row in Checkpoint.objects.values_list("note", "reason")]
    assert not any(kept in one for one in said)


def test_a_new_key_is_signed_by_the_old_one_and_the_history_goes_on(drawn, say):
    first = keys.secret().public
    before = checkpoints.make("on demand")
    said = printed("custody_checkpoint", "--change-key")
    second = keys.secret().public
    assert second != first and second.name == first.name and second.text() in said
    say("thawed", "T1", 2)
    after = checkpoints.make("on demand")
    with pytest.raises(ValueError):
        note.opened(after.note, [first])
    trusted = keys.followed([first], keys.changes())
    assert note.opened(after.note, trusted)[1] == [second] and note.opened(before.note, trusted)[1] == [first]
    printed("custody_verify", "--deep")
    assert keys.followed([second], keys.changes()) == [second]


def test_a_change_of_key_that_the_old_key_did_not_sign_is_not_followed():
    first, thief = keys.secret(), keys.new_key("thief")
    text = keys.change_text(first.public, thief.public, 0)
    for signed in (
        note.sign(text, thief),
        note.sign(text, first),
        note.sign(text, keys.new_key(first.name), thief),
    ):
        with pytest.raises(ValueError):
            keys.followed([first.public], [signed])
    assert len(keys.followed([first.public], [note.sign(text, first, thief)])) == 2


def test_a_change_of_key_cannot_be_taken_for_a_checkpoint():
    first, second = keys.secret(), keys.new_key()
    with pytest.raises(ValueError):
        note.checkpoint(keys.change_text(first.public, second.public, 0))


def test_the_command_writes_what_others_need(drawn, tmp_path):
    printed("custody_checkpoint", "--change-key", "--out", str(tmp_path / "out"))
    there = {one.name: one.read_text(encoding="utf-8") for one in (tmp_path / "out").iterdir()}
    assert sorted(there) == ["checkpoint-2.txt", "key-change-1.txt", "ledger.vkey"]
    note.opened(there["checkpoint-2.txt"], [note.public(there["ledger.vkey"])])
    assert "PRIVATE" not in "".join(there.values())
