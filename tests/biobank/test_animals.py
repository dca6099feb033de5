"""Who an animal is: chips, identifiers, merges and splits, and what follows them."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from biobank.animals import actions, queries
from biobank.exposure.queries import of_animal
from biobank.field.actions import set_clock
from biobank.models import Animal, AnimalMerge, Identifier, Workup
from custody.core.refusal import Refused
from tests.people import DAY, bound_set, drawn_set, make_animal

NEW_CHIP = "985000000000007"


@contextmanager
def refused(code: str):
    with pytest.raises(Refused) as no:
        yield no
    assert no.value.code == code and no.value.sentence


@pytest.fixture
def tech(people):
    return people.actor("fieldtech")


@pytest.fixture
def curator(people):
    return people.actor("curator")


@pytest.fixture
def workup(people) -> Workup:
    return bound_set(people).workup


def other(people) -> Animal:
    return make_animal(people.programme, "A-0002", "999000000000002")


def test_a_known_chip_says_which_animal_it_is(people, tech, workup):
    found = actions.read_chip(tech, workup, "999 000 000 000 001")
    assert (found.word, found.animal) == ("identified", people.animal)
    assert Workup.objects.get(pk=workup.pk).animal == people.animal
    assert actions.read_chip(tech, workup, "999000000000001").word == "same"


def test_an_unknown_chip_writes_nothing_until_the_animal_is_known(people, tech, workup):
    assert actions.read_chip(tech, workup, NEW_CHIP).word == "unknown"
    assert not Identifier.objects.filter(text=NEW_CHIP).exists()
    actions.read_chip(tech, workup, "999000000000001")
    assert actions.read_chip(tech, workup, NEW_CHIP).word == "added"
    assert Identifier.objects.get(text=NEW_CHIP).animal == people.animal
    assert actions.read_chip(tech, workup, NEW_CHIP).word == "same"


def test_a_chip_of_another_animal_is_said_and_changes_nothing_without_a_reason(people, tech, workup):
    second = other(people)
    actions.read_chip(tech, workup, "999000000000001")
    with refused("chip_of_another_animal") as no:
        actions.read_chip(tech, workup, "999000000000002")
    assert "A-0002" in no.value.sentence and "A-0001" in no.value.sentence
    assert Workup.objects.get(pk=workup.pk).animal == people.animal
    assert actions.read_chip(tech, workup, "999000000000002", "tag misread").animal == second
    assert Workup.objects.get(pk=workup.pk).animal == second


def test_a_chip_that_was_borne_once_still_says_who_it_was(people, tech, workup):
    chip = people.animal.identifiers.get(kind="chip")
    actions.end_identifier(tech, chip, DAY, "found on the beach")
    assert actions.read_chip(tech, workup, chip.text).animal == people.animal


def test_a_chip_that_ended_warns_with_its_reason(people, tech, workup):
    chip = people.animal.identifiers.get(kind="chip")
    actions.end_identifier(tech, chip, DAY, "read wrongly")
    found = actions.read_chip(tech, workup, chip.text)
    assert any("until 03 May 2026 only: read wrongly" in one for one in found.warnings)


def test_a_date_that_lies_ahead_is_refused(people, tech):
    ahead = timezone.localdate() + timedelta(days=2)
    with refused("date_in_future"):
        actions.add_identifier(tech, people.animal, "brand", "K7", ahead)
    with refused("date_in_future"):
        actions.end_identifier(tech, people.animal.identifiers.first(), ahead, "lost")


def test_an_older_chip_is_kept_when_somebody_says_so(people, tech, workup):
    actions.read_chip(tech, workup, "999000000000001")
    with refused("chip_not_digits"):
        actions.read_chip(tech, workup, "01C3B5A9F2")
    assert actions.read_chip(tech, workup, "01C3B5A9F2", as_read=True).word == "added"


def test_what_one_animal_bears_no_other_can(people, tech):
    second = other(people)
    with refused("identifier_taken") as no:
        actions.add_identifier(tech, second, "chip", "999000000000001", DAY)
    assert "A-0001" in no.value.sentence
    chip = people.animal.identifiers.get(kind="chip")
    actions.end_identifier(tech, chip, DAY - timedelta(days=1), "lost")
    assert actions.add_identifier(tech, second, "chip", "999000000000001", DAY).animal == second
    assert Identifier.objects.filter(text="999000000000001").count() == 2, "nothing is overwritten"


def test_an_identifier_ends_once_with_a_reason_and_not_before_it_began(people, tech):
    tag = people.animal.identifiers.get(kind="tag")
    with refused("reason_required"):
        actions.end_identifier(tech, tag, DAY, " ")
    with refused("ends_before_it_begins"):
        actions.end_identifier(tech, tag, tag.since - timedelta(days=1), "lost")
    actions.end_identifier(tech, tag, DAY, "lost")
    assert actions.end_identifier(tech, tag, DAY, "lost").until == DAY
    with refused("identifier_ended"):
        actions.end_identifier(tech, tag, DAY - timedelta(days=1), "lost")
    assert tag.history.first().history_change_reason == "lost"


def test_a_merge_shows_both_as_one_and_rewrites_nothing(people, curator, tech, workup):
    second = other(people)
    actions.read_chip(tech, workup, "999000000000002")
    actions.merge(curator, people.animal, second, "genotype", "12 of 12 loci agree")
    for row in (people.animal, Animal.objects.get(pk=second.pk)):
        known = queries.known(row)
        assert known.root == people.animal and len(known.rows) == 2
        assert [one.code for one in known.captures] == [workup.code]
        assert {one.text for one in known.identifiers} >= {"999000000000001", "999000000000002"}
    assert Workup.objects.get(pk=workup.pk).animal == second, "the capture stays as it was written"


def test_after_a_merge_a_chip_of_either_says_the_one_that_counts(people, curator, tech, workup):
    actions.merge(curator, people.animal, other(people), "photo", "same scar")
    assert actions.read_chip(tech, workup, "999000000000002").animal == people.animal
    assert actions.read_chip(tech, workup, "999000000000001").word == "same"


def test_the_exposure_trace_covers_all_rows_of_an_individual(people, curator):
    second = other(people)
    drawn_set(people, animal=second)
    assert of_animal(people.animal).acts == []
    actions.merge(curator, people.animal, second, "chip", "both chips found in one animal")
    assert of_animal(people.animal).acts == of_animal(Animal.objects.get(pk=second.pk)).acts != []


def test_a_merge_said_twice_is_one_and_can_be_taken_back(people, curator):
    second = other(people)
    said = actions.merge(curator, people.animal, second, "photo", "same scar")
    assert actions.merge(curator, people.animal, second, "photo", "same scar") == said
    with refused("reason_required"):
        actions.unmerge(curator, said, "")
    actions.unmerge(curator, said, "the scar is on the other side")
    actions.unmerge(curator, said, "again")
    assert queries.individual(second) == [second] and AnimalMerge.objects.count() == 1
    assert AnimalMerge.objects.get().undone_why == "the scar is on the other side"
    assert actions.merge(curator, people.animal, second, "photo", "both sides") != said


def test_no_chain_and_no_circle_of_merges_hides_who_counts(people, curator):
    second, third = other(people), make_animal(people.programme, "A-0003", "999000000000003")
    actions.merge(curator, people.animal, second, "photo", "scar")
    second.refresh_from_db()
    for kept, gone in [
        (second, people.animal),
        (second, third),
        (third, second),
        (people.animal, people.animal),
    ]:
        with refused("merge_of_one"):
            actions.merge(curator, kept, gone, "photo", "scar")
    actions.merge(curator, third, people.animal, "photo", "scar")  # with all that was merged into it
    assert {one.code for one in queries.individual(second)} == {"A-0001", "A-0002", "A-0003"}
    assert queries.one(Animal.objects.get(pk=second.pk)) == third


def test_animals_of_two_species_or_without_proof_are_not_merged(people, curator):
    second = other(people)
    with refused("proof_required"):
        actions.merge(curator, people.animal, second, "photo", "  ")
    second.species = "Halichoerus grypus"
    second.save()
    with refused("merge_of_two_species"):
        actions.merge(curator, people.animal, second, "photo", "scar")


def test_a_split_moves_what_was_chosen_and_leaves_the_rest(people, curator, tech, workup):
    actions.read_chip(tech, workup, "999000000000001")
    workup.refresh_from_db()
    tag = people.animal.identifiers.get(kind="tag")
    with refused("proof_required"):
        actions.split(curator, people.animal, [workup], [tag], "")
    with refused("nothing_to_split"):
        actions.split(curator, people.animal, [], [], "genotype")
    with refused("split_of_all"):
        actions.split(curator, people.animal, [workup], list(people.animal.identifiers.all()), "genotype")
    made = actions.split(curator, people.animal, [workup], [tag], "sex by genotype does not fit")
    assert [one.code for one in queries.known(made).captures] == [workup.code]
    assert [one.kind for one in people.animal.identifiers.all()] == ["chip"]
    assert "sex by genotype" in workup.history.first().history_change_reason


def test_a_closed_day_asks_why(people, tech, workup):
    workup.day.closed = True
    workup.day.save()
    workup.refresh_from_db()
    with refused("day_closed"):
        actions.read_chip(tech, workup, "999000000000001")
    assert actions.read_chip(tech, workup, "999000000000001", "read from the photo").word == "identified"


@pytest.mark.parametrize("text", ["T001", "999000000000001", "999 000 000 000 001", "a-0001", "000000001"])
def test_an_animal_is_found_by_anything_it_bears(people, text):
    assert [one.code for one in queries.find(people.programme, text)] == ["A-0001"]


def test_it_is_found_by_what_it_bears_no_longer(people, tech):
    actions.end_identifier(tech, people.animal.identifiers.get(kind="tag"), DAY, "lost")
    assert people.animal in queries.find(people.programme, "T001")


def test_what_is_known_of_an_animal_takes_no_more_queries_for_more_captures(people):
    counts = []
    for _ in (3, 9):
        for _ in range(3):
            set_clock(people.actor("fieldtech"), bound_set(people, animal=people.animal).workup, {}, "")
        with CaptureQueriesContext(connection) as asked:
            queries.known(people.animal)
        counts.append(len(asked))
    assert counts[0] == counts[1] <= 6
