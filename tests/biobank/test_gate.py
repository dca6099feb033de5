"""The gate: nothing goes to an analysis without a verdict of this moment, and nothing that is not fit for it.

Which words stop a tube is our own design: not fit and cannot tell do, unless two people let it through.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from biobank.acting import ms
from biobank.amend import actions as amend
from biobank.checks import gate
from biobank.core import codes
from biobank.handoffs.actions import hand_off
from biobank.models import Assay, Judgement, OpenFinding, RuleSet
from biobank.scan.actions import scan
from biobank.store import actions as store_actions
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.biobank import gated, judged
from tests.biobank.judged import BOX, grade, make_law, make_tubes, note_finding
from tests.biobank.lab import STORED, lab_set, primary, refused
from tests.biobank.test_overrides import answer, ask

pytestmark = pytest.mark.django_db
ROOT = Path(gate.__file__).parents[1]


@pytest.fixture
def law(store):
    judged.second_curator(store)
    return make_law()


@pytest.fixture
def labtech(store):
    return store.actor("labtech")


@pytest.fixture
def tubes(law, store):
    """Four clean tubes in the box."""
    made = make_tubes(store)
    store_actions.put_away(store.actor("labtech"), new_id(), made, BOX, at=STORED)
    return made


def now() -> int:
    return ms(timezone.now())


def pull(actor, tubes, assay="CORT", why="", **more):
    return store_actions.pull(actor, more.pop("key", None) or new_id(), tubes, why, assay=assay, **more)


def send(actor, tubes, assay="CORT", **more):
    return hand_off(actor, more.pop("key", None) or new_id(), tubes, "NLB", how="hand", assay=assay, **more)


# who comes through ----------------------------------------------------------------------------------


def test_fit_and_caution_come_through_with_their_word(store, tubes):
    grade(store, tubes[1:2], lipaemia=2)
    assert gate.admit(tubes[:2], "CORT", now()) == {tubes[0]: "fit", tubes[1]: "caution"}


def test_not_fit_is_stopped_with_its_sentence_and_all_with_it(store, tubes):
    grade(store, tubes[1:2], haemolysis=2)
    with refused("tube_not_fit", codes.show(tubes[1])) as _:
        gate.admit(tubes, "CORT", now())
    assert gate.admit(tubes, "PCR", now()) == dict.fromkeys(tubes, "fit")  # another analysis


@pytest.mark.parametrize("haemolysis, comes", [(1, True), (2, False)])
def test_the_border_is_the_rules_own(store, tubes, haemolysis, comes):
    """At the limit it passes, one grade over it does not (custody.core.rules: at most)."""
    grade(store, tubes[:1], haemolysis=haemolysis)
    if comes:
        assert gate.admit(tubes[:1], "CORT", now()) == {tubes[0]: "fit"}
    else:
        with refused("tube_not_fit"):
            gate.admit(tubes[:1], "CORT", now())


def test_cannot_tell_is_stopped_like_not_fit(store, law):
    code = primary(lab_set(store), judged.RED)
    judged.say(store, "spun", [code], at=judged.DRAWN, data={"g": 2000, "minutes": 10})
    with refused("tube_not_fit", "cannot tell"):
        gate.admit([code], "CORT", now())


def test_an_assay_without_rules_cannot_tell_and_says_so(tubes):
    made = Assay.objects.create(code="NEW", name="New assay")
    made.takes.create(matrix="BLD")
    with refused("tube_not_fit", "cannot tell"):
        gate.admit(tubes, "NEW", now())


def test_without_a_rule_set_nobody_can_tell(tubes, law):
    RuleSet.objects.update(status="retired")
    with refused("tube_not_fit", "No rule set is in force"):
        gate.admit(tubes, "CORT", now())


def test_an_assay_that_does_not_take_it_is_no_way_round(store, tubes):
    with refused("tube_not_fit", "Salt does not take"):
        gate.admit(tubes, "SALT", now())


@pytest.mark.parametrize("name", ["NONE", "", "cort"])
def test_an_assay_that_nobody_knows(tubes, name):
    with refused("assay_unknown"):
        gate.admit(tubes, name, now())


def test_an_assay_that_is_no_longer_run(tubes):
    Assay.objects.filter(code="CORT").update(retired=True)
    with refused("assay_unknown"):
        gate.admit(tubes, "CORT", now())


def test_a_tube_that_nobody_knows_and_an_empty_one_are_stopped(store, law):
    made = lab_set(store)
    vial = judged.primary(made, 101)
    for code in ("K7R2M103X", vial):
        with refused("tube_not_fit"):
            gate.admit([code], "CORT", now())


def test_ten_are_named_and_the_rest_is_counted(store, law):
    tubes = [primary(lab_set(store), number) for _ in range(3) for number in (1, 2, 3, 4)]
    with pytest.raises(Refused) as no:
        gate.admit(tubes, "CORT", now())
    named = [code for code in tubes if codes.show(code) in no.value.sentence]
    assert named == tubes[: gate.NAMED] and "And 2 more." in no.value.sentence
    assert no.value.code == "tube_not_fit" and no.value.tube == tubes[0] and "12 tubes" in no.value.sentence


def test_what_was_kept_never_decides(store, tubes, law):
    """A kept row that says fit lets nothing through, one that says not fit stops nothing."""
    note_finding(law, tubes[0])
    grade(store, tubes[1:2], haemolysis=4)
    note_finding(law, tubes[1])
    Judgement.objects.filter(tube=tubes[1]).update(word="fit", rank=3, allowed=True, asof_ms=now())
    OpenFinding.objects.filter(tube=tubes[1]).delete()
    assert gate.admit(tubes[:1], "CORT", now()) == {tubes[0]: "fit"}
    with refused("tube_not_fit"):
        gate.admit(tubes[1:2], "CORT", now())


def test_an_overridden_tube_comes_through_with_the_word_that_it_has(store, tubes):
    grade(store, tubes[:1], haemolysis=3)
    event = ask(store, tubes[:1])
    with refused("tube_not_fit"):
        gate.admit(tubes, "CORT", now())
    answer(store, event)
    assert gate.admit(tubes[:2], "CORT", now()) == {tubes[0]: "not_fit", tubes[1]: "fit"}
    grade(store, tubes[:1], haemolysis=4)  # lapsed
    with refused("tube_not_fit"):
        gate.admit(tubes, "CORT", now())


def test_the_number_of_queries_does_not_grow(store, law):
    few = make_tubes(store)
    many = [code for _ in range(4) for code in make_tubes(store)]
    counts = []
    for some in (few, many):
        with CaptureQueriesContext(
            connection,
        ) as asked:
            gate.admit(some, "CORT", now())
        counts.append(len(asked))
    assert counts[1] <= counts[0] <= 40


# pulled ---------------------------------------------------------------------------------------------


def test_a_pull_for_analysis_keeps_the_assay_the_rules_and_each_verdict(store, labtech, tubes):
    grade(store, tubes[1:2], lipaemia=2)
    said = ledger.event(pull(labtech, tubes[:2]))
    assert said.header["data"] == {"why": "for Cortisol", "assay": "CORT", "rules": "HARBOUR version 1"}
    assert [line["verdict"] for line in said.lines] == ["fit", "caution"]
    assert {ledger.state(code).status for code in tubes[:2]} == {"held"}


def test_a_pull_for_something_else_needs_words_and_no_verdict(store, labtech, tubes):
    grade(store, tubes[:1], haemolysis=4)
    with refused("reason_required"):
        pull(labtech, tubes[:1], assay="", why=" ")
    for words in ("Cortisol", "cort", "for cortisol "):
        with refused("assay_not_chosen", "Cortisol"):
            pull(labtech, tubes[:1], assay="", why=words)
    said = ledger.event(pull(labtech, tubes[:1], assay="", why="a check of its label"))
    assert said.header["data"] == {"why": "a check of its label"} and said.lines == [
        {"t": tubes[0], "role": "subj"}
    ]


def test_one_that_is_not_fit_stops_the_whole_pull(store, labtech, tubes):
    grade(store, tubes[1:2], haemolysis=4)
    with refused("tube_not_fit", codes.show(tubes[1])):
        pull(labtech, tubes)


def test_a_pull_sent_twice_is_one_even_when_it_would_be_stopped_now(store, labtech, tubes):
    key = new_id()
    pull(labtech, tubes[:1], key=key)
    grade(store, tubes[:1], haemolysis=4)
    size = ledger.size()
    assert pull(labtech, tubes[:1], key=key) == key and ledger.size() == size


def between(monkeypatch, do):
    """Does something after the gate has looked and before the ledger writes."""
    real, done = gate.through, []

    def through(*given):
        found = real(*given)
        if not done:
            done.append(do())
        return found

    monkeypatch.setattr(gate, "through", through)


@pytest.mark.parametrize("act", [pull, send])
def test_a_tube_that_becomes_unfit_between_look_and_writing_does_not_go(
    store, labtech, tubes, monkeypatch, act
):
    if act is send:
        pull(labtech, tubes[:2], assay="", why="to be sent")
    between(monkeypatch, lambda: grade(store, tubes[:1], haemolysis=4))
    size = ledger.size()
    with pytest.raises(Refused) as no:
        act(labtech, tubes[:2])
    assert no.value.code == "tube_not_fit" and ledger.size() == size + 1  # the grading alone


def test_a_tube_that_gets_a_caution_in_between_is_not_written_down_as_fit(store, labtech, tubes, monkeypatch):
    between(monkeypatch, lambda: grade(store, tubes[:1], lipaemia=4))
    with pytest.raises(Refused) as no:
        pull(labtech, tubes[:1])
    assert no.value.code == "verdict_changed"


def test_rules_that_change_in_between_are_not_named_wrongly(store, labtech, tubes, monkeypatch):
    between(monkeypatch, lambda: make_law(2))
    with pytest.raises(Refused) as no:
        pull(labtech, tubes[:1])
    assert no.value.code == "verdict_changed" and "HARBOUR version 2" in no.value.sentence


def test_an_override_that_is_withdrawn_in_between_does_not_count(store, labtech, tubes, monkeypatch):
    grade(store, tubes[:1], haemolysis=3)
    event = ask(store, tubes[:1])
    answer(store, event)
    between(monkeypatch, lambda: amend.void(store.actor("curator"), new_id(), event, "not needed"))
    with pytest.raises(Refused) as no:
        pull(labtech, tubes[:1])
    assert no.value.code == "tube_not_fit" and ledger.state(tubes[0]).status == "stored"


def test_another_tube_on_the_line_does_not_take_over_the_verdict(store, labtech, tubes):
    event = pull(labtech, tubes[:1])
    again = amend.other_tube(store.actor("curator"), new_id(), event, 0, tubes[1], "it was the other one")
    [line] = ledger.event(again).lines
    assert line["t"] == tubes[1] and "verdict" not in line


# at the bench ---------------------------------------------------------------------------------------


def test_at_the_bench_the_name_of_an_assay_means_it(store, labtech, tubes):
    grade(store, tubes[1:2], haemolysis=4)
    scan(labtech, new_id(), "pull", "Cortisol")
    done = scan(labtech, new_id(), "pull", tubes[0])
    assert ledger.event(done.event).header["data"]["assay"] == "CORT"
    assert ledger.event(done.event).lines[0]["verdict"] == "fit"
    with refused("tube_not_fit"):
        scan(labtech, new_id(), "pull", tubes[1])


def test_at_the_bench_other_words_mean_no_analysis(store, labtech, tubes):
    scan(labtech, new_id(), "pull", "a check of its label")
    done = scan(labtech, new_id(), "pull", tubes[0])
    assert "assay" not in ledger.event(done.event).header["data"]


# handed off -----------------------------------------------------------------------------------------


def test_a_handoff_for_analysis_keeps_the_same(store, labtech, tubes):
    pull(labtech, tubes[:2], assay="", why="to be sent")
    said = ledger.event(send(labtech, tubes[:2]).id)
    assert said.header["data"] == {"to": "NLB", "how": "hand", "assay": "CORT", "rules": "HARBOUR version 1"}
    assert [line["verdict"] for line in said.lines] == ["fit", "fit"]


def test_what_is_not_fit_is_not_handed_off_for_it_but_for_something_else(store, labtech, tubes):
    pull(labtech, tubes[:1], assay="", why="to be sent")
    grade(store, tubes[:1], haemolysis=4)
    with refused("tube_not_fit"):
        send(labtech, tubes[:1])
    send(labtech, tubes[:1], assay="")
    assert ledger.state(tubes[0]).status == "in_transit"


# no way round it ------------------------------------------------------------------------------------

# where the kind of an event is worked out when the program runs, and why none of these opens a way round
OTHERWISE = {
    ("biobank/acting.py", "act"): "the writer itself",
    ("biobank/bench/hands.py", "write"): "the writer itself, whose callers are looked at",
    (
        "biobank/amend/actions.py",
        "_said_again",
    ): "an act that happened, about another tube: its verdict is left out",
    ("biobank/sets/actions.py", "_act"): "packed, issued, returned",
    ("biobank/store/rack.py", "put_rack"): "put_away and moved",
    ("biobank/imports/making.py", "one"): "labels, draws and what was not collected",
    ("biobank/imports/making.py", "_acts"): "the same",
    ("biobank/handoffs/actions.py", "send_back"): "refused and withdrawn",
    ("biobank/checks/work_actions.py", "ask_override"): "override_asked",
    ("biobank/checks/work_actions.py", "answer_override"): "override_answered",
    ("biobank/checks/work_actions.py", "file_deviation"): "deviation_noted",
    ("biobank/checks/work_actions.py", "close_deviation"): "deviation_closed",
}


def test_every_place_that_lets_a_tube_go_asks_the_gate():
    found = list(gated.places(ROOT))
    letting = {(one.file, one.function) for one in found if one.kind in gated.GATED}
    assert letting == {("biobank/store/actions.py", "pull"), ("biobank/handoffs/actions.py", "hand_off")}
    assert [one for one in found if one.kind in gated.GATED and not one.gated] == []


def test_every_place_whose_kind_cannot_be_read_is_listed_with_its_reason():
    unread = {(one.file, one.function) for one in gated.places(ROOT) if not one.kind}
    assert unread - set(OTHERWISE) == set()
    assert set(OTHERWISE) - unread == set(), "listed, and no longer there"


@pytest.mark.parametrize("text, kind, asks", [
    ("def f(a, key): perform(a, 'pulled', key=key)", "pulled", False),
    ("def f(a, key):\n    gate.through([], 'CORT', 1)\n    act(a, 'shipped', key=key)", "shipped", True),
    ("def f(kind): Act(kind=kind)", "", False),
])  # fmt: skip
def test_the_reader_of_the_code_sees_what_it_should(text, kind, asks):
    head = "from biobank.acting import act, perform\nfrom custody.core.event import Act\n"
    [place] = gated.of("biobank/x.py", head + text)
    assert (place.kind, place.gated) == (kind, asks)


def test_no_other_code_names_the_fields_of_a_verdict_in_an_event():
    """`verdict` gets into a line by the gate alone."""
    writes = [
        path.relative_to(ROOT.parent).as_posix()
        for path in ROOT.rglob("*.py")
        if '{"verdict":' in path.read_text()
    ]
    assert writes == ["biobank/checks/gate.py"]
