"""Plans as values and as rows: totals, starters, versions, what is refused."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.labels.actions import print_sets
from biobank.models import PlannedAliquot, PlannedTube, SamplePlan, Tube, TubeLot
from biobank.plans import actions, starters
from biobank.plans.check import faults, sound
from biobank.plans.history import history_of
from biobank.plans.kit import kit, line
from biobank.plans.rows import value_of
from biobank.plans.starters import starters as shipped
from biobank.plans.totals import BLOOD, advice, over_yield, totals
from biobank.plans.values import Aliquots, Plan, Planned
from custody.core.event import new_id
from custody.core.refusal import Refused

RED = Planned(1, 1, "Red 10", "BLD", "CLOT", "red", "tube", 10_000, made=(Aliquots(4, "SER", 1000),))
SMALL = Plan("SMALL", "Small plan", tubes=(RED, Planned(2, 2, "Swab", "SWB")))


@pytest.fixture
def curator(people):
    return people.actor("curator")


@pytest.fixture
def small(curator) -> SamplePlan:
    return actions.make(curator, SMALL)


def changed(curator, plan: SamplePlan, wanted: Plan, why: str = "better") -> SamplePlan:
    return actions.change(curator, plan, wanted, value_of(plan).digest(), why)


def code_of(no: pytest.ExceptionInfo[Refused]) -> str:
    return no.value.code


# --- the starter plans, against the reference that they are modelled on ---


def test_the_seal_plan_adds_up_to_what_the_reference_for_it_says():
    """Our reference of the trade, 2.2, 2.3: 130.9 mL, 52 aliquots, 29 primaries with slides, 110 labels."""
    plan = shipped()["SEAL-FULL"]
    sums = totals(plan)
    of_blood = [one for one in plan.tubes if one.matrix in BLOOD | {"SME"}]
    assert (sums.blood_ul, sums.aliquots, len(of_blood), sums.labels) == (130_900, 52, 29, 110)
    assert len(plan.tubes) - len(of_blood) == 29
    assert sum(some.count for one in plan.tubes if one.additive == "CLOT" for some in one.made) == 28


def test_the_seal_plan_s_only_dispute_is_the_trace_element_tubes():
    """Trade reference 2.2: the sources disagree on these and on nothing else that the plan draws."""
    found = advice(shipped()["SEAL-FULL"])
    assert len(found) == 2 and all(one.disputed and one.sentence.startswith("Trace-element") for one in found)


def test_a_reptile_gets_no_edta_and_no_serum():
    """J Zoo Wildl Med 1998;29:40-44 (EDTA lyses tortoise red cells); Aquat Biol 2012;14:201-206 (isotopes:
    sodium heparin alone); a note on it (reptile blood clots within a minute)."""
    plan = shipped()["TURTLE"]
    assert plan.taxon == "reptile"
    assert not {one.additive for one in plan.tubes} & {"EDTK", "TRCE", "ACDA", "C32", "CLOT", "SST"}
    assert "SER" not in {some.matrix for one in plan.tubes for some in one.made}
    isotopes = {one.additive for one in plan.tubes for some in one.made if "isotopes" in some.purpose}
    assert isotopes == {"HEPN"}


def test_a_bird_of_100_g_gives_at_most_1_ml():
    """University of Pennsylvania sample page: 100 g cockatiel, about 10 mL of blood, take 1 mL at most."""
    assert 0 < totals(shipped()["BIRD"]).blood_ul <= 1000


@pytest.mark.parametrize("code", ["BIRD", "SEAL-FULL", "TURTLE"])
def test_a_starter_plan_is_sound_and_no_tube_gives_more_than_it_can(code):
    """5 mL of blood for 2 mL of serum: a hospital laboratory's page on centrifuging."""
    plan = shipped()[code]
    assert sound(plan) == plan and not over_yield(plan) and plan.order_source and plan.note


@pytest.mark.parametrize("path", sorted(starters.FOLDER.glob("*.toml")), ids=lambda path: path.stem)
def test_a_starter_file_says_of_what_is_unsourced_that_it_is(path):
    said = " ".join(one.lstrip("# ") for one in path.read_text("utf-8").split("\n") if one.startswith("#"))
    assert "no source" in said and "abstract" in said


@pytest.mark.django_db
@pytest.mark.parametrize("code", ["BIRD", "SEAL-FULL", "TURTLE"])
def test_a_starter_plan_is_installed_once_and_printed_from(people, code):
    user = people.user("curator")
    plan = actions.install(people.programme, user, code)
    assert actions.install(people.programme, user, code) == plan
    assert value_of(plan) == shipped()[code]
    (made,) = print_sets(people.actor("fieldtech"), new_id(), plan, people.day, 1)
    assert made.tubes.count() == totals(shipped()[code]).labels
    why = set(plan.history.values_list("history_change_reason", flat=True))
    assert why == {f"begun from the starter plan {code}"}


