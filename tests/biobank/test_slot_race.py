"""Eight people and one box of 60 slots, on whichever database the run uses (placers.py puts away)."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import pytest

from tests.biobank.crowd import HANDS
from tests.biobank.placers import BOX, COLS, EACH, ROWS
from tests.custody import apart

SLOTS = ROWS * COLS
TAKEN = re.compile(
    rf"[A-F]\d+ of {BOX} holds [A-Z0-9]{{5}}-\d{{3}}-[A-Z0-9]; "
    r"(the next free slot is [A-F]\d+|the box is full)\."
)


@pytest.fixture
def address(tmp_path: Path):
    with apart.database(tmp_path) as found:
        yield found


def test_eight_people_and_60_slots_give_60_tubes_in_them_and_clear_refusals(address: str, tmp_path: Path):
    said = apart.run(address, tmp_path, "tests.biobank.placers")
    tries = [one for hand in said["hands"] for one in hand]
    assert len({one["tube"] for one in tries}) == HANDS * EACH > SLOTS
    assert [one["said"][1] for one in tries if one["said"][0] == "error"] == []

    # every slot holds one tube, and these are the ones whose owners were told so
    assert sorted((row, col) for row, col, _ in said["slots"]) == [
        (row, col) for row in range(1, ROWS + 1) for col in range(1, COLS + 1)
    ]
    stored = sorted(one["tube"] for one in tries if one["said"][0] == "done")
    assert stored == sorted(tube for _, _, tube in said["slots"]) == sorted(said["inside"])
    assert len(set(stored)) == len(stored) == said["events"] == SLOTS

    # of those who named one slot one got it; the others were told who sits there and what is free
    for slot in {one["slot"] for one in tries if one["slot"]}:
        assert Counter(one["said"][0] for one in tries if one["slot"] == slot)["done"] <= 1
    taken = [one for one in tries if one["said"][0] == "slot_taken"]
    assert len(taken) >= HANDS - 1
    assert all(one["slot"] and TAKEN.fullmatch(one["said"][1]) for one in taken), taken

    # whoever asked for the next free slot got one as long as there was one
    last = {one["tube"]: one["said"] for one in tries}
    refused = [words for tube, words in last.items() if tube not in stored]
    assert refused == [["box_full", f"{BOX} is full. Take another box."]] * (HANDS * EACH - SLOTS)
    assert {one["said"][0] for one in tries} == {"done", "slot_taken", "box_full"}
    assert said["wrong"] == []
