"""Loggers that send by themselves, and files that come by a folder. The survey is invented."""

from __future__ import annotations

import gzip
import json
import os
from datetime import UTC, datetime, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse

from biobank.models import LiveReading, LoggerDraft, LoggerImport, LoggerToken, ReadingBlock, ReadingConflict
from biobank.temperature import actions, blocks, feed, filing, sent
from biobank.temperature.watching import Watch
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.biobank.logged import MINUTE, PLAIN, rows_from, table, take_in, unlocked, utc

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


@pytest.fixture
def logger(store):
    return actions.add_logger(store.actor("curator"), "T-01", 300, "Freezer probe", "SN1")


@pytest.fixture
def secret(store, logger):
    return feed.give_token(store.actor("labtech"), logger, "gateway")


def every5(first, count, value=-8000):
    return [(utc(first) + k * 5 * MINUTE, value) for k in range(count)]


# --- sending --------------------------------------------------------------------------------------


def push(client, secret, readings, **more):
    body = readings if isinstance(readings, str) else json.dumps({"readings": readings})
    return client.post(
        reverse("logger_push"), body, content_type="application/json",
        headers={"Authorization": f"Bearer {secret}"} if secret else {}, **more,
    )  # fmt: skip


def test_a_logger_sends_with_its_password_and_nothing_is_doubled(client, logger, secret, time_machine):
    time_machine.move_to(NOON, tick=False)
    said = [{"at": "2026-05-04T09:00:00Z", "c": -80.125}, {"at": "2026-05-04T11:05:00+02:00", "c": -80.135}]
    assert push(client, secret, said).json() == {"new": 2, "already": 0, "conflicts": 0}
    assert push(client, secret, said).json() == {"new": 0, "already": 2, "conflicts": 0}
    loaded = blocks.load(logger.pk, utc("2026-05-04 09:00"), utc("2026-05-04 10:00"))
    assert loaded.times.tolist() == [utc("2026-05-04 09:00"), utc("2026-05-04 09:05")]
    assert loaded.centi.tolist() == [-8012, -8014]  # half to even, from the digits that were sent
    assert LoggerToken.objects.get().used == NOON


def test_null_is_a_sensor_error_and_no_line_goes_over_it(client, logger, secret, time_machine):
    time_machine.move_to(NOON, tick=False)
    at = [f"2026-05-04T09:{m:02}:00Z" for m in (0, 5, 10, 15)]
    push(client, secret, [{"at": a, "c": c} for a, c in zip(at, [-80, None, -80, -80], strict=True)])
    series = blocks.load(logger.pk, utc("2026-05-04 09:00"), utc("2026-05-04 09:15")).series()
    assert float(series.measured(utc("2026-05-04 09:00"), utc("2026-05-04 09:15"))[0]) == 5 * MINUTE


@pytest.mark.parametrize(
    ("body", "code"),
    [
        ("", "push_malformed"), ("[]", "push_malformed"), ('{"readings": {}}', "push_too_large"),
        ('{"readings": []}', "push_too_large"), ('{"readings": [[1, 2]]}', "push_malformed"),
        ('{"readings": [{"at": "2026-05-04T09:00:00", "c": 1}]}', "push_malformed"),
        ('{"readings": [{"at": "yesterday", "c": 1}]}', "push_malformed"),
        ('{"readings": [{"at": true, "c": 1}]}', "push_malformed"),
        ('{"readings": [{"at": 1777885200, "c": 1}]}', "push_malformed"),
        ('{"readings": [{"at": "2026-05-04T09:00:00Z", "c": "1"}]}', "push_malformed"),
        ('{"readings": [{"at": "2026-05-04T09:00:00Z", "c": NaN}]}', "push_malformed"),
        ('{"readings": [{"at": "2026-05-04T09:00:00Z", "c": -300}]}', "value_range"),
        ('{"readings": [{"at": "2026-05-04T09:00:00Z", "c": 1e40}]}', "value_range"),
        ('{"readings": [{"at": "2026-05-04T12:11:00Z", "c": 1}]}', "time_future"),
        ('{"readings": [{"at": "2026-05-04T09:00Z", "c": 1}, {"at": "2026-05-04T09:00Z", "c": 2}]}',
         "same_time_twice"),
        ("[" * 100_000, "push_malformed"),
        ('{"readings": [{"at": "2026-05-04T09:00:00Z", "c": 1e999999}]}', "value_range"),
        ('{"readings": [{"at": "2026-05-04T09:00:00Z", "c": 1e99999999999999999999}]}', "push_malformed"),
        ('{"readings": [{"at": "0001-01-01T00:00:00+23:59", "c": 1}]}', "push_malformed"),
        ('{"readings": [{"at": "9999-12-31T23:59:59-23:59", "c": 1}]}', "time_future"),
        ('{"readings": [{"at": -1' + "0" * 400 + ', "c": 1}]}', "push_malformed"),
        ('{"readings": [{"at": "2026-05-04T09:00:00Z", "c": 9, "c": -80}]}', "push_malformed"),
    ],
)  # fmt: skip
def test_what_is_no_reading_is_refused_whole_with_a_code(client, secret, body, code, time_machine):
    time_machine.move_to(NOON, tick=False)
    answer = push(client, secret, body)
    assert (answer.json()["code"], LiveReading.objects.count()) == (code, 0) and answer.status_code in (
        413,
        422,
    )