@pytest.mark.django_db
def test_an_unknown_starter_and_a_taken_code_are_refused(people, curator):
    with pytest.raises(Refused) as no:
        actions.install(people.programme, people.user("curator"), "../../etc/passwd")
    assert code_of(no) == "starter_unknown"
    actions.make(curator, Plan("TURTLE", "Another"))
    with pytest.raises(Refused) as no:
        actions.install(people.programme, people.user("curator"), "TURTLE")
    assert code_of(no) == "code_taken"


# --- totals and kit ---


def test_serum_is_held_against_two_fifths_of_the_blood():
    """5 mL of blood for 2 mL of serum or plasma: a hospital laboratory's page on centrifuging."""
    five = replace(RED, volume_ul=5000, made=(Aliquots(2, "SER", 1000),))
    assert not over_yield(replace(SMALL, tubes=(five,)))
    more = replace(five, made=(Aliquots(2, "SER", 1000), Aliquots(1, "PL1", 1)))
    (short,) = over_yield(replace(SMALL, tubes=(more,)))
    assert (short.wanted, short.expected) == (2001, 2000)
    whole = replace(five, made=(Aliquots(5, "BLD", 1000),))
    assert not over_yield(replace(SMALL, tubes=(whole,)))
    assert over_yield(replace(SMALL, tubes=(replace(whole, made=(Aliquots(6, "BLD", 1000),)),)))


def test_what_has_no_volume_is_counted_as_not_said():
    sums = totals(replace(SMALL, tubes=(replace(RED, volume_ul=None, made=()),)))
    assert (sums.blood_ul, sums.unsaid) == (0, 1)


@pytest.mark.parametrize(("labels", "pct", "spare"), [(110, 10, 11), (111, 10, 12), (1, 1, 1), (0, 50, 0)])
def test_spare_labels_are_rounded_up(labels, pct, spare):
    plan = Plan("X", "X", spare_pct=pct, tubes=tuple(Planned(1, 1, "S", "SWB") for _ in range(labels)))
    assert totals(plan).labels_with_spares - totals(plan).labels == spare


def test_a_kit_counts_every_tube_and_vial_of_every_set():
    plan = shipped()["SEAL-FULL"]
    made = kit([(plan, 3), (SMALL, 2)], [], date(2026, 5, 3))
    assert made.sets == 5
    assert sum(one.count for one in made.tubes) == 3 * 58 + 2 * 2
    assert sum(one.count for one in made.vials) == 3 * 52 + 2 * 4
    assert (made.labels, made.spare_labels) == (3 * 110 + 2 * 6, 3 * 11)
    assert (made.ice_g, made.dry_ice_g) == (6000, 15000)
    red = next(one for one in made.tubes if (one.additive, one.ul) == ("CLOT", 10_000) and one.cap == "red")
    assert red.count == 3 * 4


LAST = date(2026, 5, 3)


@pytest.mark.parametrize(
    ("on", "mark", "words"),
    [
        (LAST + timedelta(days=1), "fail", "expired 1 day before: do not pack"),
        (LAST, "caution", "last day of use"),
        (LAST - timedelta(days=30), "caution", "expires 30 days later: use first"),
        (LAST - timedelta(days=31), "pass", "good"),
    ],
)
def test_a_lot_says_in_words_what_its_last_day_means(on, mark, words):
    said = line(TubeLot(lot="L1", expires=LAST), on)
    assert (said.mark, said.words) == (mark, words)


def test_a_kit_never_offers_an_expired_or_another_kind_of_lot():
    lots = [
        TubeLot(additive="CLOT", ul=10_000, lot="OLD", expires=LAST - timedelta(days=1)),
        TubeLot(additive="CLOT", ul=10_000, lot="USED", used_up=True),
        TubeLot(additive="CLOT", ul=5_000, lot="SMALLER"),
        TubeLot(additive="SST", ul=10_000, lot="GEL"),
        TubeLot(additive="CLOT", ul=10_000, container="glass", lot="GLASS"),
    ]
    red = kit([(SMALL, 1)], lots, LAST).tubes[0]
    assert [one.lot.lot for one in red.lots] == ["OLD"] and red.without_good_lot
    more = [*lots, TubeLot(additive="CLOT", ul=10_000, container="TUBE", lot="GOOD")]
    assert not kit([(SMALL, 1)], more, LAST).tubes[0].without_good_lot


