"""Blood limits in the room: who sets them, what counts of the same animal, what a draw is refused for.

Volumes are those of the fixture plan: 2.7, 10, 5, 6 and 4 mL of blood, 27.7 mL together, and a swab.
"""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.acting import Actor, perform
from biobank.animals.actions import merge, unmerge
from biobank.blood import queries
from biobank.blood.actions import allow, check, set_limit, volume_of
from biobank.blood.queries import budget
from biobank.core.blood import Rule
from biobank.field.actions import Filled, Missed, bind, draw, identify
from biobank.labels.actions import print_sets
from biobank.models import Animal, BloodAllowance, BloodLimit, FieldDay, Programme, Role, Workup
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.people import DAY, People, make_animal, make_person, moment

FULL = 27_700
SINCE = date(2026, 1, 1)
PERCENT = Rule(mass_per_mille=10, window_days=14)


@pytest.fixture
def vet(people: People) -> Actor:
    """Mari Vik, veterinarian of the programme."""
    person = make_person(people.programme, people.sss, Role.FIELD, "P08", "vet")
    person.name, person.veterinarian = "Mari Vik", True
    person.save()
    return Actor(person, "vet")


def limit(
    vet: Actor, rule: Rule = PERCENT, since: date = SINCE, species: str = "", key: str = ""
) -> BloodLimit:
    return set_limit(vet, key or new_id(), rule, since, "Skarvik Bay protocol 4", species)


def capture(people: People, day: date = DAY, animal=None, grams: int | None = 5000, hour: int = 9) -> Workup:
    """A set bound to a new workup on this day, weighed, nothing drawn."""
    on, _ = FieldDay.objects.get_or_create(
        site=people.site, date=day, defaults={"lead": people.person("fieldtech")}
    )
    actor = people.actor("fieldtech")
    (tube_set,) = print_sets(actor, new_id(), people.plan, on, 1, at=moment(7, day=day))
    bind(actor, new_id(), tube_set, animal=animal, at=moment(hour, day=day))
    Workup.objects.filter(tube_set=tube_set).update(mass_g=grams)
    return Workup.objects.get(tube_set=tube_set)


def fill(people: People, workup: Workup, at, *numbers: int, ul: int | None = None) -> None:
    """Fill these planned numbers of the workup's set."""
    tubes = [workup.tube_set.tubes.get(parent_hint="", planned__number=n) for n in numbers]
    draw(people.actor("fieldtech"), new_id(), workup.tube_set, [Filled(one.code, at, ul) for one in tubes])


def fresh(workup: Workup) -> Workup:
    return Workup.objects.get(pk=workup.pk)


def code_of(call) -> str:
    with pytest.raises(Refused) as no:
        call()
    assert no.value.sentence.endswith(".")
    return no.value.code


# setting


def test_the_veterinarian_and_an_administrator_set_a_limit_and_nobody_else(people, vet):
    admin = make_person(people.programme, people.nlb, Role.ADMINISTRATOR, "P09", "boss")
    for actor in [vet, Actor(admin, "boss")]:
        assert limit(actor).set_by == actor.person
    for role in ["fieldtech", "labtech", "curator", "auditor", "collaborator"]:
        assert code_of(lambda role=role: limit(people.actor(role))) == "not_the_veterinarian"
    assert BloodLimit.objects.count() == 2
    assert {one.history.get().history_user.username for one in BloodLimit.objects.all()} == {"vet", "boss"}


def test_the_same_form_twice_is_one_limit_and_another_is_another_row(people, vet):
    key = new_id()
    first = limit(vet, key=key)
    assert limit(vet, key=key) == first
    assert code_of(lambda: limit(vet, Rule(mass_per_mille=5), key=key)) == "key_reused"
    second = limit(vet, Rule(mass_per_mille=5, window_days=7))
    assert BloodLimit.objects.get(pk=first.pk).rule == PERCENT
    assert second.pk != first.pk


def test_a_limit_without_source_or_sense_is_refused(people, vet):
    assert code_of(lambda: set_limit(vet, new_id(), PERCENT, SINCE, "  ")) == "source_required"
    assert code_of(lambda: limit(vet, Rule(mass_per_mille=10, window_days=0))) == "window_out_of_range"
    assert code_of(lambda: limit(vet, Rule(mass_per_mille=-1))) == "share_not_positive"
    assert not BloodLimit.objects.exists()


