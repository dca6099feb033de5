"""Receiving: what an answer does, every border of it from both sides, and what it refuses."""

import pytest

from biobank.acting import act, perform
from biobank.handoffs import actions, own_numbers, receive_found
from biobank.handoffs.conditions import CONDITIONS
from biobank.handoffs.receiving import Answer, receive
from biobank.models import HandoffCase, OwnNumber
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.kinds import RESULTS
from custody.core.refusal import Refused
from custody.record import record
from tests import people as builders
from tests.biobank.lab import refused

GIVEN, TAKEN, LATER = builders.moment(10), builders.moment(10, 30), builders.moment(11)


@pytest.fixture
def tubes(people) -> list[str]:
    """Six primaries that the field team holds; the sixth is kept back by the fixtures below."""
    tube_set = builders.drawn_set(people)
    return sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))


@pytest.fixture
def given(people, tubes) -> str:
    """Five of them on their way, the sixth is with the field team."""
    return give(people, tubes[:5])


def give(people, tubes, to="TFL", role="fieldtech", at=GIVEN, **more):
    said = {"how": "sealed", "seal": "S-17", "centi_c": 430} | more
    return actions.hand_off(people.actor(role), new_id(), tubes, to, at=at, **said).id


def take(people, handoff, results, counted=None, at=TAKEN, key=None, role="labtech", **more):
    here = sum(word != "missing" for word in results.values()) + len(more.get("foreign", ()))
    count = here if counted is None else counted
    return receive(people.actor(role), key or new_id(), handoff, results, counted=count, at=at, **more)


def ok(tubes):
    return dict.fromkeys(tubes, "ok")


def said(done):
    return ledger.event(done.id)


def cases(done):
    return sorted(HandoffCase.objects.filter(event=done.id).values_list("tube", "code"))


# --- custody --------------------------------------------------------------------------------------


@pytest.mark.parametrize("result", sorted(RESULTS["received"] - {"extra"}))
def test_custody_passes_for_what_is_in_hand_and_for_nothing_else(people, tubes, given, result):
    take(people, given, ok(tubes[1:5]) | {tubes[0]: result})
    holder = "TFL" if result in {"ok", "damaged", "warm"} else "SSS"
    assert ledger.state(tubes[0]).custodian == holder
    assert ledger.state(tubes[0]).disputes == (0 if result == "ok" else 1)


def test_an_extra_tube_is_written_down_and_stays_with_its_holder(people, tubes, given):
    done = take(people, given, ok(tubes[:5]) | {tubes[5]: "extra"})
    assert (ledger.state(tubes[5]).custodian, ledger.state(tubes[5]).disputes) == ("SSS", 1)
    assert cases(done) == [(tubes[5], "extra")]


def test_an_extra_tube_that_nobody_confirmed_is_refused(people, tubes, given):
    with refused("tube_not_on_handoff"):
        take(people, given, ok(tubes[:6]))


def test_a_tube_of_the_list_is_no_extra_one(people, tubes, given):
    with refused("extra_is_on_list"):
        take(people, given, ok(tubes[1:5]) | {tubes[0]: "extra"})


def test_an_extra_tube_that_is_here_already_is_refused(people, tubes):
    take(people, give(people, [tubes[5]]), ok([tubes[5]]))
    handoff = give(people, tubes[:5], at=LATER)
    with refused("tube_with_you"):
        take(people, handoff, ok(tubes[:5]) | {tubes[5]: "extra"}, at=LATER)


def test_a_tube_on_two_open_handoffs_is_received_on_its_own(people, tubes, given):
    other = give(people, [tubes[5]])
    with refused("tube_in_two_handoffs", "another handoff, of SSS"):
        take(people, given, ok(tubes[:5]) | {tubes[5]: "extra"})
    take(people, other, ok([tubes[5]]))
    take(people, given, ok(tubes[:5]))


def test_a_tube_that_was_handed_off_twice_in_the_field_is_received_where_it_counts(people, tubes, given):
    """From the field both handoffs are kept; the tube is open on the first, and the second says so."""
    data = {"to": "TFL", "how": "hand"}
    lines = [{"t": tube, "role": "subj"} for tube in (tubes[0], tubes[5])]
    second = act(people.actor("fieldtech"), "handed_off", key=new_id(), at=LATER, data=data, lines=lines)
    record([second], login="fieldtech", via="sync", strict=False)
    with refused("tube_in_two_handoffs"):
        take(people, second.id, ok([tubes[0], tubes[5]]), at=LATER)
    take(people, second.id, ok([tubes[5]]), at=LATER)
    take(people, given, ok(tubes[:5]), at=builders.moment(11, 10))
    assert {one.custodian for one in ledger.states(tubes).values()} == {"TFL"}


