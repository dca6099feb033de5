"""What happens on the beach: a set is bound to a workup, tubes are drawn, animals get to be known.

Promises: a form sent twice is one act; a refusal changes nothing, neither ledger nor rows; the workup's clock
follows the needle and never runs backwards. Every function takes the time at which it happened.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.db import transaction
from django.utils import timezone

from biobank.acting import Actor, perform, perform_all, saving
from biobank.core import codes
from biobank.labels.actions import unchanged
from biobank.models import Animal, FieldDay, Identifier, Person, Site, Tube, TubeSet, Workup
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.record import Recorded

from .clock import Clock, changed, reason_for, set_times, widened
from .drawing import Drawing, Filled, Missed, acts_of, check_times, may_be_drawn, named

__all__ = ["Filled", "Missed", "bind", "draw", "draw_one", "identify", "new_animal", "open_day", "set_clock"]


def bind(
    actor: Actor,
    key: str,
    tube_set: TubeSet,
    workup: Workup | None = None,
    animal: Animal | None = None,
    clock: Clock | None = None,
    at: datetime | None = None,
) -> Workup:
    """Give a set to a workup: an existing one, or (None) a new one of the set's field day.

    Refused: set_is_void, set_already_bound, workup_has_a_set, workup_of_another_day,
    workup_has_another_animal, set_has_no_day, day_closed, reason_required, clock_runs_backwards,
    time_in_future, set_changed.
    """
    if said := ledger.event(key):
        return Workup.objects.get(code=said.header["data"].get("workup"))
    _may_be_bound(tube_set)
    workup = _fits(tube_set, workup) if workup else _new_workup(tube_set)
    _attach(workup, animal)
    given = {name: when for name, when in (clock or {}).items() if when}
    reason_for(workup, changed(workup, given), "")
    set_times(workup, given)
    data = {"set": tube_set.code, "workup": workup.code}
    lines = [{"t": code, "role": "subj"} for code in tube_set.tubes.values_list("code", flat=True)]

    def rows() -> None:
        fresh = unchanged(tube_set)
        _still_free(workup)
        with saving(actor.person.user, f"bound to set {fresh.code}", workup, fresh):
            workup.save()
            fresh.workup, fresh.state = workup, TubeSet.State.BOUND
            fresh.save(update_fields=["workup", "state"])

    perform(actor, "bound", key=key, at=at, data=data, lines=lines, before=rows)
    return workup


def _may_be_bound(tube_set: TubeSet) -> None:
    if tube_set.state == TubeSet.State.VOID:
        raise Refused("set_is_void", f"The set {tube_set.code} is void. Take another set.")
    if tube_set.workup_id:
        sentence = f"The set {tube_set.code} is bound to {tube_set.workup} already. Take another set."
        raise Refused("set_already_bound", sentence)


def _fits(tube_set: TubeSet, workup: Workup) -> Workup:
    has = TubeSet.objects.filter(workup=workup).first()
    if has:
        raise Refused("workup_has_a_set", f"{workup} has the set {has.code} already.")
    if tube_set.day_id and workup.day_id != tube_set.day_id:
        raise Refused(
            "workup_of_another_day", f"{workup} belongs to {workup.day}, the set to {tube_set.day}."
        )
    return workup


def _new_workup(tube_set: TubeSet) -> Workup:
    """The next workup of the set's day, unsaved."""
    day = tube_set.day
    if day is None:
        raise Refused(
            "set_has_no_day", f"The set {tube_set.code} was printed for no field day. Choose a workup."
        )
    if day.closed:
        raise Refused("day_closed", f"The field day {day} is closed.")
    taken = set(day.workups.values_list("code", flat=True))
    names = (f"{day.site.code}-{day.date:%y%m%d}-{n:02d}" for n in range(1, len(taken) + 2))
    return Workup(code=next(name for name in names if name not in taken), day=day)


def _still_free(workup: Workup) -> None:
    """Asked again under the lock, so that two binds at once cannot make the same workup."""
    same = Workup.objects.filter(code=workup.code).exclude(pk=workup.pk).exists()
    if same or TubeSet.objects.filter(workup_id=workup.pk, workup__isnull=False).exists():
        raise Refused("set_changed", "Somebody else bound a set meanwhile. Open the page again.")


def _attach(workup: Workup, animal: Animal | None) -> None:
    if animal is None:
        return
    if workup.animal_id not in (None, animal.pk):
        sentence = f"{workup} is of {workup.animal} already. Change that on the workup's page, with a reason."
        raise Refused("workup_has_another_animal", sentence)
    workup.animal = animal


