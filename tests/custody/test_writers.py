"""Eight writers at once, in two processes, on whichever database the run uses (writers.py writes)."""

from __future__ import annotations

import uuid
from pathlib import Path

from tests.custody import apart
from tests.custody.writers import HANDS, LARGE, ROUNDS, SAME_KEY


def test_eight_writers_lose_nothing_leave_no_gap_and_never_see_a_lock(address: str, tmp_path: Path):
    said = apart.run(address, tmp_path, "tests.custody.writers")

    assert [error for hand in said["hands"] for error in hand["errors"]] == []
    assert len(said["hands"]) == HANDS

    # what each was told it wrote is what is there, once each, and nothing else but the two first events
    told = sorted((seq, key) for hand in said["hands"] for seq, key in hand["wrote"])
    there = apart.rows(address, "SELECT seq, event_id FROM custody_event ORDER BY seq")
    assert [seq for seq, _ in there] == list(range(len(there)))
    assert told == [(seq, str(uuid.UUID(str(key)))) for seq, key in there[2:]]
    assert said["size"] == len(there)

    # every slot has one winner, everybody else was told that it is taken
    refused = [code for hand in said["hands"] for code in hand["refused"]]
    assert refused == ["slot_taken"] * (HANDS * ROUNDS - ROUNDS)
    assert said["box"] == ROUNDS

    # one key sent by all is one event; each of the other thaws counts
    assert sum(key == SAME_KEY for _, key in told) == 1
    assert said["thaws"] == HANDS * ROUNDS + 1
    assert said["crate"] == [HANDS * LARGE]

    # an event that was told as written cannot be taken back by a transaction around it
    assert "durable" in said["wrapped"]

    assert said["wrong"] == []
    assert said["differences"] == []
