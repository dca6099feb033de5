"""A large ledger is looked at by several processes. What they say is what one says."""

from __future__ import annotations

import pytest

from custody import spread
from custody.models import Event, Head
from custody.verify import verify
from tests.custody import apart, several


@pytest.fixture(scope="module")
def said(tmp_path_factory):
    folder = tmp_path_factory.mktemp("several")
    with apart.database(folder) as address:
        return apart.run(address, folder, "tests.custody.several", patience_s=300)


def test_a_ledger_that_holds_holds_for_both(said):
    alone, together = said["whole"]
    assert alone == together
    assert alone[0]["events"] == several.EVENTS and alone[0]["wrong"] == [] and alone[1] == []
    assert said["rebuilt"][0] == said["rebuilt"][1] and said["rebuilt"][0][1] == []


@pytest.mark.parametrize("name", several.TAMPERED)
def test_what_was_tampered_with_is_named_in_the_same_words(said, name):
    alone, together = said[name]
    assert alone == together
    assert alone[0]["wrong"] or alone[1], "nobody noticed"


@pytest.mark.parametrize("name", ["a text", "a line", "one event is gone", "a time goes back"])
def test_a_change_of_the_log_is_found_by_hashing(said, name):
    assert said[name][0][0]["wrong"]


def test_a_gap_at_the_end_of_a_stretch_is_named_once_and_with_its_number(said):
    wrong = said["two events are gone"][1][0]["wrong"]
    assert sum("was expected" in one for one in wrong) == 1
    assert any("number 511 was expected" in one for one in wrong)


def test_who_contests_a_slot_is_told_by_the_ledger_and_not_by_the_places_that_were_tampered_with(said):
    wrong = said["a place that another has"][1][1]
    assert wrong and all("T000000301" in one for one in wrong)
    assert "tube T000000301: contested is True, the ledger says False" in wrong


def test_a_process_that_dies_is_an_error_and_no_answer(monkeypatch):
    monkeypatch.setattr(spread, "_others_see", lambda held: True)
    monkeypatch.setattr(spread.os, "cpu_count", lambda: 2)
    with pytest.raises(Exception, match="terminated abruptly"):
        list(spread.each(dies, [1, 2], spread.LARGE))


def dies(piece: int) -> None:
    import os

    os._exit(9)


def test_a_head_that_moves_on_meanwhile_is_no_difference(drawn, say, monkeypatch):
    """Others go on writing while a large log is hashed: what they write is left for the next time."""
    from custody import verify as module

    first = module.stretch

    def late(piece):
        found = first(piece)
        say("spun", drawn, 5, data={"g": 1500, "minutes": 10})
        return found

    monkeypatch.setattr(module, "stretch", late)
    before = Event.objects.count()
    report = verify()
    assert report.wrong == [] and report.events == before
    assert Head.objects.get(id=1).size == before + 1
