"""A large ledger is looked at by several processes. What they say is what one says."""

from __future__ import annotations

import pytest
from django.core.management import CommandError, call_command

from custody import spread, whole
from custody import verify as verify_module
from custody.core.event import Act
from custody.models import Event, Head
from custody.rebuild import differences
from custody.record import record
from custody.verify import verify
from tests.custody import apart, several
from tests.custody.conftest import START


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


@pytest.fixture
def several_processes(monkeypatch):
    monkeypatch.setattr(spread.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(spread, "worth_it", lambda size: True)


def test_a_process_that_dies_is_an_error_and_no_answer(several_processes):
    with pytest.raises(spread.Died, match="A process died"):
        list(spread.each(dies, int, [1, 2], True))


def test_the_commands_say_so_in_a_sentence(drawn, several_processes, monkeypatch):
    monkeypatch.setattr(verify_module, "stretch", dies)
    monkeypatch.setattr(whole, "compared", dies)
    for command in (["custody_verify"], ["custody_rebuild", "--check"]):
        with pytest.raises(CommandError, match="A process died"):
            call_command(*command)


def dies(ready: object, piece: object) -> None:
    import os

    os._exit(9)


def test_a_head_that_moves_on_meanwhile_is_no_difference(drawn, say, monkeypatch):
    """Others go on writing while a large log is hashed: what they write is left for the next time."""
    first = verify_module.stretch

    def late(known, piece):
        found = first(known, piece)
        say("spun", drawn, 5, data={"g": 1500, "minutes": 10})
        return found

    monkeypatch.setattr(verify_module, "stretch", late)
    before = Event.objects.count()
    report = verify()
    assert report.wrong == [] and report.events == before
    assert Head.objects.get(id=1).size == before + 1


def unit_moved(say):
    line = {"u": "F1", "role": "subj", "to": "ROOM"}
    record([Act(kind="moved", at_ms=START, by="p1", org="SSS", lines=[line])], login="fieldtech")


WRITTEN = {
    "a finding": lambda say: say("thawed", "T1", 10_000_000, strict=False),
    "new tubes": lambda say: say("label_printed", ["A1", "Z1"], 3, role="new"),
    "a unit": unit_moved,
    "a contest": lambda say: [
        say("put_away", tube, 4, unit="B1", row=1, col=1, strict=False) for tube in ("T1", "T2")
    ],
}


@pytest.mark.parametrize("what", WRITTEN)
def test_what_people_write_while_it_is_compared_is_no_difference(drawn, say, monkeypatch, what):
    first = whole.compared

    def late(known, piece):
        found = first(known, piece)
        WRITTEN[what](say)
        return found

    monkeypatch.setattr(whole, "compared", late)
    assert differences() == []


def test_a_void_that_comes_while_it_is_compared_is_no_difference(drawn, say, monkeypatch):
    """What stands of the amendments is read once; when a piece differs it is asked again."""
    thawed = say("thawed", "T1", 3)
    known = whole.amended()
    data = {"of": thawed.id, "reason": "did_not_occur"}
    record([Act(kind="voided", at_ms=START, by="p1", org="SSS", data=data)], login="fieldtech")
    monkeypatch.setattr(spread, "each", lambda task, _, pieces, several: [task(known, one) for one in pieces])
    assert differences() == []
