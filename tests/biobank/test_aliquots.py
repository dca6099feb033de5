"""What is proposed from a tube, and which vials are refused: the reserve, the yield, the words, the order."""

from __future__ import annotations

from datetime import timedelta

import pytest

from biobank.acting import perform
from biobank.bench import actions, source
from biobank.bench.proposal import propose
from biobank.bench.vials import gives, material
from biobank.core import codes
from biobank.models import PlannedAliquot, Tube
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.state import TubeState
from tests import people as builders
from tests.biobank.lab import (
    DRAWN,
    EDTA,
    GEL,
    HEPARIN,
    MADE,
    RED,
    SPUN,
    STORED,
    SWAB,
    aliquots,
    lab_set,
    primary,
    refused,
)

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


@pytest.fixture
def lab(people):
    return people.actor("labtech")


@pytest.fixture
def tubes(people, lab):
    """A set on the bench, its serum and plasma tubes spun."""
    tube_set = lab_set(people)
    rack = [primary(tube_set, number) for number in (RED, GEL, HEPARIN)]
    actions.spin(lab, new_id(), rack, g=2000, minutes=10, centi_c=2000, brake=True, at=SPUN)
    return tube_set


def planned(people, *kinds):
    """The red tube's aliquots as (count, µL, priority, reserve) or with a matrix."""
    red = people.plan.tubes.get(number=RED)
    red.made.all().delete()
    for position, (count, ul, priority, reserve, *more) in enumerate(kinds, 1):
        PlannedAliquot.objects.create(
            tube=red, position=position, count=count, ul=ul, priority=priority, reserve=reserve,
            matrix=more[0] if more else "SER",
        )  # fmt: skip


def drawn(people, lab, ul, spun=True):
    """A set of the plan as it is now, whose red tube holds this much."""
    tube_set = builders.printed_set(people)
    red = primary(tube_set, RED)
    perform(lab, "drawn", key=new_id(), at=DRAWN, lines=[{"t": red, "role": "subj", "ul": ul}])
    if spun:
        actions.spin(lab, new_id(), [red], g=2000, minutes=10, at=SPUN)
    return tube_set


def pour(lab, tubes, number, volumes, **more):
    children = list(zip(aliquots(tubes, number), volumes, strict=False))
    return actions.aliquot(lab, new_id(), primary(tubes, number), children, **({"at": MADE} | more))


def numbers(lines):
    return [codes.number_of(one.code) for one in lines]


# the proposal -----------------------------------------------------------------------------------


def test_what_is_there_is_worked_out_from_the_blood_and_the_vials_stand_in_rack_order(lab, tubes):
    found = propose(lab, primary(tubes, RED))
    assert (found.available_ul, found.measured, found.loss_ul) == (4_000, False, 0)
    assert [one.code for one in found.lines] == aliquots(tubes, RED)
    assert [one.ul for one in found.lines] == [1_000] * 4 and found.dropped == [] and found.warnings == []
    assert "northernlighthealth.org" in found.source


def test_the_lowest_priorities_fall_away_first_and_the_reserve_stays(people, lab):
    planned(people, (2, 500, 2, False), (2, 500, 3, False), (1, 500, 1, True))
    found = propose(lab, primary(drawn(people, lab, 4_000), RED))  # 1600 µL are expected
    assert numbers(found.lines) == [101, 102, 105] and numbers(found.dropped) == [103, 104]
    assert (found.keep_ul, found.filled_ul) == (500, 1_500)
    assert found.dropped[0].why == "priority 3; 1.6 mL do not suffice for it"


def test_a_measured_volume_counts_before_the_estimate_less_what_is_lost(people, lab):
    planned(people, (4, 500, 2, False), (1, 500, 1, True))
    red = primary(drawn(people, lab, 5_000), RED)
    assert numbers(propose(lab, red).lines) == [101, 102, 103, 105]  # 2000 µL by the rule
    found = propose(lab, red, 2_499)  # 50 µL are expected to be lost, so the fifth does not fit
    assert (found.available_ul, found.loss_ul, found.measured) == (2_499, 50, True)
    assert numbers(found.dropped) == [104] and found.yield_pct == 50
    assert numbers(propose(lab, red, 500).lines) == []  # 10 µL short of one vial
    assert numbers(propose(lab, red, 600).lines) == [105]


def test_that_the_reserve_cannot_be_filled_is_said(people, lab):
    planned(people, (1, 500, 1, True), (1, 100, 2, False))
    found = propose(lab, primary(drawn(people, lab, 1_000), RED))
    assert numbers(found.lines) == [102] and found.keep_ul == 0
    assert any("Not even the reserve" in said for said in found.warnings)