# --- part by part ---------------------------------------------------------------------------------


def test_what_is_not_named_is_missing_unless_it_comes_later(people, tubes, given):
    take(people, given, ok(tubes[:2]), rest="later")
    assert [ledger.state(tube).disputes for tube in tubes[2:5]] == [0, 0, 0]
    assert {one.tube for one in ledger.find(pending_ref=given)} == set(tubes[2:5])
    done = take(people, given, ok(tubes[2:4]), at=LATER)
    assert [ledger.state(tube).disputes for tube in tubes[2:5]] == [0, 0, 1]
    assert cases(done) == [(tubes[4], "missing")]


def test_a_tube_that_was_missing_is_not_missed_again_by_a_later_part(people, tubes, given):
    take(people, given, ok(tubes[:3]))
    done = take(people, given, ok([tubes[3]]), at=LATER)
    assert [line["t"] for line in said(done).lines] == [tubes[3]]
    assert (ledger.state(tubes[4]).disputes, ledger.state(tubes[3]).disputes) == (1, 0)


def test_a_part_of_nothing_says_nothing(people, tubes, given):
    with refused("no_tube"):
        take(people, given, {}, rest="later")


def test_an_empty_container_is_an_answer(people, tubes, given):
    done = take(people, given, {})
    assert [code for _, code in cases(done)] == ["missing"] * 5


def test_the_rest_is_missing_or_later_and_nothing_else(people, tubes, given):
    with refused("rest_unknown"):
        take(people, given, ok(tubes[:2]), rest="perhaps")


# --- the count ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("counted", "fits"), [(4, False), (5, True), (6, False)])
def test_the_count_is_what_was_scanned(people, tubes, given, counted, fits):
    if fits:
        assert said(take(people, given, ok(tubes[:5]), counted)).header["data"]["counted"] == counted
    else:
        with refused("count_does_not_agree"):
            take(people, given, ok(tubes[:5]), counted)


@pytest.mark.parametrize(("counted", "fits"), [(4, False), (5, True), (6, True), (7, False)])
def test_a_code_scanned_again_stands_for_one_tube_more_at_most(people, tubes, given, counted, fits):
    if not fits:
        with refused("count_does_not_agree"):
            take(people, given, ok(tubes[:5]), counted, again=[tubes[0]])
        return
    done = take(people, given, ok(tubes[:5]), counted, again=[tubes[0]])
    assert said(done).header["data"]["again"] == tubes[0]
    assert cases(done) == ([(tubes[0], "twice")] if counted == 6 else [])


def test_a_code_that_is_in_no_answer_explains_no_count(people, tubes, given):
    with refused("count_does_not_agree"):
        take(people, given, ok(tubes[:5]), 6, again=["ABC"])


@pytest.mark.parametrize("counted", [-1, "five", 5.0, None, True])
def test_a_count_that_is_no_number_is_refused(people, tubes, given, counted):
    with refused("count_not_a_number"):
        receive(people.actor("labtech"), new_id(), given, ok(tubes[:5]), counted=counted, at=TAKEN)


def test_foreign_codes_are_counted_and_kept_and_make_one_case(people, tubes, given):
    done = take(people, given, ok(tubes[:5]), foreign=["4006381333931", "LOT 7"])
    assert (
        said(done).header["data"] | {"foreign": "4006381333931, LOT 7", "counted": 7}
        == said(done).header["data"]
    )
    assert cases(done) == [("", "foreign")]


@pytest.mark.parametrize(("many", "fits"), [(50, True), (51, False)])
def test_so_many_foreign_codes_are_another_parcel(people, tubes, given, many, fits):
    foreign = [f"X{n}" for n in range(many)]
    if fits:
        take(people, given, ok(tubes[:5]), foreign=foreign)
    else:
        with refused("foreign_too_many"):
            take(people, given, ok(tubes[:5]), foreign=foreign)


# --- what is said once counts ---------------------------------------------------------------------