# --- versions ---


@pytest.mark.django_db
def test_a_plan_nobody_printed_from_is_changed_in_place_and_its_history_says_why(small, curator):
    tube = PlannedTube.objects.get(plan=small, number=1)
    again = changed(curator, small, SMALL.with_tube(replace(RED, label="Red 9", made=()), 1), "smaller")
    assert again.pk == small.pk and PlannedTube.objects.get(plan=small, number=1).pk == tube.pk
    assert not PlannedAliquot.objects.filter(tube=tube).exists()
    swab = PlannedTube.objects.get(plan=small, number=2)
    assert (tube.history.count(), swab.history.count(), small.history.count()) == (2, 1, 1)
    step = history_of(again)[0]
    assert step.why == "smaller" and step.who
    assert "Red 9: label Red 10 → Red 9" in step.what and "Red 9, aliquots: taken out" in step.what


@pytest.mark.django_db
def test_a_change_of_a_printed_plan_makes_the_next_version_and_leaves_the_old_one_alone(
    people, curator, small
):
    (made,) = print_sets(people.actor("fieldtech"), new_id(), small, people.day, 1)
    before = (value_of(small), list(small.history.values_list("pk")), list(made.tubes.values()))
    following = changed(curator, small, SMALL.without(2))
    assert (following.version, value_of(following)) == (2, SMALL.without(2))
    assert (value_of(small), list(small.history.values_list("pk")), list(made.tubes.values())) == before
    assert {tube.planned.plan_id for tube in Tube.objects.filter(tube_set=made)} == {small.pk}


@pytest.mark.django_db
def test_a_void_set_still_counts_as_printed(people, curator, small):
    from biobank.labels.actions import void_set

    (made,) = print_sets(people.actor("fieldtech"), new_id(), small, people.day, 1)
    void_set(people.actor("fieldtech"), new_id(), made, "wet")
    assert changed(curator, small, SMALL.without(2)).version == 2


@pytest.mark.django_db
def test_the_same_form_twice_changes_once(people, curator, small):
    print_sets(people.actor("fieldtech"), new_id(), small, people.day, 1)
    wanted, seen = SMALL.without(2), value_of(small).digest()
    first = actions.change(curator, small, wanted, seen, "better")
    assert actions.change(curator, small, wanted, seen, "better") == first
    assert SamplePlan.objects.filter(code="SMALL").count() == 2
    rows = PlannedTube.history.count()
    assert actions.change(curator, first, wanted, value_of(first).digest(), "again") == first
    assert PlannedTube.history.count() == rows


@pytest.mark.django_db
def test_two_people_who_change_the_same_plan_do_not_undo_each_other(people, curator, small):
    seen = value_of(small).digest()
    actions.change(curator, small, replace(SMALL, name="Mine"), seen, "mine")
    with pytest.raises(Refused) as no:
        actions.change(curator, small, SMALL.without(2), seen, "yours")
    assert code_of(no) == "plan_changed"
    assert value_of(SamplePlan.objects.get(pk=small.pk)) == replace(SMALL, name="Mine")


@pytest.mark.django_db
def test_an_older_version_is_not_changed_any_more(people, curator, small):
    print_sets(people.actor("fieldtech"), new_id(), small, people.day, 1)
    changed(curator, small, SMALL.without(2))
    with pytest.raises(Refused) as no:
        changed(curator, small, SMALL.without(1))
    assert code_of(no) == "plan_superseded"


@pytest.mark.django_db
def test_a_change_needs_a_reason_and_keeps_the_code(curator, small):
    for wanted, why, code in [
        (SMALL.without(1), "  ", "reason_required"),
        (replace(SMALL, code="OTHER"), "renamed", "plan_code_stays"),
    ]:
        with pytest.raises(Refused) as no:
            changed(curator, small, wanted, why)
        assert code_of(no) == code
    assert value_of(small) == SMALL


@pytest.mark.django_db
def test_a_retired_plan_prints_no_more_nor_do_its_older_versions(people, curator, small):
    print_sets(people.actor("fieldtech"), new_id(), small, people.day, 1)
    following = changed(curator, small, SMALL.without(2))
    actions.retire(curator, following, "season over")
    for plan in SamplePlan.objects.filter(code="SMALL"):
        with pytest.raises(Refused) as no:
            print_sets(people.actor("fieldtech"), new_id(), plan, people.day, 1)
        assert code_of(no) == "plan_retired"
    with pytest.raises(Refused) as no:
        actions.bring_back(curator, small, "again")
    assert code_of(no) == "plan_superseded"
    actions.bring_back(curator, following, "again")
    again = SamplePlan.objects.get(pk=following.pk)
    assert print_sets(people.actor("fieldtech"), new_id(), again, people.day, 1)