def test_the_row_of_the_very_species_counts_and_the_newest_that_has_begun(people, vet):
    limit(vet, Rule(mass_per_mille=1), species="Lutra lutra")
    limit(vet, Rule(mass_per_mille=10))
    limit(vet, Rule(mass_per_mille=8), species="phoca  VITULINA", since=date(2026, 2, 1))
    limit(vet, Rule(mass_per_mille=6), species="Phoca vitulina", since=DAY)
    limit(vet, Rule(mass_per_mille=2), species="Phoca vitulina", since=DAY + timedelta(days=1))
    seal = people.animal
    assert budget(capture(people, animal=seal)).limit_ul == 5000 * 6, "from its own day on"
    assert budget(capture(people, DAY - timedelta(days=1), seal)).limit_ul == 5000 * 8
    assert budget(capture(people, date(2026, 1, 20), seal)).limit_ul == 5000 * 10, "not of the species yet"
    assert budget(capture(people, date(2025, 12, 31), seal)).row is None, "nothing had begun"


def test_of_two_limits_of_one_day_the_later_written_counts(people, vet):
    limit(vet, Rule(mass_per_mille=10))
    limit(vet, Rule(mass_per_mille=9))
    assert budget(capture(people, animal=people.animal)).limit_ul == 45_000


def test_while_the_animal_is_not_known_the_strictest_limit_counts(people, vet):
    limit(vet, Rule(mass_per_mille=10))
    limit(vet, Rule(mass_per_mille=4), species="Lutra lutra")
    unknown = capture(people)
    stands = budget(unknown)
    assert (stands.limit_ul, stands.guessed_species, stands.animal_known) == (20_000, True, False)
    identify(people.actor("fieldtech"), unknown, people.animal)
    stands = budget(fresh(unknown))
    assert (stands.limit_ul, stands.guessed_species, stands.animal_known) == (50_000, False, True)


# how a workup stands


def test_planned_and_running_total(people, vet):
    limit(vet)
    workup = capture(people, animal=people.animal, grams=2000)  # 20 mL
    stands = budget(workup)
    assert (stands.limit_ul, stands.drawn_ul, stands.planned_ul, stands.left_ul) == (20_000, 0, FULL, 20_000)
    assert (stands.over, stands.will_be_over, stands.stands) == (False, True, "will_be_over")
    # by the plan's priority: EDTA 4 (1), gel 5 (2), red 10 (3), heparin 6 does not fit, citrate 2.7 neither
    assert [one.tube.label for one in stands.fit] == ["Red 10", "Gel 5", "EDTA 4"], "in order of draw"
    fill(people, workup, moment(9, 20), 2, 5)
    stands = budget(fresh(workup))
    assert (stands.drawn_ul, stands.planned_ul, stands.left_ul) == (14_000, 13_700, 6000)
    assert [one.tube.label for one in stands.fit] == ["Gel 5"]
    missed = [one.code for one in workup.tube_set.tubes.filter(planned__number=4, parent_hint="")]
    draw(
        people.actor("fieldtech"), new_id(), workup.tube_set, [],
        [Missed(missed[0], "flow stopped")], at=moment(9, 30),
    )  # fmt: skip
    assert budget(fresh(workup)).planned_ul == 7700


def test_a_swab_is_no_blood_and_an_aliquot_neither(people, vet):
    limit(vet)
    workup = capture(people, animal=people.animal)
    fill(people, workup, moment(9, 20), 6)
    stands = budget(fresh(workup))
    assert (stands.drawn_ul, stands.unmeasured, stands.unknown) == (0, 0, 0)
    tubes = {one.label: one for one in workup.tube_set.tubes.select_related("planned")}
    assert volume_of(tubes["Nasal swab"], 3000) == 0
    assert volume_of(tubes["Serum 1"]) == 0
    assert (volume_of(tubes["Gel 5"]), volume_of(tubes["Gel 5"], 1200)) == (5000, 1200)