def test_a_second_answer_is_refused_with_who_and_when(people, tubes, given):
    take(people, given, ok(tubes[:5]))
    with refused("handoff_answered_once", "P2 of TFL answered this handoff already, 03 May 2026 10:30"):
        take(people, given, ok(tubes[:5]), at=LATER)


def test_a_tube_of_an_earlier_part_is_refused_with_who_and_when(people, tubes, given):
    take(people, given, ok(tubes[:2]), rest="later")
    with refused("handoff_answered_once", "P2 of TFL received this tube, 03 May 2026 10:30"):
        take(people, given, ok(tubes[1:5]), at=LATER)


def test_a_second_answer_from_the_field_is_kept_as_a_finding(people, tubes, given):
    take(people, given, ok(tubes[:5]))
    lines = [{"t": tubes[0], "role": "subj", "result": "ok"}]
    again = act(people.actor("labtech"), "received", key=new_id(), at=LATER, data={}, lines=lines, ref=given)
    record([again], login="labtech", via="sync", strict=False)
    assert [one.code for one in ledger.findings(tubes[0])] == ["handoff_answered_once"]
    assert ledger.state(tubes[0]).custodian == "TFL"


@pytest.mark.parametrize(
    ("kind", "role", "code", "words"),
    [
        ("withdrawn", "fieldtech", "handoff_withdrawn", "P1 of SSS withdrew this handoff"),
        ("refused", "labtech", "handoff_refused", "P2 of TFL refused this handoff"),
    ],
)
def test_what_was_withdrawn_or_refused_is_not_received(people, tubes, given, kind, role, code, words):
    actions.send_back(people.actor(role), new_id(), given, kind, "Boat turned back", at=TAKEN)
    with refused(code, words):
        take(people, given, ok(tubes[:5]), at=LATER)


def test_what_was_voided_is_not_received(people, tubes, given):
    data = {"of": given, "reason": "did_not_occur"}
    perform(people.actor("fieldtech"), "voided", key=new_id(), at=TAKEN, data=data)
    with refused("handoff_voided"):
        take(people, given, ok(tubes[:5]), at=LATER)


def test_what_was_never_offered_is_not_received(people, tubes, given):
    with refused("handoff_unknown"):
        take(people, new_id(), ok(tubes[:5]))
    answer = take(people, given, ok(tubes[:5])).id
    with refused("handoff_unknown"):
        take(people, answer, ok(tubes[:5]))


def test_only_the_addressee_receives(people, tubes, given):
    with refused("receiver_was_addressed", "addressed to TFL"):
        take(people, given, ok(tubes[:5]), role="curator")


def test_the_same_answer_sent_twice_is_one(people, tubes, given):
    key = new_id()
    first = take(people, given, ok(tubes[1:5]), key=key)
    size, open_cases = ledger.size(), HandoffCase.objects.count()
    assert take(people, given, ok(tubes[1:5]), key=key).id == first.id
    assert (ledger.size(), HandoffCase.objects.count()) == (size, open_cases)


def test_a_shipment_is_received_like_a_handoff(people, tubes):
    handoff = give(people, tubes, kind="shipped")
    take(people, handoff, ok(tubes))
    assert {one.custodian for one in ledger.states(tubes).values()} == {"TFL"}


@pytest.mark.parametrize(("at", "fits"), [(builders.moment(9, 59), False), (GIVEN, True)])
def test_nothing_is_received_before_it_was_handed_off(people, tubes, given, at, fits):
    if fits:
        take(people, given, ok(tubes[:5]), at=at)
    else:
        with refused("time_before_parent"):
            take(people, given, ok(tubes[:5]), at=at)


# --- seal, temperature, condition -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("seal", "intact", "found"),
    [
        ("S-17", True, False), ("s 17", True, False), ("", True, False), ("", None, False),
        ("S-71", True, True), ("S-17", False, True), ("", False, True),
    ],
)  # fmt: skip
def test_a_seal_that_differs_or_is_broken_is_a_case(people, tubes, given, seal, intact, found):
    done = take(people, given, ok(tubes[:5]), seal=seal, seal_intact=intact)
    assert cases(done) == ([("", "seal")] if found else [])
    assert said(done).header["data"].get("seal") == (seal or None)
    assert said(done).header["data"].get("seal_intact") is intact