def test_without_a_password_that_counts_nothing_is_taken(client, store, logger, secret):
    said = [{"at": "2026-05-04T09:00:00Z", "c": -80}]
    for wrong in ("", "guess", secret[:-1]):
        answer = push(client, wrong, said)
        assert answer.status_code == 401 and answer["WWW-Authenticate"] == "Bearer"
    feed.revoke_token(store.actor("curator"), LoggerToken.objects.get(), "Gateway was stolen")
    assert push(client, secret, said).json()["code"] == "token_unknown" and not LiveReading.objects.exists()
    token = LoggerToken.objects.get()
    assert token.history.first().history_change_reason == "Gateway was stolen"
    assert secret not in str(token.__dict__)


def test_a_retired_logger_and_a_larger_body_are_refused(client, logger, secret):
    logger.retired = True
    logger.save()
    assert push(client, secret, [{"at": "2026-05-04T09:00:00Z", "c": -80}]).status_code == 403
    logger.retired = False
    logger.save()
    assert push(client, secret, " " * 1_000_001).status_code == 413
    many = [{"at": utc("2026-05-03 09:00") + k, "c": 1} for k in range(sent.MOST + 1)]
    assert push(client, secret, many).json()["code"] == "push_too_large"


def test_a_length_that_is_no_number_is_refused_and_no_fault_of_ours(client, secret, time_machine):
    time_machine.move_to(NOON, tick=False)
    answer = push(client, secret, [{"at": "2026-05-04T09:00:00Z", "c": -80}], CONTENT_LENGTH="many")
    assert (answer.status_code, answer.json()["code"]) == (422, "push_malformed")


# --- sealing --------------------------------------------------------------------------------------


def test_a_day_is_sealed_some_hours_after_its_end_and_reads_the_same(logger):
    said = every5("2026-05-03 22:00", 36)  # 22:00 to 00:55
    feed.take(logger, said, datetime(2026, 5, 4, 5, 59, tzinfo=UTC))
    span = (utc("2026-05-03 21:00"), utc("2026-05-04 02:00"))
    before = blocks.load(logger.pk, *span)
    assert ReadingBlock.objects.count() == 0
    assert feed.seal(logger, datetime(2026, 5, 4, 6, 0, tzinfo=UTC)) == 24
    after = blocks.load(logger.pk, *span)
    assert LiveReading.objects.count() == 12 and ReadingBlock.objects.get().n == 24
    for name in ("times", "centi", "gaps"):
        assert getattr(before, name).tolist() == getattr(after, name).tolist()
    assert feed.seal(logger, datetime(2026, 5, 4, 6, 0, tzinfo=UTC)) == 0


def test_what_was_sent_and_the_logger_s_own_file_make_the_same_block(store, logger):
    rows = rows_from("2026-05-03 09:00", 30)
    sent_too = [(utc(t), c * 100) for t, c in rows]
    feed.take(logger, sent_too[5:20], NOON)
    feed.seal(logger, NOON)
    take_in(store, logger, rows)
    one = ReadingBlock.objects.get(current=True).sha256
    unlocked()
    ReadingBlock.objects.all().delete()
    take_in(store, logger, rows)
    assert ReadingBlock.objects.get(current=True).sha256 == one and not ReadingConflict.objects.exists()