def test_no_mass_is_no_pass_and_an_impossible_one_neither(people, vet):
    limit(vet)
    workup = capture(people, animal=people.animal, grams=None)
    stands = budget(workup)
    assert (stands.stands, stands.limit_ul, stands.left_ul, stands.over) == ("cannot_tell", None, None, False)
    assert "No mass yet: the limit is not known" in stands.why_unknown
    assert [one.fits for one in stands.waiting] == [None] * 5
    assert code_of(lambda: check(workup, 1)) == "blood_limit_not_known"
    for grams in [0, 10_000_000]:
        Workup.objects.filter(pk=workup.pk).update(mass_g=grams)
        assert budget(fresh(workup)).stands == "cannot_tell"
        assert code_of(lambda: check(fresh(workup), 1)) == "blood_limit_not_known"


def test_without_a_limit_nobody_is_stopped_and_it_is_said(people):
    workup = capture(people, animal=people.animal, grams=None)
    assert budget(workup).stands == "no_limit"
    assert check(workup, 10**9).row is None


# earlier draws of the same animal


def two_captures(people, gap: timedelta, animal=None):
    """One capture with 15 mL drawn at 09:20, a second so much later, with its first needle then."""
    first = capture(people, DAY, animal)
    fill(people, first, moment(9, 20), 2, 3)
    then = moment(9, 20) + gap
    second = capture(people, then.date(), animal, hour=then.hour)
    return first, second, then


@pytest.mark.parametrize(
    ("gap", "earlier"),
    [
        (timedelta(days=14) - timedelta(minutes=1), 15_000),
        (timedelta(days=14), 0),
        (timedelta(days=20), 0),
        (timedelta(hours=3), 15_000),
    ],
    ids=["a minute inside", "exactly 14 days", "outside", "the same day"],
)
def test_earlier_draws_count_inside_the_window_only(people, vet, gap, earlier):
    limit(vet)
    first, second, then = two_captures(people, gap, people.animal)
    fill(people, second, then, 5)
    stands = budget(fresh(second))
    assert (stands.earlier_ul, stands.drawn_ul) == (earlier, 4000)
    assert stands.earlier_workups == ((first.code,) if earlier else ())
    assert stands.left_ul == 50_000 - earlier - 4000


def test_another_animal_s_draws_never_count(people, vet):
    limit(vet)
    other = make_animal(people.programme, "A-0002", "999000000000002")
    fill(people, capture(people, DAY, other), moment(9, 20), 2)
    assert budget(capture(people, DAY + timedelta(days=1), people.animal)).earlier_ul == 0


def test_a_later_capture_does_not_count_for_an_earlier_one(people, vet):
    limit(vet)
    first, second, then = two_captures(people, timedelta(days=3), people.animal)
    fill(people, second, then, 5)
    assert budget(fresh(first)).earlier_ul == 0


def test_an_animal_that_is_known_later_brings_its_earlier_draws(people, vet):
    limit(vet, Rule(mass_per_mille=4, window_days=14))  # 20 mL
    first, second, then = two_captures(people, timedelta(days=3))
    fill(people, second, then, 2)
    assert budget(fresh(second)).earlier_ul == 0
    identify(people.actor("fieldtech"), fresh(first), people.animal)
    identify(people.actor("fieldtech"), fresh(second), people.animal)
    stands = budget(fresh(second))
    assert (stands.earlier_ul, stands.drawn_ul, stands.over, stands.over_ul) == (15_000, 10_000, True, 5000)
    assert [one.workup.code for one in queries.over_limit(people.programme)] == [second.code]


def test_draws_of_merged_animals_are_one_animal_s_until_the_merge_is_taken_back(people, vet):
    limit(vet)
    first = people.animal
    second = make_animal(people.programme, "A-0002", "999000000000002")
    third = make_animal(people.programme, "A-0003", "999000000000003")
    for n, animal in enumerate([third, second]):
        day = DAY + timedelta(days=n)
        fill(people, capture(people, day, animal), moment(9, 20, day), 3)
    now = capture(people, DAY + timedelta(days=2), first)
    assert budget(now).earlier_ul == 0
    curator = people.actor("curator")
    lower = merge(curator, second, third, "genotype", "same genotype")
    merge(curator, first, second, "photo", "same pelage")
    assert budget(now).earlier_ul == 10_000, "through two merges"
    assert len(budget(now).earlier_workups) == 2
    unmerge(curator, lower, "another laboratory found them different")
    assert budget(now).earlier_ul == 5000


