"""Storing a logger's readings: sealed days, revisions, conflicts, any order. The survey is invented."""

from __future__ import annotations

import random
from itertools import pairwise

import numpy as np
import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st

from biobank.models import LoggerDraft, LoggerImport, ReadingBlock, ReadingConflict
from biobank.temperature import actions, blocks, filing, plausible
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.biobank.logged import HOUR, MINUTE, PLAIN, rows_from, table, take_in, unlocked, utc


@pytest.fixture
def logger(store):
    return actions.add_logger(store.actor("curator"), "T-01", 300, "Freezer probe", "SN1")


def test_readings_come_back_as_they_were_over_midnight(store, logger):
    rows = rows_from("2026-05-03 22:00", 60)
    stored = take_in(store, logger, rows)
    loaded = blocks.load(logger.pk, utc("2026-05-03 22:00"), utc("2026-05-04 03:00"))
    assert stored.new == 60 and ReadingBlock.objects.count() == 2 and not LoggerDraft.objects.exists()
    assert loaded.times.tolist() == [utc(t) for t, _ in rows]
    assert loaded.centi.tolist() == [v * 100 for _, v in rows]
    assert set(loaded.gaps.tolist()) == {15 * MINUTE}  # three recording intervals
    source = LoggerImport.objects.get()
    assert (source.rows, source.stored, source.person.code) == (60, 60, store.person("curator").code)
    assert source.mapping_spec == PLAIN.spec()


def test_the_same_readings_again_write_nothing_and_say_so(store, logger):
    rows = rows_from("2026-05-03 22:00", 60)
    take_in(store, logger, rows)
    before = list(ReadingBlock.objects.values_list("pk", "sha256"))
    again = take_in(store, logger, rows[10:40])
    assert (again.source, again.new, again.already) == (None, 0, 30)
    assert (
        list(ReadingBlock.objects.values_list("pk", "sha256")) == before and LoggerImport.objects.count() == 1
    )


def test_overlapping_files_in_any_order_give_the_same_readings(store, logger):
    rows = rows_from("2026-05-03 20:00", 200)
    parts = [rows[a : a + 60] for a in range(0, 200, 35)]
    random.Random(4).shuffle(parts)
    new = sum(take_in(store, logger, part).new for part in parts)
    loaded = blocks.load(logger.pk, utc(rows[0][0]), utc(rows[-1][0]))
    assert new == 200 and loaded.times.tolist() == [utc(t) for t, _ in rows]
    assert loaded.centi.tolist() == [v * 100 for _, v in rows]


def test_a_form_sent_twice_is_one_import(store, logger):
    key, rows = new_id(), rows_from("2026-05-03 09:00", 10)
    actor = store.actor("curator")
    held = actions.draft(actor, logger, PLAIN, "a.csv", table(rows))
    twin = LoggerDraft.objects.get(pk=held.pk)
    first, second = actions.store(actor, held, key), actions.store(actor, twin, key)
    assert first.source == second.source and LoggerImport.objects.count() == 1


# --- any order ------------------------------------------------------------------------------------


def sealed(logger):
    """What counts now, byte for byte: day, seal, packed form."""
    rows = ReadingBlock.objects.filter(logger=logger, current=True).order_by("day")
    return [(day, sha, bytes(packed)) for day, sha, packed in rows.values_list("day", "sha256", "payload")]