def test_another_value_sent_is_a_conflict_whenever_it_comes(store, logger):
    take_in(store, logger, rows_from("2026-05-03 09:00", 10, value=lambda k: -80))
    feed.take(logger, [(utc("2026-05-03 09:05"), -7000)], NOON)  # sealed at once: the day is over
    feed.take(logger, [(utc("2026-05-04 09:05"), -8000)], NOON)
    assert feed.take(logger, [(utc("2026-05-04 09:05"), -7900)], NOON).conflicts == 1
    said = list(ReadingConflict.objects.values_list("at_ms", "stored_centi", "said_centi"))
    assert said == [(utc("2026-05-03 09:05"), -8000, -7000), (utc("2026-05-04 09:05"), -8000, -7900)]


def test_a_file_and_a_reading_that_waits_to_be_sealed_disagree_and_until_settled_there_is_no_data(
    store, logger
):
    """Whichever came first: nobody has to wait for the sealing to be told that nothing is known."""
    take_in(store, logger, rows_from("2026-05-04 09:00", 10, value=lambda k: -80))
    feed.take(logger, [(utc("2026-05-04 09:20"), 500)], NOON)
    start, end = utc("2026-05-04 09:00"), utc("2026-05-04 09:45")
    loaded = blocks.load(logger.pk, start, end)
    assert utc("2026-05-04 09:20") not in loaded.times.tolist()
    assert float(loaded.series().measured(start, end)[0]) == 35 * MINUTE  # 45 less the two lines at 09:20
    feed.seal(logger, NOON + timedelta(days=2))
    after = blocks.load(logger.pk, start, end)
    assert after.times.tolist() == loaded.times.tolist()
    assert float(after.series().measured(start, end)[0]) == 35 * MINUTE


def test_a_broken_day_stops_only_its_own_logger(store, logger):
    other = actions.add_logger(store.actor("curator"), "T-02", 300)
    take_in(store, logger, rows_from("2026-05-03 09:00", 10))
    unlocked()
    ReadingBlock.objects.update(sha256="0" * 64)
    for one in (logger, other):
        LiveReading.objects.create(logger=one, at_ms=utc("2026-05-03 20:00"), centi=-8000)
    said = StringIO()
    with pytest.raises(CommandError):
        call_command("logger_seal", stdout=said)
    assert "T-01: Stored readings" in said.getvalue() and "T-02: 1 readings sealed" in said.getvalue()
    assert LiveReading.objects.get().logger == logger


# --- a folder -------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path, store, logger):
    (tmp_path / "T-01").mkdir()
    take_in(store, logger, rows_from("2026-05-01 09:00", 10))
    return tmp_path


def put(path, content, age_s=60):
    path.write_bytes(content)
    then = datetime.now().timestamp() - age_s
    os.utime(path, (then, then))


def watch(store, folder):
    return Watch(folder, store.actor("labtech"), lambda: datetime.now().timestamp())


def test_a_file_in_a_logger_s_folder_is_taken_once_as_its_last_file_was(store, logger, folder):
    put(folder / "T-01" / "may.csv", table(rows_from("2026-05-02 09:00", 20)))
    looks = watch(store, folder)
    (came,) = looks.look()
    assert (came.logger, came.new, came.code) == ("T-01", 20, "")
    assert list(looks.look()) == [] and list(watch(store, folder).look()) == []
    source = LoggerImport.objects.first()
    assert (source.via, source.person.code) == ("folder", store.person("labtech").code)
    assert (folder / "T-01" / "may.csv").exists() and not LoggerDraft.objects.exists()


def test_a_file_still_being_written_waits(store, folder):
    put(folder / "T-01" / "may.csv", table(rows_from("2026-05-02 09:00", 20)), age_s=2)
    assert list(watch(store, folder).look()) == []


def test_what_cannot_be_taken_is_held_and_the_next_file_is_not_stopped(store, logger, folder):
    actions.add_logger(store.actor("curator"), "T-09", 300)
    (folder / "T-09").mkdir()
    put(folder / "T-01" / "a.csv", b"%PDF-1.7 no table")
    put(folder / "T-01" / "b.csv", table([("2026-05-02 09:00", "warm")]))
    put(folder / "T-01" / "c.csv", table(rows_from("2026-05-02 09:00", 20)))
    put(folder / "T-09" / "d.csv", table(rows_from("2026-05-02 09:00", 20)))
    put(folder / "loose.csv", table(rows_from("2026-05-02 09:00", 30)))
    looks = watch(store, folder)
    came = {one.path.name: one.code for one in looks.look()}
    assert came == {
        "a.csv": "file_kind", "b.csv": "rows_refused", "c.csv": "", "d.csv": "profile_not_known",
        "loose.csv": "logger_not_known",
    }  # fmt: skip
    assert LoggerDraft.objects.count() == 4 and list(watch(store, folder).look()) == []
    assert bytes(LoggerDraft.objects.get(file_name="a.csv").content) == b"%PDF-1.7 no table"


