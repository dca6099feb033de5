"""Voids and corrections in the ledger itself, and what others may ask of them. On both databases."""

from __future__ import annotations

import pytest
from django.core.management import CommandError, call_command

from custody import queries
from custody.core.event import Act, new_id
from custody.core.refusal import Refused
from custody.models import Event
from custody.rebuild import differences
from custody.record import record
from custody.verify import verify
from tests.custody.conftest import START


def amend(kind, of, *, strict=True, **data):
    reason = {"reason": "did_not_occur" if kind == "voided" else "incorrect_data"}
    act = Act(kind=kind, at_ms=START, by="p1", org="SSS", data={"of": of} | reason | data)
    return record([act], login="curator", strict=strict)[0].id


def event_of(tube, kind):
    return next(one.id for one in queries.history(tube) if one.kind == kind)


def refused(code, do):
    size = Event.objects.count(), queries.find(), queries.findings()
    with pytest.raises(Refused) as no:
        do()
    assert no.value.code == code
    assert (Event.objects.count(), queries.find(), queries.findings()) == size


def test_an_amendment_that_breaks_something_is_refused_live_and_kept_when_it_comes_otherwise(drawn, say):
    say("thawed", "T1", 9)
    draw = event_of("T1", "drawn")
    refused("tube_not_drawn", lambda: amend("voided", draw))
    amend("voided", draw, strict=False)
    assert [(one.code, one.subject) for one in queries.findings()] == [("tube_not_drawn", "T1")]
    assert differences() == []


def test_what_was_broken_before_is_no_reason_to_refuse(drawn, say):
    wrong = say("drawn", "T1", 5, strict=False, ul=700)
    thaw = say("thawed", "T1", 9)
    amend("voided", thaw.id)
    assert [one.code for one in queries.findings()] == ["drawn_twice"]
    amend("voided", wrong.id)
    assert queries.findings() == [] and differences() == []


def test_a_contested_slot_does_not_stop_other_amendments_and_a_new_contest_is_refused(drawn, say):
    say("put_away", "T1", 9, unit="B1", row=1, col=1)
    say("put_away", "T2", 10, strict=False, unit="B1", row=1, col=1)
    thaw = say("thawed", "T1", 11, strict=False)
    amend("voided", thaw.id)
    third = say("put_away", "T3", 12, unit="B1", row=1, col=2)
    taken = {"lines": [{"n": 0, "row": 1, "col": 1}]}
    refused("slot_taken", lambda: amend("corrected", third.id, set=taken))
    amend("corrected", event_of("T2", "put_away"), set={"lines": [{"n": 0, "col": 3}]})
    assert queries.box("B1") == {(1, 1): "T1", (1, 2): "T3", (1, 3): "T2"}
    assert differences() == []


@pytest.mark.parametrize("strict", [True, False])
@pytest.mark.parametrize(
    ("fields", "code"),
    [
        ({"lines": [{"n": 0, "ul": "much"}]}, "line_malformed"),
        ({"lines": [{"n": 0, "ul": None, "t": "T9"}]}, "line_malformed"),
        ({"lines": [{"n": 0, "colour": "red"}]}, "line_malformed"),
        ({"lines": [{"n": 3, "ul": 1}]}, "line_malformed"),
        ({"lines": [{"n": True, "ul": 1}]}, "line_malformed"),
        ({"lines": [{"ul": 1}]}, "line_malformed"),
        ({"lines": {"n": 0}}, "line_malformed"),
        ({"lines": ["x"]}, "line_malformed"),
        ({"at": "noon"}, "data_malformed"),
        ({"at": None}, "data_malformed"),
        ({"off": True}, "data_malformed"),
        ({"unc_s": -1}, "data_malformed"),
        ({"org": ""}, "data_malformed"),
        ({"kind": "thawed"}, "data_malformed"),
        ({"data": {"g": 1}}, "data_malformed"),
        ({"data": "x"}, "data_malformed"),
        ({"data": {"workup": 7}}, "data_malformed"),
    ],
)
def test_a_correction_that_could_not_be_read_is_refused_however_it_comes(drawn, fields, code, strict):
    draw = event_of("T1", "drawn")
    refused(code, lambda: amend("corrected", draw, set=fields, strict=strict))
    assert verify().wrong == []