def test_a_ring_of_merges_ends(people, vet):
    limit(vet)
    second = make_animal(people.programme, "A-0002", "999000000000002")
    Animal.objects.filter(pk=second.pk).update(merged_into=people.animal)
    Animal.objects.filter(pk=people.animal.pk).update(merged_into=second)
    assert budget(capture(people, animal=people.animal)).earlier_ul == 0


def test_a_draw_that_was_not_measured_counts_at_the_tube_s_volume_and_is_said(people, vet):
    limit(vet)
    first = capture(people, DAY, people.animal)
    gel = first.tube_set.tubes.get(parent_hint="", planned__number=3)
    perform_drawn(people, first, gel.code, None)
    stands = budget(fresh(first))
    assert (stands.drawn_ul, stands.unmeasured, stands.unknown) == (5000, 1, 0)
    second = budget(capture(people, DAY + timedelta(days=1), people.animal))
    assert (second.earlier_ul, second.unmeasured) == (5000, 1)


def of(workup: Workup, number: int) -> str:
    return workup.tube_set.tubes.get(parent_hint="", planned__number=number).code


def perform_drawn(people: People, workup: Workup, code: str, ul: int | None, at=None) -> None:
    """Written down without being asked, as from paper or from a device without network."""
    perform(
        people.actor("fieldtech"), "drawn", key=new_id(), at=at or moment(9, 20),
        data={"workup": workup.code}, lines=[{"t": code, "role": "subj", "ul": ul}],
    )  # fmt: skip


def test_a_voided_draw_counts_no_more_and_a_corrected_one_as_corrected(people, vet):
    limit(vet)
    workup = capture(people, animal=people.animal)
    key = new_id()
    tube = workup.tube_set.tubes.get(parent_hint="", planned__number=2)
    draw(people.actor("fieldtech"), key, workup.tube_set, [Filled(tube.code, moment(9, 20))])
    data = {"of": key, "reason": "incorrect_data", "set": {"lines": [{"n": 0, "ul": 7000}]}}
    perform(people.actor("fieldtech"), "corrected", key=new_id(), data=data)
    assert budget(fresh(workup)).drawn_ul == 7000
    said = {"of": key, "reason": "did_not_occur"}
    perform(people.actor("fieldtech"), "voided", key=new_id(), data=said)
    assert budget(fresh(workup)).drawn_ul == 0


# the question before a draw, and more than the limit


def test_a_draw_up_to_the_limit_passes_and_a_microlitre_more_names_all_it_should(people, vet):
    limit(vet, Rule(mass_per_mille=4, window_days=14))  # 20 mL
    _, second, then = two_captures(people, timedelta(days=3), people.animal)
    fill(people, second, then, 5, ul=3000)
    assert check(fresh(second), 2000).left_ul == 2000
    with pytest.raises(Refused) as no:
        check(fresh(second), 2001)
    assert no.value.code == "blood_limit_reached"
    limit_words, drawn_words = (
        "20 mL (0.4 % of body mass in 14 days)",
        "18 mL are drawn, 15 mL of it in earlier",
    )
    for words in [second.code, limit_words, drawn_words, "2.001 mL more", "Mari Vik may allow more"]:
        assert words in no.value.sentence
    assert check(fresh(second), 0), "an empty tube is never refused"


def test_a_veterinarian_at_hand_may_say_yes_with_a_reason_and_nobody_else(people, vet):
    limit(vet, Rule(mass_per_mille=1))
    workup = capture(people, animal=people.animal)
    assert check(workup, 6000, allowed_by=vet.person, reason="clinical need").row
    assert code_of(lambda: check(workup, 6000, allowed_by=vet.person)) == "reason_required"
    tech = people.person("fieldtech")
    assert code_of(lambda: check(workup, 6000, tech, "clinical need")) == "not_the_veterinarian"


def test_blood_that_is_in_the_tube_is_kept_with_a_reason_and_stands_on_the_list(people, vet):
    limit(vet, Rule(mass_per_mille=1))  # 5 mL
    workup = capture(people, animal=people.animal)
    assert code_of(lambda: check(workup, 6000, already_drawn=True)) == "reason_required"
    assert check(workup, 6000, already_drawn=True, reason="was full before anybody looked").row
    perform_drawn(people, workup, of(workup, 4), 6000)
    (stands,) = queries.over_limit(people.programme)
    assert (stands.workup, stands.over_ul) == (workup, 1000)
    allow(vet, new_id(), workup, 1000, "seen, animal is well")
    assert queries.over_limit(people.programme) == []