def test_a_loose_file_is_known_by_its_serial_number(store, logger, folder):
    from dataclasses import replace

    profile = replace(PLAIN, header_rows=2, serial_words="Serial *")
    actions.save_mapping(store.actor("curator"), "With number", profile)
    put(folder / "loose.csv", b"Serial: sn1\n" + table(rows_from("2026-05-02 09:00", 20)))
    put(folder / "other.csv", b"Serial: sn7\n" + table(rows_from("2026-05-02 09:00", 21)))
    came = {one.path.name: (one.logger, one.code) for one in watch(store, folder).look()}
    assert came == {"loose.csv": ("T-01", ""), "other.csv": ("", "logger_not_known")}


def test_a_file_that_cannot_be_read_or_is_gone_stops_no_other(store, folder, monkeypatch):
    put(folder / "T-01" / "a.csv", table(rows_from("2026-05-02 09:00", 20)))
    put(folder / "T-01" / "b.csv", table(rows_from("2026-05-03 09:00", 20)))
    plain = type(folder).read_bytes

    def denied(path):
        if path.name == "a.csv":
            raise PermissionError(13, "Permission denied")
        return plain(path)

    monkeypatch.setattr(type(folder), "read_bytes", denied)
    looks = watch(store, folder)
    came = {one.path.name: one.code for one in looks.look()}
    assert came == {"a.csv": "file_unreadable", "b.csv": ""} and not LoggerDraft.objects.exists()
    monkeypatch.undo()
    assert [one.path.name for one in looks.look()] == ["a.csv"]  # looked at again, and now it can be read


def test_a_link_that_leads_out_of_the_folder_is_not_followed(store, folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "secret.csv"
    put(outside, table(rows_from("2026-05-02 09:00", 20)))
    (folder / "T-01" / "may.csv").symlink_to(outside)
    (folder / "T-01" / "gone.csv").symlink_to(folder / "no-such.csv")
    assert list(watch(store, folder).look()) == [] and not LoggerDraft.objects.exists()


def test_a_name_that_is_no_text_is_kept_as_well_as_it_can_be(store, folder):
    path = folder / "T-01" / os.fsdecode(b"m\xe4rz.csv")
    put(path, table(rows_from("2026-05-02 09:00", 20)))
    said = StringIO()
    call_command("logger_watch", str(folder), "--as", "labtech", "--once", stdout=said)
    assert LoggerImport.objects.first().file_name == "m\ufffdrz.csv" and "20 new" in said.getvalue()


def test_a_file_that_was_held_and_then_taken_by_hand_is_not_held_again(store, logger, folder):
    put(folder / "loose.csv", table(rows_from("2026-05-02 09:00", 20)))
    (came,) = watch(store, folder).look()
    assert came.code == "logger_not_known"
    actor, held = store.actor("labtech"), LoggerDraft.objects.get()
    actions.store(actor, filing.claim(actor, held, logger, PLAIN, ""), new_id())
    assert list(watch(store, folder).look()) == [] and not LoggerDraft.objects.exists()


def test_the_command_says_what_it_did_and_who_may(store, folder):
    put(folder / "T-01" / "may.csv.gz", gzip.compress(table(rows_from("2026-05-02 09:00", 20))))
    said = StringIO()
    call_command("logger_watch", str(folder), "--as", "labtech", "--once", stdout=said)
    assert "taken  T-01: may.csv.gz: 20 new, 0 stored already" in said.getvalue()
    for wrong in (("labtech", "no/such/folder"), ("nobody", str(folder)), ("collaborator", str(folder))):
        with pytest.raises(CommandError):
            call_command("logger_watch", wrong[1], "--as", wrong[0], "--once", stdout=said)


def test_only_what_is_sent_within_ten_minutes_of_now_is_believed():
    body = json.dumps({"readings": [{"at": "2026-05-04T12:10:00Z", "c": 1}]}).encode()
    assert sent.read(body, NOON) == [(utc("2026-05-04 12:10"), 100)]
    with pytest.raises(Refused) as no:
        sent.read(body, NOON - timedelta(seconds=1))
    assert no.value.code == "time_future"