def test_a_haematocrit_counts_before_the_rule_and_holds_for_the_animal(people, lab):
    tube_set = builders.bound_set(people)
    lines = [{"t": primary(tube_set, n), "role": "subj", "ul": 5_000} for n in (RED, GEL)]
    perform(people.actor("fieldtech"), "drawn", key=new_id(), at=DRAWN, lines=lines)
    given = perform(
        people.actor("fieldtech"), "handed_off", key=new_id(), at=DRAWN, data={"to": "TFL", "how": "hand"},
        lines=[{"t": line["t"], "role": "subj"} for line in lines],
    ).id  # fmt: skip
    perform(
        lab, "received", key=new_id(), at=DRAWN, data={"counted": 2}, ref=given,
        lines=[{"t": line["t"], "role": "subj", "result": "ok"} for line in lines],
    )  # fmt: skip
    red, gel = primary(tube_set, RED), primary(tube_set, GEL)
    actions.spin(lab, new_id(), [red, gel], g=2000, minutes=10, at=SPUN)
    assert propose(lab, gel).available_ul == 2_000
    assert propose(lab, gel, hct_pct=60).available_ul == 1_600  # 5000 × 0.4 × 0.8
    pour(lab, tube_set, RED, [500], hct_pct=60)
    assert propose(lab, gel).available_ul == 1_600 and "60 %" in propose(lab, gel).source
    child = (aliquots(tube_set, RED)[1], 500)
    actions.aliquot(lab, new_id(), red, [child], hct_pct=50, at=STORED)  # measured again: the newest counts
    assert propose(lab, gel).available_ul == 2_000


def test_what_was_taken_before_is_no_longer_there(lab, tubes):
    red = primary(tubes, RED)
    pour(lab, tubes, RED, [1_000, 1_000], loss_ul=100)
    found = propose(lab, red)
    assert found.available_ul == 1_900 and numbers(found.lines) == [103] and numbers(found.dropped) == [104]


def test_what_was_poured_by_mistake_and_voided_is_there_again(lab, tubes):
    key = pour(lab, tubes, RED, [1_000], recovered_ul=1_500)
    perform(lab, "voided", key=new_id(), data={"of": key, "reason": "did_not_occur"})
    found = propose(lab, primary(tubes, RED))
    assert (found.available_ul, found.measured) == (4_000, False)


def test_all_that_the_tube_holds_may_have_been_recovered(lab, tubes):
    assert propose(lab, primary(tubes, EDTA), 4_000).available_ul == 4_000
    with refused("volume_not_negative", "4.001 mL cannot"):
        propose(lab, primary(tubes, EDTA), 4_001)


def test_what_was_measured_before_is_remembered(lab, tubes):
    pour(lab, tubes, RED, [1_000], recovered_ul=3_000, loss_ul=100)
    found = propose(lab, primary(tubes, RED))
    assert (found.available_ul, found.measured, found.yield_pct) == (1_900, True, 30)


def test_cells_are_no_part_of_the_plasma(people, lab):
    planned(people, (1, 2_000, 1, False), (1, 2_500, 1, False, "CEL"), (1, 600, 2, False, "CEL"))
    found = propose(lab, primary(drawn(people, lab, 5_000), RED))  # 2000 of serum, 3000 of the rest
    assert numbers(found.lines) == [101, 102] and numbers(found.dropped) == [103]


def test_whole_blood_is_all_there_but_for_what_is_lost(lab, tubes):
    found = propose(lab, primary(tubes, EDTA))
    assert (found.available_ul, found.loss_ul, found.measured) == (4_000, 80, True)


def test_an_aliquot_of_serum_is_serum_throughout(lab, tubes):
    pour(lab, tubes, RED, [1_000])
    assert propose(lab, aliquots(tubes, RED)[0]).available_ul == 1_000


def test_what_was_not_measured_proposes_every_vial_and_says_so(people, lab):
    found = propose(lab, primary(drawn(people, lab, None), RED))
    assert found.available_ul is None and numbers(found.lines) == [101, 102, 103, 104]
    assert any("not known" in said for said in found.warnings)
    assert propose(lab, primary(lab_set(people), SWAB)).lines == []


def test_a_tube_that_was_not_spun_is_pointed_out(people, lab):
    assert any("not spun" in said for said in propose(lab, primary(lab_set(people), RED)).warnings)


@pytest.mark.parametrize("hct, most", [(None, 5_000), (60, 4_000)])
def test_a_yield_beyond_what_the_blood_can_give_is_pointed_out(lab, tubes, hct, most):
    red = primary(tubes, RED)
    assert propose(lab, red, most, hct).warnings == []
    (said,) = propose(lab, red, most + 1, hct).warnings
    assert "Look at the volumes" in said and f"{most // 1000} mL that" in said