def test_blood_without_a_mass_stands_on_the_list_too(people, vet):
    limit(vet)
    workup = capture(people, animal=people.animal, grams=None)
    assert queries.over_limit(people.programme) == [], "nothing was drawn yet"
    perform_drawn(people, workup, of(workup, 4), 6000)
    assert [one.stands for one in queries.over_limit(people.programme)] == ["cannot_tell"]


def test_what_the_veterinarian_allows_adds_up_and_can_be_taken_back(people, vet):
    limit(vet, Rule(mass_per_mille=1))  # 5 mL
    workup = capture(people, animal=people.animal)
    key = new_id()
    first = allow(vet, key, workup, 3000, "strong animal")
    assert allow(vet, key, workup, 3000, "strong animal") == first, "sent twice is one"
    assert code_of(lambda: allow(vet, key, workup, 4000, "strong animal")) == "key_reused"
    assert check(workup, 8000).cap_ul == 8000
    assert code_of(lambda: check(workup, 8001)) == "blood_limit_reached"
    assert code_of(lambda: allow(vet, new_id(), workup, -3001, "slip")) == "allowance_below_nothing"
    allow(vet, new_id(), workup, -1000, "slip")
    assert [one.ul for one in budget(workup).allowances] == [3000, -1000]
    assert budget(workup).cap_ul == 7000


def test_an_amount_may_be_allowed_where_no_mass_is_known(people, vet):
    limit(vet)
    workup = capture(people, animal=people.animal, grams=None)
    allow(vet, new_id(), workup, 5000, "mass cannot be had")
    assert check(workup, 5000).cap_ul == 5000
    assert code_of(lambda: check(workup, 5001)) == "blood_limit_reached"


@pytest.mark.parametrize(
    ("ul", "reason", "code"),
    [
        (0, "why", "allowance_is_nothing"),
        (10_000_001, "why", "allowance_too_large"),
        (1, " ", "reason_required"),
    ],
)
def test_what_is_no_allowance_is_refused(people, vet, ul, reason, code):
    workup = capture(people, animal=people.animal)
    assert code_of(lambda: allow(vet, new_id(), workup, ul, reason)) == code
    assert not BloodAllowance.objects.exists()


def test_only_the_veterinarian_allows_more(people, vet):
    workup = capture(people, animal=people.animal)
    for role in ["fieldtech", "curator", "labtech"]:
        assert code_of(lambda role=role: allow(people.actor(role), new_id(), workup, 1, "why")) == (
            "not_the_veterinarian"
        )


def test_another_programme_s_limits_do_not_count(people):
    other = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    boss = make_person(other, people.nlb, Role.ADMINISTRATOR, "P19", "elsewhere")
    limit(Actor(boss, "elsewhere"))
    assert BloodLimit.objects.get().programme == other
    assert budget(capture(people, animal=people.animal)).row is None


# how many queries


def count(call) -> int:
    with CaptureQueriesContext(
        connection,
    ) as asked:
        call()
    return len(asked)


def test_queries_do_not_grow_with_captures_draws_or_allowances(people, vet):
    limit(vet)
    captures = [capture(people, DAY + timedelta(days=n), people.animal, grams=500) for n in range(6)]
    for n, one in enumerate(captures[:2]):
        perform_drawn(people, one, of(one, 2), 10_000, moment(9, 20, DAY + timedelta(days=n)))
    allow(vet, new_id(), captures[1], 10, "why")
    few = count(lambda: budget(queries.workup_or_404(vet.person, captures[1].code)))
    listed = count(lambda: queries.over_limit(people.programme))
    for n, one in enumerate(captures[2:], 2):
        for number, ul in [(1, 2700), (2, 10_000), (3, 5000), (4, None)]:
            perform_drawn(people, one, of(one, number), ul, moment(9, 20, DAY + timedelta(days=n)))
        allow(vet, new_id(), one, 10, "why")
        limit(vet, species=f"Species {n}")
    assert count(lambda: budget(queries.workup_or_404(vet.person, captures[-1].code))) <= few + 1 <= 15, (
        "one more for the volume of what was not measured"
    )
    assert count(lambda: queries.over_limit(people.programme)) <= listed + 1 <= 14
    assert len(queries.over_limit(people.programme)) == 6
