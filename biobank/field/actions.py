"""What happens on the beach: a set is bound to a workup, tubes are drawn, animals get to be known.

Promises: a form sent twice is one act; a refusal changes nothing, neither ledger nor rows; the workup's clock
follows the needle and never runs backwards; blood over the limit is asked about before it is written.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from django.db import transaction
from django.utils import timezone

from biobank.acting import Actor, perform_all, saving
from biobank.amend.actions import Fix, correct
from biobank.amend.undoing import GRACE_S, UNDO_S
from biobank.blood.actions import check as within_blood_limit
from biobank.blood.actions import volume_of
from biobank.core import codes
from biobank.days.access import may_change
from biobank.days.actions import open_day
from biobank.labels.actions import unchanged
from biobank.models import Animal, Identifier, Tube, TubeSet, Workup
from biobank.sets.actions import bind
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.record import Recorded

from .clock import Clock, changed, minute, reason_for, set_times, widened, words
from .drawing import Drawing, Filled, Missed, acts_of, check_times, may_be_drawn, named

__all__ = ["Filled", "Missed", "bind", "draw", "draw_one", "identify", "new_animal", "open_day", "set_clock"]
TAPPED = ["net_closed", "out_of_water", "released"]  # first needle and last tube follow the tubes


def draw(
    actor: Actor,
    key: str,
    tube_set: TubeSet,
    filled: Sequence[Filled],
    missed: Sequence[Missed] = (),
    at: datetime | None = None,
    note: str = "",
    over_limit: bool = False,
) -> list[Recorded]:
    """Say which tubes were filled, one event for each time, and which were not, one for each reason.

    A volume must be above 0 and at most 1.5 times the nominal volume of the plan; below the nominal volume
    it is a short draw. over_limit: the blood is in the tubes already, so it is written down whatever the
    limit, with a note that says why. Refused: set_is_void, set_not_bound, set_is_closed, nothing_said,
    tube_named_twice, tube_of_another_set, tube_is_for_aliquots, volume_not_positive, volume_too_large,
    reason_required, time_in_future, time_before_parent, time_before_capture, time_after_release, day_closed
    (say why in the note), blood_limit_reached, blood_limit_not_known; from the ledger drawn_twice,
    not_collected, already_drawn, key_reused.
    """
    workup = may_be_drawn(tube_set, note)
    tubes = named(tube_set, [*filled, *missed])
    said = Drawing(workup, tubes, filled, missed, at or timezone.now(), note.strip())
    check_times(said)
    acts = acts_of(actor, key, said)

    def rows() -> None:
        unchanged(tube_set)
        _within_limit(said, over_limit)
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


def _within_limit(said: Drawing, over_limit: bool) -> None:
    """Asked under the lock of the ledger's head, so that two at once cannot both take the last of it."""
    blood = sum(volume_of(said.tubes[one.code], one.ul) for one in said.filled)
    if blood:
        within_blood_limit(said.workup, blood, already_drawn=over_limit, reason=said.note)


def short(actor: Actor, key: str, tube_set: TubeSet, code: str, ul: int) -> None:
    """A tube that was said to be filled holds so much, µL: its draw is corrected, nothing is asked.

    Refused: tube_of_another_set, tube_not_drawn, nothing_changed, volume_not_positive, volume_too_large, and
    as `amend.correct`.
    """
    named(tube_set, [Filled(code)])
    counts = [one for one in ledger.history(code) if one.kind == "drawn" and not one.voided]
    if not counts:
        raise Refused("tube_not_drawn", f"{codes.show(code)} is not filled yet. Fill it first.", code)
    correct(actor, key, counts[-1].id, Fix(volumes={counts[-1].n: ul}), "short draw")


def tap(actor: Actor, workup: Workup, name: str, at: datetime | None = None) -> Workup:
    """This happens now. The same tap again changes nothing.

    Refused: clock_unknown, clock_is_set, clock_runs_backwards, day_closed.
    """
    if name not in TAPPED:
        raise Refused("clock_unknown", "The clock has no such button.")
    when, stands = minute(at or timezone.now()), getattr(workup, name)
    if stands is not None and stands != when:
        raise Refused("clock_is_set", f"{words(name).capitalize()} is set already. Set other times instead.")
    return set_clock(actor, workup, {name: when})


def untap(actor: Actor, workup: Workup, name: str) -> Workup:
    """Take back the tap that this person made a moment ago. Nothing to take back changes nothing.

    Refused: clock_unknown, undo_too_late, undo_not_yours.
    """
    if name not in TAPPED:
        raise Refused("clock_unknown", "The clock has no such button.")
    if getattr(workup, name) is None:
        return workup
    tapped = _when_set(workup, name)
    if tapped is None or timezone.now() - tapped.history_date > timedelta(seconds=UNDO_S + GRACE_S):
        raise Refused("undo_too_late", f"Undo is for {UNDO_S} seconds. Set other times, and say why.")
    if tapped.history_user_id != actor.person.user_id:
        raise Refused("undo_not_yours", "Only the person who did this can undo it.")
    setattr(workup, name, None)
    with saving(actor.person.user, "undone at once", workup):
        workup.save(update_fields=[name])
    return workup


def _when_set(workup: Workup, name: str) -> Any:
    """The version of the workup in which this time stood for the first time; None when it always did."""
    versions = list(workup.history.all()[:20])
    pairs = pairwise(versions)
    return next((new for new, old in pairs if getattr(new, name) and not getattr(old, name)), None)


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

    Refused: day_closed, clock_runs_backwards, time_in_future, reason_required (a time that stands would
    change).
    """
    names = changed(workup, clock)
    if names:
        may_change(workup.day, reason)
    reason_for(workup, names, reason)
    set_times(workup, clock)
    if names:
        with saving(actor.person.user, (reason.strip() or "clock")[:100], workup):
            workup.save(update_fields=names)
    return workup


def identify(actor: Actor, workup: Workup, animal: Animal, reason: str = "") -> Workup:
    """Say which animal a workup was of. Refused: day_closed, reason_required (another one stands there)."""
    if workup.animal_id == animal.pk:
        return workup
    may_change(workup.day, reason)
    if workup.animal_id and not reason.strip():
        raise Refused("reason_required", f"{workup} is of {workup.animal} so far. Say why that changes.")
    workup.animal = animal
    with saving(actor.person.user, (reason.strip() or "animal known")[:100], workup):
        workup.save(update_fields=["animal"])
    return workup


def new_animal(
    actor: Actor,
    workup: Workup,
    species: str,
    sex: str,
    kind: str,
    text: str,
    code: str = "",
    reason: str = "",
) -> Animal:
    """An animal that was never met before, with one identifier since the day of this workup.

    Refused: day_closed, identifier_taken (another animal bears it), reason_required (the workup is of another
    animal).
    """
    may_change(workup.day, reason)
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
    animal = Animal(programme=programme, code=code or next_animal_code(), species=species.strip(), sex=sex)
    identifier = Identifier(animal=animal, kind=kind, text=text, since=workup.day.date)
    with (
        transaction.atomic(),
        saving(
            actor.person.user, (reason.strip() or f"first met in {workup}")[:100], animal, identifier, workup
        ),
    ):
        animal.save()
        identifier.animal = workup.animal = animal
        identifier.save()
        workup.save(update_fields=["animal"])
    return animal


def next_animal_code() -> str:
    n = Animal.objects.count() + 1
    while Animal.objects.filter(code=f"A-{n:04d}").exists():
        n += 1
    return f"A-{n:04d}"
