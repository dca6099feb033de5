"""Whether papers cover what is sent, tube by tube; and which of them the rules may count."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.acting import ms, perform
from biobank.checks.facts import facts_of
from biobank.checks.permits import Asked, Register
from biobank.handoffs import actions
from biobank.models import Animal, Shipment, Tube
from biobank.permits import cover
from custody.core.event import new_id
from custody.core.rules import Rule
from tests import people as builders
from tests.biobank.papers import DAY, SEAL, give, permit, primaries

BLOOD, SWAB = 1, 5  # where they stand among the six primaries
PLAIN = {"severity": "stop", "evidence": "memory", "source": "a test"}
RULES = [Rule(verb, "permit", **PLAIN, permit_for=verb) for verb in ("take", "hold")]


@pytest.fixture
def tubes(people) -> list[str]:
    """Six primaries of the seal A-0001: five of blood and a swab."""
    return primaries(builders.drawn_set(people, animal=people.animal))


def lines(people, tubes, on=DAY):
    return cover.lines(tubes, people.sss, people.tfl, people.programme, on)


def send(people, tubes, on=DAY):
    """The answers for sending alone, tube by tube."""
    return [said[0][1] for said in lines(people, tubes, on).values()]


def sentence(people, tube, verb="send"):
    return next(text for word, _, text in lines(people, [tube])[tube] if word == verb)


# --- one permit ------------------------------------------------------------------------------------


def test_without_a_permit_of_that_sort_on_file_nobody_can_tell(people, tubes):
    assert lines(people, tubes[:1]) == {
        tubes[0]: [
            ("send", "cannot_tell", "No permit to send is on file."),
            ("receive", "cannot_tell", "No permit to receive is on file."),
        ]
    }
    assert not cover.kept(people.programme, "send")


@pytest.mark.parametrize(
    ("more", "answer", "words"),
    [
        ({}, "pass", "Permit S-1 lets SSS send it until 31 Dec 2026."),
        ({"species": "phoca  vitulina"}, "pass", "lets SSS send"),
        ({"species": f"Phoca hispida, {SEAL}"}, "pass", "lets SSS send"),
        ({"species": "Phoca hispida"}, "fail", "is for Phoca hispida, not for Phoca vitulina"),
        ({"parts": "SER BLD"}, "pass", "lets SSS send"),
        ({"parts": "SER PL1"}, "fail", "does not name whole blood"),
        ({"valid_from": DAY}, "pass", "lets SSS send"),
        ({"valid_from": DAY + timedelta(days=1)}, "fail", "begins only on 4 May 2026"),
        ({"valid_until": DAY}, "pass", "until 3 May 2026"),
        ({"valid_until": DAY - timedelta(days=1)}, "fail", "ended on 2 May 2026"),
        ({"quantity": 1, "counted": "tubes"}, "pass", "lets SSS send"),
        ({"quantity": 0, "counted": "tubes"}, "fail", "is used up: it is for 0 tubes"),
    ],
)
def test_each_thing_that_a_permit_limits_at_its_border(people, tubes, more, answer, words):
    permit(people, **more)
    (found,) = lines(people, tubes[BLOOD : BLOOD + 1]).values()
    assert found[0][1] == answer and words in found[0][2]


def test_the_recipient_must_be_named_where_any_is(people, tubes):
    permit(people, recipients=[people.nlb])
    assert send(people, tubes[:1]) == ["fail"]
    assert sentence(people, tubes[0]) == "Permit S-1 of SSS does not name TFL as recipient."
    permit(people, number="S-2", recipients=[people.nlb, people.tfl])
    assert send(people, tubes[:1]) == ["pass"]


def test_a_permit_of_somebody_else_lets_nobody_send(people, tubes):
    permit(people, agency=people.nlb)
    assert sentence(people, tubes[0]) == "No permit on file lets SSS send it."
    assert send(people, tubes[:1]) == ["fail"] and cover.kept(people.programme, "send")


def test_the_receiver_needs_one_too(people, tubes):
    permit(people, allows="receive", agency=people.tfl, number="R-1", parts="BLD")
    said = lines(people, tubes)
    assert [one[1][1] for one in said.values()] == ["pass"] * 5 + ["fail"]
    assert sentence(people, tubes[SWAB], "receive") == "Permit R-1 of TFL does not name swab."


# --- what is not known, and several papers ---------------------------------------------------------


def test_a_tube_of_an_unknown_animal_is_covered_by_what_names_no_species_alone(people):
    unknown = primaries(builders.drawn_set(people))
    permit(people, species=SEAL)
    assert send(people, unknown[:1]) == ["cannot_tell"]
    assert "the species of this tube is not known" in sentence(people, unknown[0])
    permit(people, number="S-2")
    assert send(people, unknown[:1]) == ["pass"]


def test_one_that_fails_for_sure_is_no_doubt(people):
    unknown = primaries(builders.drawn_set(people))
    permit(people, species=SEAL, valid_until=date(2026, 1, 2))
    assert send(people, unknown[:1]) == ["fail"]


def test_a_tube_that_nobody_knows_has_no_parts(people):
    permit(people, parts="BLD")
    assert send(people, ["K7R2M103X"]) == ["cannot_tell"]


def test_the_reason_is_that_of_the_permit_that_comes_nearest(people, tubes):
    permit(people, parts="SER", species="Phoca hispida", number="S-9")
    permit(people, parts="SER")
    assert "S-1" in sentence(people, tubes[0]) and "does not name" in sentence(people, tubes[0])


def test_an_agreement_is_no_permit_and_a_line_of_its_own(people, tubes):
    permit(people, sort="agreement", number="A-1", recipients=[people.tfl], parts="SER")
    (said,) = lines(people, tubes[:1]).values()
    assert said[:2] == [
        ("send", "cannot_tell", "No permit to send is on file."),
        ("send", "fail", "Agreement A-1 of SSS does not name whole blood."),
    ]
    permit(people, sort="agreement", number="A-2", recipients=[people.nlb])
    permit(people)
    (said,) = lines(people, tubes[:1]).values()
    assert [one[1] for one in said[:2]] == ["pass", "fail"], "that with another agency is not asked"


# --- quantities ------------------------------------------------------------------------------------


def test_tubes_beyond_the_quantity_fail_in_their_order(people, tubes):
    permit(people, quantity=4, counted="tubes")
    assert send(people, tubes) == ["pass"] * 4 + ["fail"] * 2
    permit(people, number="S-2", quantity=1, counted="tubes")
    assert send(people, tubes) == ["pass"] * 5 + ["fail"], "the second paper takes what the first cannot"


def test_an_animal_is_used_once_however_many_of_its_tubes_go(people, tubes):
    other = builders.make_animal(people.programme, "A-0002", "999000000000002")
    more = primaries(builders.drawn_set(people, animal=other))
    permit(people, quantity=1, counted="animals")
    assert send(people, [*tubes, *more]) == ["pass"] * 6 + ["fail"] * 6
    Animal.objects.filter(pk=other.pk).update(merged_into=people.animal)
    assert send(people, [*tubes, *more]) == ["pass"] * 12


def test_volumes_add_up_and_one_that_was_not_measured_is_a_doubt(people, tubes):
    permit(people, quantity=12_700, counted="ul")
    assert send(people, tubes[:3]) == ["pass", "pass", "fail"]  # 2.7 and 10 mL, then 5 mL
    assert send(people, [tubes[SWAB]]) == ["cannot_tell"]


def test_what_went_before_is_used_and_what_came_back_is_not(people, tubes):
    permit(people, quantity=4, counted="tubes")
    ref = give(people, tubes[:3], people.tfl)
    assert send(people, tubes[3:]) == ["pass", "fail", "fail"]
    again = cover.judged(tubes[:3], "SSS", "TFL", people.programme, DAY, without=ref)
    assert [one[0].answer for one in again.values()] == ["pass"] * 3, "its own handoff is not there yet"
    actions.send_back(people.actor("fieldtech"), new_id(), ref, "withdrawn", "rain")
    assert send(people, tubes[3:]) == ["pass"] * 3


def test_a_shipment_that_was_sent_is_judged_as_before(people, tubes):
    ref = give(people, tubes[:2], people.tfl)
    permit(people, quantity=2, counted="tubes")
    parcel = Shipment.objects.create(
        programme=people.programme, number="P-1", giver=people.sss, receiver=people.tfl, terms="loan",
        made_by=people.person("fieldtech"), made=builders.moment(9), handoff=ref,
    )  # fmt: skip
    for tube in tubes[:2]:
        parcel.tubes.create(tube=tube)
    assert send(people, parcel) == ["pass", "pass"]
    assert send(people, tubes[2:3]) == ["fail"]


# --- aliquots and queries --------------------------------------------------------------------------


@pytest.fixture
def serum(people, tubes) -> str:
    """An aliquot that was labelled by hand: nothing but the ledger says of which tube it is."""
    child = "K9R4P101X"
    lines = [
        {"t": tubes[BLOOD], "role": "from", "ul": 1000},
        {"t": child, "role": "to", "of": tubes[BLOOD], "ul": 1000, "matrix": "SER"},
    ]
    perform(people.actor("fieldtech"), "aliquoted", key=new_id(), at=builders.moment(10), lines=lines)
    assert not Tube.objects.filter(code=child).exists()
    return child


def test_an_aliquot_is_of_the_animal_it_was_drawn_from_and_of_its_own_matrix(people, serum):
    permit(people, parts="SER", species=SEAL)
    assert send(people, [serum]) == ["pass"]
    permit(people, number="R-1", allows="receive", agency=people.tfl, species="Phoca hispida")
    assert "not for Phoca vitulina" in sentence(people, serum, "receive")


def test_queries_do_not_grow_with_tubes(people, tubes, serum):
    permit(people, quantity=900, counted="ul", species=SEAL)
    permit(people, number="R-1", allows="receive", agency=people.tfl, quantity=9, counted="animals")
    counts = []
    for wanted in ([tubes[0], serum], [*(one for one in tubes if one != tubes[BLOOD]), serum]):
        with CaptureQueriesContext(connection) as seen:
            lines(people, wanted)
        counts.append(len(seen))
    assert counts[0] == counts[1]


# --- the rules -------------------------------------------------------------------------------------


def asked(people, **more):
    return replace(Asked("SSS", SEAL, DAY, "BLD"), **more)


def rules(people, **more):
    return Register.load().covers(people.programme.pk, {"hold": asked(people, **more)})["hold"]


def test_only_permits_to_take_and_to_hold_count_for_the_rules(people):
    permit(people, sort="agreement", allows="hold")
    for verb in ("send", "receive", "import", "export"):
        permit(people, allows=verb)
    assert Register.load().rows == {}
    assert rules(people) == ("cannot_tell", "No permit to hold is on file.")


@pytest.mark.parametrize(
    ("paper", "tube", "answer"),
    [
        ({"parts": "BLD SER"}, {}, "pass"),
        ({"parts": "SER"}, {}, "fail"),
        ({"parts": "SER"}, {"matrix": ""}, "cannot_tell"),
        ({}, {"matrix": ""}, "pass"),
        ({"species": f"Phoca hispida; {SEAL}"}, {}, "pass"),
        ({"species": "Phoca hispida"}, {"matrix": ""}, "fail"),
        ({"species": SEAL}, {"species": ""}, "cannot_tell"),
        ({"species": SEAL, "parts": "SER"}, {"species": ""}, "fail"),
        ({"quantity": 0, "counted": "tubes"}, {}, "pass"),
    ],
)
def test_parts_and_species_of_a_permit_for_the_rules(people, paper, tube, answer):
    permit(people, allows="hold", **paper)
    assert rules(people, **tube)[0] == answer


def test_the_doubt_names_what_is_not_known(people):
    permit(people, allows="hold", parts="SER")
    assert rules(people, matrix="")[1] == "The matrix is not known, and the permits name some."
    assert rules(people, matrix="SER", species="")[0] == "pass"


def test_taking_asks_for_what_was_drawn_and_holding_for_what_is_held(people, tubes, serum):
    permit(people, allows="take", number="T", parts="BLD")
    permit(people, allows="hold", number="H", parts="SER")
    found = facts_of([tubes[BLOOD], serum, tubes[SWAB]], RULES, ms(builders.moment(12)))
    answers = {code: (one.permits["take"][0], one.permits["hold"][0]) for code, one in found.items()}
    assert answers == {
        tubes[BLOOD]: ("pass", "fail"), serum: ("pass", "pass"), tubes[SWAB]: ("fail", "fail")
    }  # fmt: skip