def test_a_seal_that_nobody_named_is_a_case(people, tubes):
    handoff = give(people, tubes, how="hand", seal="")
    done = take(people, handoff, ok(tubes), seal="S-1", seal_intact=True)
    assert "none was named by the sender" in HandoffCase.objects.get(event=done.id).said


@pytest.mark.parametrize(
    ("sent", "probe", "high", "found"),
    [
        (-1, 0, None, False), (-1, 1, None, True), (-1, None, 1, True), (-1, -1, 0, False),
        (0, 1, 1, False), (None, 1, 1, False),
    ],
)  # fmt: skip
def test_what_was_sent_frozen_and_is_found_above_melting_ice_is_a_case(sent, probe, high, found):
    answer = Answer({}, 0, centi_c=probe, high_centi=high)
    rows = receive_found.found({"data": {"centi_c": sent}}, answer, [])
    assert [code for _, code, _ in rows] == (["temperature"] if found else [])


@pytest.mark.parametrize(
    ("low", "high", "fits"), [(-100, -100, True), (-99, -100, False), (None, -100, True)]
)
def test_the_lowest_temperature_is_not_above_the_highest(people, tubes, given, low, high, fits):
    if not fits:
        with refused("temperature_reversed"):
            take(people, given, ok(tubes[:5]), low_centi=low, high_centi=high)
        return
    data = said(take(people, given, ok(tubes[:5]), low_centi=low, high_centi=high)).header["data"]
    assert (data.get("low_centi"), data["high_centi"]) == (low, high)


def test_everything_that_was_said_is_in_the_event(people, tubes, given):
    done = take(
        people, given, ok(tubes[:5]), seal="S-17", seal_intact=True, centi_c=-7600, low_centi=-7900,
        high_centi=-7400, logger="L-9", coolant="dry ice, 2 kg", grade="C", name="A. Dock", paper="ab12",
        note="By the back door",
    )  # fmt: skip
    assert said(done).header["data"] == {
        "counted": 5, "seal": "S-17", "seal_intact": True, "centi_c": -7600, "low_centi": -7900,
        "high_centi": -7400, "logger": "L-9", "coolant": "dry ice, 2 kg", "grade": "C", "name": "A. Dock",
        "paper": "ab12", "note": "By the back door",
    }  # fmt: skip


# word, what the ledger says of a tube that was called ok, whether somebody must look after it
WORDS = [
    ("ok", "ok", ""), ("thawed", "warm", "warm"), ("leaking", "damaged", "damaged"),
    ("broken", "damaged", "damaged"), ("haemolysed", "ok", ""), ("insufficient", "ok", ""),
    ("unlabelled", "unreadable", "unreadable"), ("label_differs", "ok", "condition"),
]  # fmt: skip


@pytest.mark.parametrize(("word", "result", "case"), WORDS)
def test_a_condition_makes_of_a_tube_what_the_word_means(people, tubes, given, word, result, case):
    done = take(people, given, ok(tubes[:5]), conditions={tubes[0]: word})
    line = next(line for line in said(done).lines if line["t"] == tubes[0])
    assert (line["result"], line["condition"]) == (result, word)
    assert cases(done) == ([(tubes[0], case)] if case else [])


def test_every_word_has_its_definition_and_its_row_above():
    assert [one.word for one in CONDITIONS] == [row[0] for row in WORDS]
    assert all(one.means.endswith(".") for one in CONDITIONS)


@pytest.mark.parametrize(
    ("results", "word", "code"),
    [
        ({}, "thawed", "condition_contradicts"), ({0: "missing"}, "broken", "condition_contradicts"),
        ({0: "damaged"}, "ok", "condition_contradicts"), ({0: "ok"}, "rosy", "condition_unknown"),
    ],
)  # fmt: skip
def test_a_condition_is_of_a_tube_that_is_here_and_fits(people, tubes, given, results, word, code):
    named = {tubes[n]: result for n, result in results.items()}
    with refused(code):
        take(people, given, named, conditions={tubes[0]: word})


# --- own numbers ----------------------------------------------------------------------------------


def test_own_numbers_are_in_the_ledger_and_find_the_tube(people, tubes, given):
    done = take(people, given, ok(tubes[:5]), own={tubes[0]: "26-0417"})
    line = next(line for line in said(done).lines if line["t"] == tubes[0])
    assert line["own"] == "26-0417"
    assert own_numbers.find("TFL", " 26-0417 ") == tubes[0]
    assert own_numbers.find("NLB", "26-0417") == ""