@pytest.mark.parametrize(
    "typed, code",
    [((10_001, None), "volume_not_negative"), ((0, None), "volume_not_positive"),
     ((-5, None), "volume_not_positive"),
     ((None, 0), "hct_out_of_range"), ((None, 95), "hct_out_of_range")],
)  # fmt: skip
def test_what_cannot_be_is_refused(lab, tubes, typed, code):
    with refused(code):
        propose(lab, primary(tubes, RED), *typed)


def test_only_who_holds_the_tube_gets_a_proposal(people, lab, tubes):
    with refused("not_the_custodian"):
        propose(people.actor("curator"), primary(tubes, RED))
    with refused("tube_unknown"):
        propose(lab, codes.make("Y7777", 1))


def test_a_proposal_asks_as_often_for_30_vials_as_for_3(people, lab, django_assert_num_queries):
    asked = []
    for count in (3, 30):
        people.plan.tubes.get(number=RED).made.update(count=count, ul=100)
        red = primary(drawn(people, lab, 10_000), RED)
        with django_assert_num_queries(len(asked[0]) if asked else 5) as queries:
            assert len(propose(lab, red).lines) == count
        asked.append(queries.captured_queries)


# volumes ----------------------------------------------------------------------------------------


def said(key):
    return ledger.event(key).header["data"]


def test_what_was_recovered_and_is_in_no_vial_is_lost(lab, tubes):
    key = pour(lab, tubes, RED, [1_000, 900], recovered_ul=2_050)
    assert said(key) == {"loss_ul": 150, "recovered_ul": 2_050}
    assert ledger.event(key).lines[0]["ul"] == 2_050 and ledger.state(primary(tubes, RED)).volume_ul == 7_950
    assert source.told(key) == [
        "1.9 mL in 2 vials, 0.15 mL lost; 2.05 mL recovered of 10 mL of blood, a yield of 21 %."
    ]


def test_a_loss_that_was_said_leaves_the_rest_in_the_tube(lab, tubes):
    key = pour(lab, tubes, RED, [1_000], recovered_ul=4_000, loss_ul=0)
    assert said(key)["loss_ul"] == 0 and ledger.state(primary(tubes, RED)).volume_ul == 9_000


def test_without_a_measure_nothing_is_lost_unless_it_is_said(lab, tubes):
    assert said(pour(lab, tubes, RED, [1_000])) == {"loss_ul": 0}
    assert said(pour(lab, tubes, GEL, [1_000], loss_ul=70)) == {"loss_ul": 70}


@pytest.mark.parametrize("recovered, loss", [(1_899, None), (1_950, 51), (1_000, 0)])
def test_vials_and_loss_are_never_more_than_what_was_recovered(lab, tubes, recovered, loss):
    with refused("volume_over_recovered", "1.9 mL in the vials"):
        pour(lab, tubes, RED, [1_000, 900], recovered_ul=recovered, loss_ul=loss)


def test_nothing_is_recovered_beyond_what_the_tube_holds(lab, tubes):
    with refused("volume_not_negative", "only 10 mL are left"):
        pour(lab, tubes, RED, [1_000], recovered_ul=10_001, loss_ul=0)
    with refused("volume_not_positive"):
        pour(lab, tubes, RED, [1_000], recovered_ul=0)
    with refused("hct_out_of_range"):
        pour(lab, tubes, RED, [1_000], hct_pct=91)


def test_vials_that_hold_more_than_the_blood_can_give_are_pointed_out(lab, tubes):
    assert len(source.told(pour(lab, tubes, RED, [2_500, 2_500]))) == 1
    _, warned = source.told(pour(lab, tubes, HEPARIN, [1_500, 1_501]))
    assert "a yield of 50 %" in warned and "Look at the volumes" in warned


# spin and time ----------------------------------------------------------------------------------


def test_serum_of_a_tube_that_was_not_spun_needs_a_reason_and_whole_blood_needs_none(people, lab):
    tubes = lab_set(people)
    with refused("parent_not_spun", codes.show(primary(tubes, RED))):
        pour(lab, tubes, RED, [1_000])
    key = pour(lab, tubes, RED, [1_000], unspun_why=" stood overnight ")
    assert said(key)["note"] == "stood overnight"
    pour(lab, tubes, EDTA, [1_000])


def test_a_spin_that_was_voided_is_none(people, lab):
    tubes = lab_set(people)
    key = actions.spin(lab, new_id(), [primary(tubes, RED)], g=2000, minutes=10, at=SPUN)
    perform(lab, "voided", key=new_id(), data={"of": key, "reason": "did_not_occur"})
    with refused("parent_not_spun"):
        pour(lab, tubes, RED, [1_000])


def test_the_serum_of_a_vial_was_spun_before(people, lab, tubes):
    pour(lab, tubes, RED, [1_000])
    child, spare = aliquots(tubes, RED)[:2]
    Tube.objects.filter(code=spare).update(parent_hint="")
    actions.aliquot(lab, new_id(), child, [(spare, 400)], at=STORED)
    assert ledger.state(spare).parent == child