def draw(
    actor: Actor,
    key: str,
    tube_set: TubeSet,
    filled: Sequence[Filled],
    missed: Sequence[Missed] = (),
    at: datetime | None = None,
    note: str = "",
) -> list[Recorded]:
    """Say which tubes were filled, one event for each time, and which were not, one for each reason.

    A volume must be above 0 and at most 1.5 times the nominal volume of the plan; below the nominal volume
    it is a short draw. Refused: set_is_void, set_not_bound, set_is_closed, nothing_said, tube_named_twice,
    tube_of_another_set, tube_is_for_aliquots, volume_not_positive, volume_too_large, reason_required,
    time_in_future, time_before_parent, time_before_capture, time_after_release; from the ledger drawn_twice,
    not_collected, already_drawn, key_reused.
    """
    workup = may_be_drawn(tube_set)
    tubes = named(tube_set, [*filled, *missed])
    said = Drawing(workup, tubes, filled, missed, at or timezone.now(), note.strip())
    check_times(said)
    acts = acts_of(actor, key, said)

    def rows() -> None:
        unchanged(tube_set)
        _wind(actor, said)

    return perform_all(actor, acts, before=rows)


def draw_one(
    actor: Actor, key: str, code: str, at: datetime | None = None, ul: int | None = None
) -> list[Recorded]:
    """One scanned tube was filled (µL; None: as planned). Refused as `draw`, and tube_unknown."""
    joined = Tube.objects.select_related("tube_set__plan", "tube_set__workup__day__site__programme")
    found = joined.filter(code=code).first()
    if found is None or _elsewhere(actor, found):
        raise Refused("tube_unknown", f"No label with the code {codes.show(code)} was printed here.", code)
    if found.tube_set is None:
        raise Refused("set_not_bound", f"{codes.show(code)} belongs to no tube set.", code)
    return draw(actor, key, found.tube_set, [Filled(code, ul=ul)], at=at)


def _elsewhere(actor: Actor, tube: Tube) -> bool:
    return tube.tube_set is not None and tube.tube_set.plan.programme_id != actor.person.programme_id


def _wind(actor: Actor, said: Drawing) -> None:
    """First needle and last tube follow what was drawn."""
    fresh = Workup.objects.select_for_update().get(pk=said.workup.pk)
    clock = widened(fresh, said.needles, list(said.times.values()))
    if names := changed(fresh, clock):
        set_times(fresh, clock)
        with saving(actor.person.user, "drawn", fresh):
            fresh.save(update_fields=names)


def set_clock(actor: Actor, workup: Workup, clock: Clock, reason: str = "") -> Workup:
    """Set times of a workup's clock; the same again changes nothing.

    Refused: clock_runs_backwards, time_in_future, reason_required (a time that stands would change).
    """
    names = changed(workup, clock)
    reason_for(workup, names, reason)
    set_times(workup, clock)
    if names:
        with saving(actor.person.user, (reason.strip() or "clock")[:100], workup):
            workup.save(update_fields=names)
    return workup


def identify(actor: Actor, workup: Workup, animal: Animal, reason: str = "") -> Workup:
    """Say which animal a workup was of. Refused: reason_required when another one stands there."""
    if workup.animal_id == animal.pk:
        return workup
    if workup.animal_id and not reason.strip():
        raise Refused("reason_required", f"{workup} is of {workup.animal} so far. Say why that changes.")
    workup.animal = animal
    with saving(actor.person.user, (reason.strip() or "animal known")[:100], workup):
        workup.save(update_fields=["animal"])
    return workup


def new_animal(
    actor: Actor, workup: Workup, species: str, sex: str, kind: str, text: str, code: str = ""
) -> Animal:
    """An animal that was never met before, with one identifier since the day of this workup.

    Refused: identifier_taken (another animal bears it), reason_required (the workup is of another animal).
    """
    text = text.strip()
    bearer = Identifier.objects.select_related("animal").filter(kind=kind, text=text, until=None).first()
    if bearer:
        raise Refused(
            "identifier_taken", f"{bearer} is borne by {bearer.animal}. Choose that animal instead."
        )
    if workup.animal_id:
        raise Refused(
            "reason_required", f"{workup} is of {workup.animal} already. Choose an animal, with a reason."
        )
    programme = workup.day.site.programme
    animal = Animal(programme=programme, code=code or _next_animal_code(), species=species.strip(), sex=sex)
    identifier = Identifier(animal=animal, kind=kind, text=text, since=workup.day.date)
    with (
        transaction.atomic(),
        saving(actor.person.user, f"first met in {workup}", animal, identifier, workup),
    ):
        animal.save()
        identifier.animal = workup.animal = animal
        identifier.save()
        workup.save(update_fields=["animal"])
    return animal


def _next_animal_code() -> str:
    n = Animal.objects.count() + 1
    while Animal.objects.filter(code=f"A-{n:04d}").exists():
        n += 1
    return f"A-{n:04d}"


def open_day(
    actor: Actor, site: Site, when: date, expected_animals: int = 0, lead: Person | None = None
) -> FieldDay:
    """A field day at a site. The same site and date again gives the same day."""
    day = FieldDay.objects.filter(site=site, date=when).first()
    if day is None:
        day = FieldDay(site=site, date=when, expected_animals=expected_animals, lead=lead or actor.person)
        with saving(actor.person.user, "opened", day):
            day.save()
    return day