def test_a_number_of_another_tube_is_refused_with_that_tube(people, tubes, given):
    take(people, given, ok(tubes[:5]), own={tubes[0]: "N1"})
    handoff = give(people, [tubes[5]], at=LATER)
    with refused("own_number_taken", "N1 is your number of"):
        take(people, handoff, ok([tubes[5]]), at=LATER, own={tubes[5]: "N1"})
    assert OwnNumber.objects.count() == 1
    take(people, handoff, ok([tubes[5]]), at=LATER, own={tubes[5]: "N2"})


def back_and_again(people, tube):
    handoff = give(people, [tube], to="SSS", role="labtech", at=LATER)
    take(people, handoff, ok([tube]), role="fieldtech", at=builders.moment(11, 10))
    return give(people, [tube], at=builders.moment(11, 20))


def test_a_tube_that_comes_again_keeps_its_number(people, tubes, given):
    take(people, given, ok(tubes[:5]), own={tubes[0]: "N1"})
    handoff = back_and_again(people, tubes[0])
    with refused("own_number_stays", "is N1 with you already"):
        take(people, handoff, ok([tubes[0]]), at=builders.moment(11, 30), own={tubes[0]: "N2"})
    take(people, handoff, ok([tubes[0]]), at=builders.moment(11, 30), own={tubes[0]: "N1"})
    assert OwnNumber.objects.count() == 1


@pytest.mark.parametrize(
    ("own", "code"),
    [
        ({4: "N1"}, "own_number_absent"), ({0: ""}, "own_number_malformed"),
        ({0: "N" * 41}, "own_number_malformed"), ({0: "N1", 1: "N1"}, "own_number_twice"),
    ],
)  # fmt: skip
def test_a_number_names_one_tube_that_came(people, tubes, given, own, code):
    with refused(code):
        take(people, given, ok(tubes[:4]), own={tubes[n]: number for n, number in own.items()})
    assert not OwnNumber.objects.exists()


def test_forty_characters_are_a_number(people, tubes, given):
    take(people, given, ok(tubes[:5]), own={tubes[0]: "N" * 40})
    assert OwnNumber.objects.get().number == "N" * 40


def test_a_pasted_list_is_read_line_by_line():
    text = "K7R2M-103-X\t26-0417\n\nK7R2M103X, 26-0417\nk7r2m-103-x   26-0417 \nK7R2M 103 X\t26-0417"
    assert own_numbers.listed(text) == {"K7R2M103X": "26-0417"}


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("K7R2M-103-X", "own_number_malformed"), ("K7R2M-103-Y\tN1", "code_check_digit"),
        ("K7R2M-103-X\tN1\nK7R2M-103-X\tN2", "own_number_twice"),
    ],
)  # fmt: skip
def test_a_line_that_cannot_be_read_is_named(text, code):
    with pytest.raises(Refused) as no:
        own_numbers.listed(text)
    assert no.value.code == code and no.value.sentence.startswith(f"Line {len(text.splitlines())}: ")


# --- all or nothing -------------------------------------------------------------------------------


def test_cases_and_numbers_stand_or_fall_with_the_answer(people, tubes, given):
    def broken() -> None:
        raise Refused("link_closed", "Somebody was first.")

    with refused("link_closed"):
        take(people, given, ok(tubes[1:5]), own={tubes[1]: "N1"}, before=broken)
    assert not OwnNumber.objects.exists() and not HandoffCase.objects.exists()


def test_cases_are_the_giver_s_to_look_after(people, tubes, given):
    done = take(people, given, ok(tubes[1:5]))
    case = HandoffCase.objects.get(event=done.id)
    assert (case.owner, str(case.handoff), case.closed) == (people.person("fieldtech"), given, None)


def test_queries_do_not_grow_with_tubes(people, tubes):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    one, many = give(people, tubes[:1]), give(people, tubes[1:])
    counts = []
    for handoff, part in ((one, tubes[:1]), (many, tubes[1:])):
        with CaptureQueriesContext(connection) as seen:
            take(people, handoff, ok(part))
        counts.append(len(seen))
    assert counts[0] == counts[1]


def test_an_answer_says_only_what_it_was_told():
    answer = Answer({"A": "ok"}, 1)
    assert answer.data == {"counted": 1} and answer.line("A", "ok") == {
        "t": "A",
        "role": "subj",
        "result": "ok",
    }