# the right vial ---------------------------------------------------------------------------------


def relabelled(tubes, number, **words):
    """The first vial of this tube, with another word on its label."""
    code = aliquots(tubes, number)[0]
    Tube.objects.filter(code=code).update(**words)
    return code


@pytest.mark.parametrize(
    "number, words, one, other",
    [
        (HEPARIN, {"matrix": "SER"}, "the label says serum", "lithium heparin gives plasma"),
        (EDTA, {"matrix": "SER"}, "the label says serum", "K-EDTA gives plasma"),
        (RED, {"matrix": "PL1"}, "the label says plasma", "no additive gives serum"),
        (GEL, {"matrix": "BUF"}, "the label says buffy coat", "gel gives serum"),
        (RED, {"matrix": "URN"}, "the label says urine", "gives serum"),
    ],
)
def test_a_vial_of_another_matrix_is_refused_with_both_words(lab, tubes, number, words, one, other):
    relabelled(tubes, number, **words)
    with refused("vial_of_another_matrix", one):
        pour(lab, tubes, number, [500])
    with refused("vial_of_another_matrix", other):
        pour(lab, tubes, number, [500])


@pytest.mark.parametrize("number, additive", [(HEPARIN, "EDTK"), (RED, "SST"), (GEL, "NONE"), (EDTA, "HEPL")])
def test_a_vial_of_another_additive_is_refused(lab, tubes, number, additive):
    relabelled(tubes, number, additive=additive)
    with refused("vial_of_another_additive", "the label says"):
        pour(lab, tubes, number, [500])


@pytest.mark.parametrize("unsaid", ["", "NONE"])
def test_what_a_plasma_label_does_not_say_is_not_held_against_it(lab, tubes, unsaid):
    code = relabelled(tubes, HEPARIN, additive=unsaid)
    pour(lab, tubes, HEPARIN, [500])
    assert ledger.state(code).additive == "HEPL"


def test_an_aliquot_gives_only_what_it_is(lab, tubes):
    pour(lab, tubes, RED, [1_000])
    child, spare = aliquots(tubes, RED)[:2]
    Tube.objects.filter(code=spare).update(parent_hint="", matrix="PL1")
    with refused("vial_of_another_matrix", "a tube of serum gives serum"):
        actions.aliquot(lab, new_id(), child, [(spare, 400)], at=STORED)


def test_what_is_not_known_of_a_tube_gives_anything_of_blood():
    assert {"SER", "PL1", "BLD"} <= (gives(TubeState("x", matrix="BLD")) or set())
    assert gives(TubeState("x", matrix="BLD", additive="RNA")) == {"BLD", "DBS", "SME"}
    assert gives(TubeState("x", matrix="SKN")) is None  # a plan may cut blubber off skin


@pytest.mark.parametrize(
    "container, said",
    [("glass vial, PTFE cap", "glass"), ("amber cryovial", "polypropylene"), ("PTFE vial", "PTFE"),
     ("PET tube", "PET"), ("Polypropylene 2 mL", "polypropylene"), ("acid-washed vial", ""), ("", "")],
)  # fmt: skip
def test_the_material_is_read_from_the_container(container, said):
    assert material(container) == said


# the order of the rack --------------------------------------------------------------------------


def test_vials_scanned_in_the_order_of_the_rack_pass(lab, tubes):
    pour(lab, tubes, RED, [500, 500, 500], rack=aliquots(tubes, RED)[:3])
    assert ledger.children(primary(tubes, RED)) == aliquots(tubes, RED)[:3]


@pytest.mark.parametrize(
    "order, place, expected, scanned",
    [
        ([0, 2, 1], 2, 1, 2),  # two exchanged: slipped by one
        ([1, 2, 0], 1, 0, 1),
        ([0, 1], 3, 2, None),  # one short
        ([0, 1, 2, 3], 4, None, 3),  # one too many
    ],
)
def test_the_first_place_that_differs_is_named(lab, tubes, order, place, expected, scanned):
    vials = aliquots(tubes, RED)
    want = f"expected {codes.show(vials[expected])}" if expected is not None else "nothing is expected"
    got = f"scanned {codes.show(vials[scanned])}" if scanned is not None else "nothing was scanned"
    with refused("rack_order", f"position {place}: {want}, {got}."):
        pour(lab, tubes, RED, [500, 500, 500], rack=[vials[n] for n in order])


def test_a_vial_scanned_twice_is_named_with_both_places(lab, tubes):
    one, two, three, _ = aliquots(tubes, RED)
    with refused("line_twice", f"position 3: {codes.show(one)} was scanned at position 1 already"):
        pour(lab, tubes, RED, [500, 500, 500], rack=[one, two, one])
    assert three not in ledger.children(primary(tubes, RED))