def test_more_out_than_was_taken_is_refused_in_a_correction_too(drawn):
    lines = [{"t": "T1", "role": "from", "ul": 500}, {"t": "A1", "role": "to", "of": "T1", "ul": 500}]
    record([Act(kind="aliquoted", at_ms=START + 300_000, by="p1", org="SSS", lines=lines)], login="labtech")
    made = event_of("A1", "aliquoted")
    refused("aliquot_balances", lambda: amend("corrected", made, set={"lines": [{"n": 1, "ul": 501}]}))
    amend("corrected", made, set={"lines": [{"n": 1, "ul": 501}]}, strict=False)
    assert {one.code for one in queries.findings()} == {"aliquot_balances"} and differences() == []
    amend("corrected", made, set={"lines": [{"n": 0, "ul": 501}, {"n": 1, "ul": 501}]})
    assert queries.findings() == []
    assert (queries.state("A1").volume_ul, queries.state("T1").volume_ul) == (501, 499)


def test_a_correction_to_a_grade_that_does_not_exist_is_refused_however_it_comes(drawn, say):
    graded = say("graded", "T1", 9, haemolysis=1)
    for strict in (True, False):
        fields = {"lines": [{"n": 0, "haemolysis": 7}]}
        refused(
            "grade_out_of_range", lambda s=strict, f=fields: amend("corrected", graded.id, set=f, strict=s)
        )


def test_an_amendment_is_not_corrected(drawn, say):
    void = amend("voided", say("thawed", "T1", 9).id)
    refused("amendment_not_corrected", lambda: amend("corrected", void, set={"at": START}))


def test_a_unit_in_itself_can_be_taken_back(db):
    line = {"u": "F1", "role": "subj", "to": "F1"}
    act = Act(kind="moved", at_ms=START, by="p", org="SSS", lines=[line])
    loop = record([act], login="curator", strict=False)[0]
    amend("voided", loop.id)
    assert queries.units() == {"F1": None}


def test_what_is_told_of_an_event_is_what_the_fold_counts(drawn, say):
    draw = event_of("T1", "drawn")
    first = amend("corrected", draw, set={"at": START + 90_000, "lines": [{"n": 1, "ul": 700}]})
    second = amend("corrected", draw, set={"lines": [{"n": 0, "ul": 800}]})
    for live in ([first, second], [first]):
        told = queries.told([draw])[draw]
        for n, tube in enumerate(drawn):
            counts = next(one for one in queries.history(tube) if one.kind == "drawn")
            assert (told.header["at"], told.lines[n]) == (counts.at_ms, dict(counts.line))
        assert [one.said.id for one in told.amendments if one.live] == live
        assert told.said.lines[0]["ul"] == 1_000
        if second in live:
            amend("voided", second)
    assert queries.told([new_id()]) == {}


def test_a_family_is_found_up_and_down_however_it_is_entered(drawn):
    for n, (parent, child) in enumerate([("T1", "A1"), ("T1", "A2"), ("A1", "B1"), ("T2", "C1")]):
        lines = [
            {"t": parent, "role": "from", "ul": 100},
            {"t": child, "role": "to", "of": parent, "ul": 100},
        ]
        at = START + (5 + n) * 60_000
        record([Act(kind="aliquoted", at_ms=at, by="p1", org="SSS", lines=lines)], login="labtech")
    for one in ("T1", "A1", "A2", "B1"):
        assert set(queries.family([one])) == {"T1", "A1", "A2", "B1"}
    assert queries.lineage("B1") == ["B1", "A1", "T1"]
    assert queries.subjects(event_of("C1", "aliquoted")) == ["C1", "T2"]


def test_the_command_prints_gaps_and_ends_with_an_error_when_there_are_any(drawn, say, capsys):
    say("put_away", drawn, 2, unit="B1")
    generous = {"late_min": 10_000_000}
    call_command("custody_gaps", "t-1", **generous)
    assert "Custody of T1 without gaps." in capsys.readouterr().out
    say("pulled", "T1", 5, data={"why": "assay"})
    with pytest.raises(CommandError) as no:
        call_command("custody_gaps", "T1", **generous)
    assert no.value.returncode == 1
    assert "T1 no_place: Held by SSS from" in capsys.readouterr().out
    with pytest.raises(CommandError) as no:
        call_command("custody_gaps", "T77")
    assert no.value.returncode == 2


def test_a_state_does_not_follow_from_which_tubes_are_folded_with_it(drawn, say):
    """T2 came unasked with the answer to T1's handoff. When that handoff is corrected, T2's own history stays
    as it was, also when both are folded at once."""
    out = say("handed_off", "T1", 5, data={"to": "TFL", "how": "hand"})
    say("received", "T1", 10, org="TFL", ref=out.id, result="ok")
    say("received", "T2", 12, org="TFL", ref=out.id, result="extra", strict=False)
    say("thawed", "T2", 14)
    amend("corrected", out.id, strict=False, set={"at": START + 16 * 60_000})
    assert queries.state("T2").last_ms == START + 14 * 60_000
    assert differences() == []
    assert [one.kind for one in queries.histories(["T1", "T2"])["T2"]][-1] == "thawed"