def test_a_tube_moves_one_place_and_stays_inside():
    moved = SMALL.moved(1, 1)
    assert [one.number for one in moved.tubes] == [2, 1]
    assert [one.order_of_draw for one in moved.tubes] == [1, 2]
    assert [one.number for one in SMALL.moved(1, -1).tubes] == [1, 2]
    assert [one.number for one in SMALL.moved(2, 5).tubes] == [1, 2]


# --- what is refused ---

LONG = "x" * 10_000
BAD = [
    (replace(RED, label="<b>Red</b>"), "label_text_markup"),
    (replace(RED, label="Red\x07"), "label_text_not_printable"),
    (replace(RED, label="Red \u202e10"), "label_text_not_printable"),
    (replace(RED, label="אדום 10"), "label_text_direction"),
    (replace(RED, label="أحمر ١٠"), "label_text_direction"),
    (replace(RED, label=LONG), "text_too_long"),
    (replace(RED, label=""), "value_missing"),
    (replace(RED, label=" Red"), "value_unclean"),
    (replace(RED, label="Se\u0301rum"), "value_unclean"),
    (replace(RED, volume_ul=0), "number_out_of_range"),
    (replace(RED, number=0), "number_out_of_range"),
    (replace(RED, number=100), "number_out_of_range"),
    (replace(RED, number=2), "number_taken"),
    (replace(RED, additive="XXX"), "choice_unknown"),
    (replace(RED, matrix=""), "choice_unknown"),
    (replace(RED, target_centi=-30_000), "number_out_of_range"),
    (replace(RED, clot_min=60, clot_max_min=30), "clotting_order"),
    (replace(RED, spin_g=2000), "spin_incomplete"),
    (replace(RED, volume_ul=None, least_pct=50), "share_without_volume"),
    (replace(RED, least_pct=101), "number_out_of_range"),
    (replace(RED, made=(Aliquots(0, "SER", 500),)), "number_out_of_range"),
    (replace(RED, made=(Aliquots(1, "SER", 0),)), "number_out_of_range"),
    (replace(RED, made=(Aliquots(899, "SER", 1), Aliquots(1, "SER", 1))), "plan_too_large"),
]


@pytest.mark.parametrize(("tube", "code"), BAD, ids=[f"{n} {code}" for n, (_, code) in enumerate(BAD)])
def test_a_value_that_no_plan_can_have_is_refused_with_a_code_and_a_sentence(tube, code):
    plan = replace(SMALL, tubes=(tube, SMALL.tubes[1]))
    assert code in [one.code for one in faults(plan)]
    with pytest.raises(Refused) as no:
        sound(plan)
    assert len(no.value.sentence) < 400 and no.value.sentence.endswith(".")


@pytest.mark.django_db
def test_nothing_of_a_plan_that_is_not_sound_is_written(curator, small):
    rows = (SamplePlan.history.count(), PlannedTube.history.count())
    for tube, _ in BAD:
        with pytest.raises(Refused):
            changed(curator, small, replace(SMALL, tubes=(tube, SMALL.tubes[1])))
    with pytest.raises(Refused):
        actions.make(curator, Plan("BAD CODE", "Name"))
    assert (SamplePlan.history.count(), PlannedTube.history.count()) == rows


def test_a_plan_has_room_for_99_tubes():
    full = Plan("FULL", "Full", tubes=tuple(Planned(n, n, f"T{n}", "SWB") for n in range(1, 100)))
    assert sound(full) == full
    with pytest.raises(Refused) as no:
        full.free_number()
    assert code_of(no) == "plan_too_many_tubes"


@given(st.permutations(range(1, 10)))
def test_a_free_number_is_one_that_no_tube_has(numbers):
    some = Plan("X", "X", tubes=tuple(Planned(n, n, "T", "SWB") for n in numbers[:6]))
    assert some.free_number() not in numbers[:6]


# --- lots ---


@pytest.mark.django_db
def test_a_lot_is_written_down_once(people, curator):
    said = {"additive": "EDTK", "container": "tube", "ul": 4000, "lot": "L-1"}
    lot = actions.add_lot(curator, expires=LAST, **said)
    assert actions.add_lot(curator, expires=LAST, **said) == lot
    with pytest.raises(Refused) as no:
        actions.add_lot(curator, expires=None, **said)
    assert code_of(no) == "lot_taken"
    actions.use_up(curator, lot)
    assert [one.history_change_reason for one in lot.history.all()] == ["used up", "added"]
