"""What is said about who an animal is: identifiers come and end, two rows turn out to be one animal, or not.

Promises: nothing that was written is overwritten. A merge and its taking back keep their proof; a form sent
twice is one act; every change has its who and why.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.db import IntegrityError, transaction
from django.utils import timezone

from biobank.acting import Actor, saving
from biobank.core import chip
from biobank.days.access import may_change
from biobank.field.actions import identify, next_animal_code
from biobank.models import Animal, AnimalMerge, Identifier, Workup
from custody.core.refusal import Refused

from . import queries


@dataclass(frozen=True)
class ChipRead:
    """What reading a chip came to. word: identified, same, added, or unknown (nothing was written).

    ended  the identifier that told, when it is borne no longer
    """

    chip: chip.Chip
    word: str
    animal: Animal | None = None
    ended: Identifier | None = None

    @property
    def warnings(self) -> list[str]:
        """What to look at twice."""
        found = list(self.chip.warnings)
        if self.ended and self.ended.until:
            why = self.ended.history.first().history_change_reason or "no reason is noted"
            found.append(f"{self.ended.animal} bore this chip until {self.ended.until:%d %b %Y} only: {why}.")
        return found


def number_of(text: str, as_read: bool = False) -> chip.Chip:
    """The chip as it is kept; `as_read` allows a number from before the standard."""
    return chip.older(text) if as_read else chip.read(text)


def read_chip(actor: Actor, workup: Workup, text: str, reason: str = "", as_read: bool = False) -> ChipRead:
    """Say that this chip was read on the animal in hand.

    A known chip says which animal it is; an unknown one is added to the animal of the workup, if any.
    Refused: as `chip.read`, chip_of_another_animal (the workup is of another one and nobody says why that
    changes), day_closed.
    """
    found = number_of(text, as_read)
    known = queries.bearer(actor.person.programme, Identifier.Kind.CHIP, found.text)
    if known is None:
        return _unknown(actor, workup, found, reason)
    animal, ended = queries.one(known.animal), known if known.until else None
    if workup.animal_id and workup.animal_id in {one.pk for one in queries.individual(animal)}:
        return ChipRead(found, "same", animal, ended)
    if workup.animal_id and not reason.strip():
        raise Refused(
            "chip_of_another_animal",
            f"The chip {found.shown} is on {animal}, and {workup} is of {workup.animal} so far. Say why that "
            "changes, or have both animals merged.",
        )
    identify(actor, workup, animal, reason)
    return ChipRead(found, "identified", animal, ended)


def _unknown(actor: Actor, workup: Workup, found: chip.Chip, reason: str) -> ChipRead:
    if workup.animal is None:
        return ChipRead(found, "unknown")
    may_change(workup.day, reason)
    source = f"read in {workup}"
    add_identifier(actor, workup.animal, Identifier.Kind.CHIP, found.text, workup.day.date, source=source)
    return ChipRead(found, "added", workup.animal)


def add_identifier(
    actor: Actor, animal: Animal, kind: str, text: str, since: date, side: str = "", source: str = ""
) -> Identifier:
    """The animal bears this from that day on. The same again changes nothing.

    Refused: identifier_empty, date_in_future, identifier_taken (another individual bears it).
    """
    plain = " ".join(text.split())
    _not_ahead(since)
    if not plain:
        raise Refused("identifier_empty", "Write what the identifier reads.")
    there = Identifier.objects.select_related("animal").filter(kind=kind, text=plain, until=None).first()
    if there and there.animal_id in {one.pk for one in queries.individual(animal)}:
        return there
    if there:
        raise Refused("identifier_taken", _taken(actor, there))
    made = Identifier(animal=animal, kind=kind, text=plain, since=since, side=side, source=source)
    try:
        with transaction.atomic(), saving(actor.person.user, source or "identifier added", made):
            made.save()
    except IntegrityError as why:
        raise Refused("identifier_taken", f"{made} was given to another animal just now.") from why
    return made


def _not_ahead(day: date) -> None:
    if day > timezone.localdate() + timedelta(days=1):  # somebody's today may be another zone's tomorrow
        raise Refused("date_in_future", f"{day:%d %b %Y} lies in the future.")


def _taken(actor: Actor, there: Identifier) -> str:
    if there.animal.programme_id != actor.person.programme_id:
        return f"{there} is borne by an animal of another programme."
    return f"{there} is borne by {there.animal}. End it there first, or have both animals merged."


def end_identifier(actor: Actor, identifier: Identifier, until: date, reason: str) -> Identifier:
    """The animal bears this no longer.

    Refused: reason_required, date_in_future, identifier_ended, ends_before_it_begins.
    """
    if not reason.strip():
        raise Refused("reason_required", "Say why it ends: lost, removed, read wrongly.")
    _not_ahead(until)
    if identifier.until is not None:
        if identifier.until == until:
            return identifier
        raise Refused("identifier_ended", f"{identifier} ended on {identifier.until:%d %b %Y} already.")
    if until < identifier.since:
        raise Refused("ends_before_it_begins", f"{identifier} is borne since {identifier.since:%d %b %Y}.")
    identifier.until = until
    with saving(actor.person.user, reason.strip()[:100], identifier):
        identifier.save(update_fields=["until"])
    return identifier


def merge(actor: Actor, kept: Animal, gone: Animal, kind: str, proof: str) -> AnimalMerge:
    """Both rows are one animal; `kept` is the one that counts. Said twice, it is one merge.

    Refused: proof_required, merge_of_one (they are one already, or one of them is merged elsewhere),
    merge_of_two_programmes, merge_of_two_species.
    """
    if not proof.strip():
        raise Refused("proof_required", "Say what proves that both are one animal.")
    again = AnimalMerge.objects.filter(kept=kept, gone=gone, undone_at=None).first()
    if again:
        return again
    with transaction.atomic():
        # both are locked, always in the same order: two merges at once could otherwise make a ring
        locked = Animal.objects.select_for_update().filter(pk__in=[kept.pk, gone.pk]).order_by("pk")
        rows = {one.pk: one for one in locked}
        kept, fresh = rows[kept.pk], rows[gone.pk]
        _may_be_one(kept, fresh)
        made = AnimalMerge.objects.create(
            kept=kept, gone=fresh, kind=kind, proof=proof.strip(), by=actor.person, at=timezone.now()
        )
        fresh.merged_into = kept
        with saving(actor.person.user, f"is {kept}: {proof}"[:100], fresh):
            fresh.save(update_fields=["merged_into"])
    return made


def _may_be_one(kept: Animal, gone: Animal) -> None:
    if kept.programme_id != gone.programme_id:
        raise Refused("merge_of_two_programmes", "Animals of two programmes are not merged here.")
    if gone.pk in {one.pk for one in queries.individual(kept)}:
        raise Refused("merge_of_one", f"{kept} and {gone} are one animal already.")
    if kept.merged_into_id:
        raise Refused("merge_of_one", f"{kept} was merged into {queries.one(kept)}. Merge with that one.")
    if gone.merged_into_id:
        raise Refused("merge_of_one", f"{gone} was merged into {queries.one(gone)}. Merge that one.")
    if kept.species != gone.species:
        sentence = f"{kept} is a {kept.species}, {gone} a {gone.species}. Put the species right first."
        raise Refused("merge_of_two_species", sentence)


def unmerge(actor: Actor, said: AnimalMerge, reason: str) -> AnimalMerge:
    """They are two animals after all. Refused: reason_required. A second time changes nothing."""
    if not reason.strip():
        raise Refused("reason_required", "Say what proves that they are two animals.")
    with transaction.atomic():
        fresh = AnimalMerge.objects.select_for_update().get(pk=said.pk)
        if fresh.undone_at is not None:
            return fresh
        fresh.undone_at, fresh.undone_by, fresh.undone_why = timezone.now(), actor.person, reason.strip()
        fresh.save(update_fields=["undone_at", "undone_by", "undone_why"])
        gone = Animal.objects.select_for_update().get(pk=fresh.gone_id)
        gone.merged_into = None
        with saving(actor.person.user, f"not {fresh.kept}: {reason}"[:100], gone):
            gone.save(update_fields=["merged_into"])
    return fresh


def split(
    actor: Actor, animal: Animal, workups: Sequence[Workup], identifiers: Sequence[Identifier], proof: str
) -> Animal:
    """A new animal, to which these captures and identifiers of this one belong.

    Refused: proof_required, nothing_to_split, split_of_all (nothing would be left).
    """
    if not proof.strip():
        raise Refused("proof_required", "Say what proves that they are two animals.")
    if not workups and not identifiers:
        raise Refused("nothing_to_split", "Choose the captures and identifiers of the other animal.")
    rows = queries.individual(animal)
    all_workups = Workup.objects.filter(animal__in=rows).count()
    all_identifiers = Identifier.objects.filter(animal__in=rows).count()
    if len(workups) == all_workups and len(identifiers) == all_identifiers:
        raise Refused("split_of_all", f"Nothing would be left of {animal}. Leave out what is its own.")
    made = Animal(programme=animal.programme, code=next_animal_code(), species=animal.species, sex=animal.sex)
    why = f"not {animal}: {proof.strip()}"[:100]
    with transaction.atomic(), saving(actor.person.user, why, made, *workups, *identifiers):
        made.save()
        for row in [*workups, *identifiers]:
            row.animal = made
            row.save(update_fields=["animal"])
    return made