def odd_cuts(rows, rng):
    """Files of odd length that overlap, one of them with a single row, and everything once more."""
    cuts = sorted(rng.sample(range(1, len(rows) - 1), 6))
    parts = [rows[max(0, a - rng.randrange(40)) : b] for a, b in pairwise([0, *cuts, len(rows)])]
    return [*parts, rows[cuts[2] : cuts[2] + 1], rows[len(rows) // 3 :]]


@pytest.mark.parametrize("seed", range(6))
def test_overlapping_files_of_odd_cut_in_random_order_give_bit_identical_blocks(store, logger, seed):
    rng = random.Random(seed)
    slow = rows_from("2026-05-05 00:10", 50, minutes=15, value=lambda k: -81 + k % 5)
    rows = [*rows_from("2026-05-03 20:00", 330), *slow]  # the interval changes on the way
    parts = odd_cuts(rows, rng)
    seen = []
    unlocked()
    for _ in range(3):
        rng.shuffle(parts)
        for part in parts:
            take_in(store, logger, part)
        seen.append(sealed(logger))
        ReadingBlock.objects.all().delete()
    assert seen[0] == seen[1] == seen[2] and len(seen[0]) == 3
    assert [row[0] for row in seen[0]] == [utc(f"2026-05-0{d} 00:00") // (24 * HOUR) for d in (3, 4, 5)]


def test_a_later_file_makes_the_next_revision_of_the_days_it_knows_more_of(store, logger):
    rows = rows_from("2026-05-03 20:00", 96)  # to 4 May 03:55
    take_in(store, logger, rows[:60])
    first = list(ReadingBlock.objects.order_by("pk").values_list("day", "revision", "current", "sha256"))
    take_in(store, logger, rows[40:])
    now = list(ReadingBlock.objects.order_by("pk").values_list("day", "revision", "current", "sha256"))
    assert [row[1:3] for row in first] == [(1, True), (1, True)]
    assert [row[1:3] for row in now] == [(1, True), (1, False), (2, True)]  # 3 May was whole already
    assert now[1][3] == first[1][3]  # the older one is what it was


def test_the_shorter_gap_limit_counts_whichever_file_came_first(store, logger):
    rows = rows_from("2026-05-03 09:00", 24)
    take_in(store, logger, rows[::3])  # every 15 minutes: 45 minutes would still be measured
    take_in(store, logger, rows)
    loaded = blocks.load(logger.pk, utc("2026-05-03 09:00"), utc("2026-05-03 11:00"))
    assert set(loaded.gaps.tolist()) == {15 * MINUTE}


# --- conflicts ------------------------------------------------------------------------------------


def test_a_few_readings_far_apart_are_no_recording_interval(store, logger):
    """A logger of 5 min whose battery was failing: half a day between two readings was not measured."""
    take_in(store, logger, [("2026-05-03 06:00", -80), ("2026-05-03 18:00", -80)])
    span = (utc("2026-05-03 06:00"), utc("2026-05-03 18:00"))
    assert blocks.load(logger.pk, *span).series().measured(*span).tolist() == [0.0]
    held = actions.draft(
        store.actor("curator"), logger, PLAIN, "more.csv",
        table(rows_from("2026-05-04 06:00", plausible.FEW, minutes=30)),
    )  # fmt: skip
    assert filing.look(logger, bytes(held.content), PLAIN).gap_ms == 90 * MINUTE  # enough to be believed


def test_another_value_for_a_stored_moment_is_a_conflict_and_the_rest_is_stored(store, logger):
    rows = rows_from("2026-05-03 09:00", 10)
    take_in(store, logger, rows)
    before = sealed(logger)
    changed = [*rows[5:9], (rows[9][0], 4), *rows_from("2026-05-03 10:00", 5)]
    found = actions.look(logger, table(changed), PLAIN)
    stored = -8000 + 100 * (9 % 3)
    assert [(c.at_ms, c.stored_centi, c.said_centi, c.line) for c in found.conflicts] == [
        (utc(rows[9][0]), stored, 400, 6)
    ]
    assert ReadingConflict.objects.count() == 0  # looking writes nothing
    done = take_in(store, logger, changed)
    assert (done.new, done.already, done.conflicts) == (5, 4, 1) and sealed(logger) != before
    one = ReadingConflict.objects.get()
    assert (one.stored_centi, one.said_centi, one.choice, one.source) == (stored, 400, "", done.source)
    held = ReadingBlock.objects.get(current=True)
    kept = blocks.decode(held.day, held.n, held.codec, bytes(held.payload))
    assert kept.centi[kept.times == utc(rows[9][0])].tolist() == [stored]  # never overwritten


def test_a_conflict_said_again_is_the_same_conflict(store, logger):
    rows = rows_from("2026-05-03 09:00", 10)
    take_in(store, logger, rows)
    changed = [*rows[:9], (rows[9][0], 4)]
    take_in(store, logger, changed)
    again = take_in(store, logger, changed)
    assert again.source is None and again.conflicts == 1 and ReadingConflict.objects.count() == 1


# --- blocks ---------------------------------------------------------------------------------------


def damage(block, field):
    """Another value in a stored column, as somebody with the database could put there."""
    if field == "payload":
        held = blocks.decode(block.day, block.n, block.codec, bytes(block.payload))
        held.centi[0] += 1
        return blocks.encode(block.day, held)
    if field == "junk":
        return b"no block"
    return {"day": block.day + 1, "codec": 9, "n": block.n + 1, "sha256": "0" * 64}[field]


@pytest.mark.parametrize("field", ["payload", "junk", "day", "codec", "n", "sha256"])
def test_a_block_that_was_changed_is_left_out_and_named(store, logger, field):
    take_in(store, logger, rows_from("2026-05-03 09:00", 10))
    block = ReadingBlock.objects.get()
    unlocked()
    column = "payload" if field == "junk" else field
    ReadingBlock.objects.filter(pk=block.pk).update(**{column: damage(block, field)})
    loaded = blocks.load(logger.pk, utc("2026-05-03 09:00"), utc("2026-05-03 10:00"))
    assert len(loaded.times) == 0 and len(loaded.broken) == 1
    if field != "day":
        with pytest.raises(Refused) as no:
            take_in(store, logger, rows_from("2026-05-03 09:00", 10))
        assert no.value.code == "reading_seal_broken"


def test_the_database_itself_refuses_a_block_that_cannot_be(store, logger):
    take_in(store, logger, rows_from("2026-05-03 09:00", 10))
    block = ReadingBlock.objects.get()
    unlocked()
    for wrong in (
        {"n": 0},
        {"low_centi": 30_000},
        {"first_ms": block.last_ms + 1},
        {"covered_ms": 86_400_001},
    ):
        with pytest.raises(IntegrityError), transaction.atomic():
            ReadingBlock.objects.filter(pk=block.pk).update(**wrong)
    for twin in ({"revision": 1, "current": False}, {"revision": 2, "current": True}):
        block.pk, block.revision, block.current = None, twin["revision"], twin["current"]
        with pytest.raises(IntegrityError), transaction.atomic():
            block.save(force_insert=True)


def test_a_stored_day_is_neither_changed_nor_deleted_by_plain_sql(store, logger):
    take_in(store, logger, rows_from("2026-05-03 09:00", 10))
    for wrong in ({"n": 9}, {"payload": b"x"}, {"sha256": "0" * 64}, {"revision": 7}, {"low_centi": -9000}):
        with pytest.raises(DatabaseError, match="kept"), transaction.atomic():
            ReadingBlock.objects.update(**wrong)
    for rows in (ReadingBlock, LoggerImport):
        with pytest.raises(DatabaseError, match="kept"), transaction.atomic():
            rows.objects.all()._raw_delete("default")
    with pytest.raises(DatabaseError, match="kept"), transaction.atomic():
        LoggerImport.objects.update(file_name="other.csv")


@st.composite
def a_day(draw):
    times = draw(st.lists(st.integers(0, 86_399_999), min_size=1, max_size=60, unique=True).map(sorted))
    numbers = st.lists(st.integers(-32_768, 32_767), min_size=len(times), max_size=len(times))
    gaps = st.lists(
        st.sampled_from([0, 900_000, 180_000, 259_200_000]), min_size=len(times), max_size=len(times)
    )
    day = draw(st.integers(-800, 40_000))
    at = np.asarray(times, np.int64) + day * 86_400_000
    return day, blocks.Readings(at, np.asarray(draw(numbers), np.int64), np.asarray(draw(gaps), np.int64))


@given(a_day())
@settings(max_examples=200, deadline=None)
def test_a_packed_day_comes_back_as_it_was(said):
    day, held = said
    back = blocks.decode(day, len(held), blocks.CODEC, blocks.encode(day, held))
    for name in ("times", "centi", "gaps"):
        assert getattr(back, name).tolist() == getattr(held, name).tolist()
    assert blocks.seal("T", day, back) == blocks.seal("T", day, held)


@given(a_day(), st.randoms(use_true_random=False))
@settings(max_examples=100, deadline=None)
def test_merging_pieces_of_a_day_in_any_order_is_the_day(said, rng):
    _, held = said
    parts = [held.part(np.asarray(sorted(rng.sample(range(len(held)), rng.randint(0, len(held)))), np.int64))
             for _ in range(4)]  # fmt: skip
    parts.append(held)
    rng.shuffle(parts)
    merged = blocks.NONE
    for part in parts:
        found = blocks.merge(merged, part)
        assert not len(found.conflicts)
        merged = found.held
    for name in ("times", "centi", "gaps"):
        assert getattr(merged, name).tolist() == getattr(held, name).tolist()


def test_a_sensor_error_is_no_reading_and_no_line_goes_over_it(store, logger):
    day = utc("2026-05-03 00:00") // (24 * HOUR)
    at = [utc(f"2026-05-03 09:0{k}") for k in range(0, 10, 2)]
    held = blocks.of(at, [-8000, -8000, blocks.ERROR, -8000, -8000], 15 * MINUTE)
    made = blocks.block(logger.pk, logger.code, day, held, 1, None)
    made.save()
    loaded = blocks.load(logger.pk, at[0], at[-1])
    assert loaded.times.tolist() == [at[0], at[1], at[3], at[4]]
    assert float(loaded.series().measured(at[0], at[-1])[0]) == 4 * MINUTE  # of 8: not over the error
    assert (made.low_centi, made.high_centi, made.covered_ms) == (-8000, -8000, 4 * MINUTE)


def test_a_year_is_read_in_as_many_queries_as_an_hour(store, logger):
    take_in(store, logger, rows_from("2026-05-03 09:00", 2000, minutes=30))
    counted = []
    for end in ("2026-05-03 10:00", "2026-06-13 10:00"):
        with CaptureQueriesContext(connection) as spent:
            blocks.load(logger.pk, utc("2026-05-03 09:00"), utc(end))
        counted.append(len(spent))
    assert counted[0] == counted[1]
