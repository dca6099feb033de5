"""The exact borders of the writer: how much one event may say, and what makes it one event."""

from __future__ import annotations

import pytest

from custody import queries
from custody.core.event import Act
from custody.core.refusal import Refused
from custody.models import Event, Finding, UnitState
from custody.rebuild import differences, rebuild
from custody.record import LONGEST_BODY, MOST_LINES, record
from tests.custody.conftest import START


def printed(many: int, note: str = "") -> Act:
    lines = [{"t": f"M{n:04}", "role": "new"} for n in range(many)]
    return Act(
        kind="label_printed",
        at_ms=START,
        by="p1",
        org="SSS",
        lines=lines,
        data={"note": note} if note else {},
    )


def refusal(*acts: Act) -> str:
    before = queries.size()
    with pytest.raises(Refused) as no:
        record(acts, login="fieldtech")
    assert queries.size() == before
    return no.value.code


def test_a_thousand_tubes_in_one_event_and_not_one_more(db):
    assert MOST_LINES == 1_000
    assert refusal(printed(1_001)) == "too_many_lines"
    record([printed(1_000)], login="fieldtech")
    assert queries.count() == 1_000


def test_a_header_of_twenty_thousand_characters_and_not_one_more(db):
    record([printed(1, "x")], login="fieldtech")
    room = LONGEST_BODY - len(Event.objects.get(seq=0).body) + 1
    longest = Act(kind="label_printed", at_ms=START, by="p1", org="SSS", lines=[{"t": "T9", "role": "new"}],
                  data={"note": "x" * room})  # fmt: skip
    record([longest], login="fieldtech")
    assert len(Event.objects.get(seq=1).body) == LONGEST_BODY == 20_000
    assert refusal(printed(1, "x" * (room + 1))) == "event_too_long"


def test_no_two_events_have_one_salt_and_equal_lines_have_other_roots(say):
    say("label_printed", "T1", 0, role="new")
    say("drawn", "T1", 1, ul=1)
    for minute in range(2, 12):
        say("thawed", "T1", minute)
    salts = [bytes(salt) for salt in Event.objects.values_list("salt", flat=True)]
    assert len(set(salts)) == len(salts) == 12
    assert {len(salt) for salt in salts} == {16}
    roots = {one.header["lines"]["root"] for one in queries.events(kind="thawed")}
    assert len(roots) == 10


def test_some_known_and_some_new_are_refused_together(drawn):
    """A form is sent again as a whole; half of it is another form with a key that was used."""
    first = Act(kind="thawed", at_ms=START + 300_000, by="p1", org="SSS", lines=[{"t": "T1", "role": "subj"}])
    second = Act(
        kind="thawed", at_ms=START + 300_000, by="p1", org="SSS", lines=[{"t": "T2", "role": "subj"}]
    )
    record([first], login="fieldtech")
    assert refusal(first, second) == "key_reused"
    assert refusal(second, first) == "key_reused"
    assert [one.new for one in record([first], login="fieldtech")] == [False]


@pytest.mark.parametrize(
    "other",
    [{"kind": "reserved"}, {"by": "p2"}, {"org": "TFL"}, {"data": {"why": "x"}}, {"ref": "first"}],
    ids=lambda other: next(iter(other)),
)
def test_a_key_says_who_did_what_to_what_and_may_say_nothing_else(drawn, other):
    first = Act(kind="thawed", at_ms=START + 300_000, by="p1", org="SSS", lines=[{"t": "T1", "role": "subj"}])
    record([first], login="fieldtech")
    if "ref" in other:
        other = {"ref": str(Event.objects.get(seq=0).event_id)}
    changed = Act(**(vars(first) | other))
    assert refusal(changed) == "key_reused"
    later = Act(**(vars(first) | {"at_ms": first.at_ms + 1_000, "rec_at": first.at_ms + 2_000}))
    assert [one.new for one in record([later], login="fieldtech")] == [False]  # the same tap, a second later


def test_a_finding_that_was_added_taken_away_or_exchanged_is_missed_and_remade(drawn, say):
    say("drawn", "T1", 5, strict=False, ul=700)
    assert differences() == []
    kept = Finding.objects.get()
    for tamper in [
        lambda: Finding.objects.all().delete(),
        lambda: Finding.objects.create(code="thawed_twice", subject="T2", event=kept.event, sentence="x"),
        lambda: Finding.objects.update(subject="T2"),
    ]:
        tamper()
        assert differences()
        rebuild()
        assert differences() == []
        assert [(one.code, one.subject) for one in queries.findings()] == [("drawn_twice", "T1")]


def test_a_unit_that_stands_elsewhere_than_the_ledger_says_is_missed_and_remade(db):
    lines = [{"u": "R1", "role": "subj", "to": "F1"}]
    record([Act(kind="moved", at_ms=START, by="p1", org="NLB", lines=lines)], login="curator")
    UnitState.objects.update(parent="F2")
    assert differences() == ["unit R1: parent is 'F2', the ledger says 'F1'"]
    UnitState.objects.all().delete()
    assert differences() == ["unit R1 is not stored"]
    rebuild()
    assert queries.units() == {"R1": "F1"}


def test_a_finding_about_units_in_a_loop_that_was_taken_away_is_missed_and_remade(db):
    for n, (unit, to) in enumerate([("R1", "F1"), ("F1", "R1")]):
        lines = [{"u": unit, "role": "subj", "to": to}]
        said = Act(kind="moved", at_ms=START + n, by="p1", org="NLB", lines=lines)
        record([said], login="curator", strict=False)
    looped = {(one.code, one.subject) for one in queries.findings()}
    assert looped == {("unit_inside_itself", "F1"), ("unit_inside_itself", "R1")}
    assert differences() == []
    Finding.objects.filter(subject="R1").delete()
    assert differences() == ["finding unit_inside_itself about R1 differs"]
    rebuild()
    assert differences() == [] and {(one.code, one.subject) for one in queries.findings()} == looped
