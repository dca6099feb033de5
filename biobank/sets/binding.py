"""A tube set is given to a workup.

Promises: a form sent twice is one act; a refusal changes nothing, neither ledger nor rows; who comes second
is told who came first, and when.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from django.utils import timezone

from biobank.acting import Actor, act, perform_all, saving
from biobank.days.access import may_change
from biobank.field.clock import Clock, changed, reason_for, set_times
from biobank.labels.actions import unchanged
from biobank.models import Animal, FieldDay, Person, TubeSet, Workup
from custody import queries as ledger
from custody.core.effects import clock as shown
from custody.core.event import Act
from custody.core.refusal import Refused

State = TubeSet.State


def bind(
    actor: Actor,
    key: str,
    tube_set: TubeSet,
    workup: Workup | None = None,
    animal: Animal | None = None,
    clock: Clock | None = None,
    at: datetime | None = None,
    day: FieldDay | None = None,
    why: str = "",
) -> Workup:
    """Give a set to a workup: an existing one, or (None) a new one of `day` (None: the set's field day).

    why  needed when the set was printed for another day, or the day is closed; the set's own day stays.
    Refused: set_is_void, set_already_bound, workup_has_a_set, set_of_another_day,
    workup_has_another_animal, set_has_no_day, day_closed, reason_required, clock_runs_backwards,
    time_in_future, set_changed.
    """
    if said := ledger.event(key):
        return Workup.objects.get(code=said.header["data"].get("workup"))
    made = binding(actor, key, tube_set, workup, animal, clock, at, day, why)
    perform_all(actor, [made.act], before=made.rows)
    return made.workup


class Binding(NamedTuple):
    """A binding that is not written yet: its event, and what happens to the rows beside it."""

    workup: Workup
    act: Act
    rows: Callable[[], None]


def binding(
    actor: Actor,
    key: str,
    tube_set: TubeSet,
    workup: Workup | None = None,
    animal: Animal | None = None,
    clock: Clock | None = None,
    at: datetime | None = None,
    day: FieldDay | None = None,
    why: str = "",
) -> Binding:
    """As `bind`, for a caller who writes it together with what was done next. Nothing is written here."""
    may_be_bound(tube_set)
    workup = _fits(tube_set, workup) if workup else _new_workup(tube_set, day)
    may_change(workup.day, why)
    _attach(workup, animal)
    given = {name: when for name, when in (clock or {}).items() if when}
    reason_for(workup, changed(workup, given), "")
    set_times(workup, given)
    _of_its_day(tube_set, workup, at or timezone.now(), why)
    data = {"set": tube_set.code, "workup": workup.code} | ({"reason": why.strip()} if why.strip() else {})
    lines = [{"t": code, "role": "subj"} for code in tube_set.tubes.values_list("code", flat=True)]

    def rows() -> None:
        may_be_bound(TubeSet.objects.select_related("workup").get(pk=tube_set.pk))  # who was faster?
        fresh = unchanged(tube_set)
        _still_free(workup)
        with saving(actor.person.user, f"bound to set {fresh.code}", workup, fresh):
            workup.save()
            fresh.workup, fresh.state, fresh.out_with, fresh.out_org = workup, State.BOUND, None, None
            fresh.save(update_fields=["workup", "state", "out_with", "out_org"])

    return Binding(workup, act(actor, "bound", key=key, at=at, data=data, lines=lines), rows)


def may_be_bound(tube_set: TubeSet) -> None:
    """Refused: set_is_void; set_already_bound, with who bound it and when."""
    if tube_set.state == State.VOID:
        raise Refused("set_is_void", f"The set {tube_set.code} is void. Take another set.")
    if tube_set.workup_id:
        sentence = f"The set {tube_set.code} is bound to {tube_set.workup} already{_by(tube_set)}."
        raise Refused("set_already_bound", f"{sentence} Take another set.")


def _by(tube_set: TubeSet) -> str:
    """Who bound a set, and when; nothing when the ledger does not tell."""
    first = tube_set.tubes.first()
    said = ledger.history(first.code) if first else []
    one = next((one for one in reversed(said) if one.kind == "bound" and not one.voided), None)
    if one is None:
        return ""
    who = Person.objects.filter(code=one.by).first()
    return f": {who.name if who else one.by} ({one.org}) did so on {shown(one.at_ms, one.off_min)}"


def _fits(tube_set: TubeSet, workup: Workup) -> Workup:
    has = TubeSet.objects.filter(workup=workup).first()
    if has:
        raise Refused("workup_has_a_set", f"{workup} has the set {has.code} already.")
    return workup


def _new_workup(tube_set: TubeSet, day: FieldDay | None) -> Workup:
    """The next workup of a day, unsaved."""
    day = day or tube_set.day
    if day is None:
        raise Refused(
            "set_has_no_day",
            f"The set {tube_set.code} was printed for no field day. Choose a day or a workup.",
        )
    taken = set(day.workups.values_list("code", flat=True))
    names = (f"{day.site.code}-{day.date:%y%m%d}-{n:02d}" for n in range(1, len(taken) + 2))
    return Workup(code=next(name for name in names if name not in taken), day=day)


def _of_its_day(tube_set: TubeSet, workup: Workup, at: datetime, why: str) -> None:
    """Refused: set_of_another_day, when a set is used on another day than the one it was printed for and
    nobody says why. A new workup begins on the date of its day."""
    if why.strip():
        return
    if tube_set.day_id not in (None, workup.day_id):
        sentence = f"The set {tube_set.code} was printed for {tube_set.day}, and {workup} is of {workup.day}."
        raise Refused("set_of_another_day", f"{sentence} Take another set, or say why this one.")
    today = at.astimezone(ZoneInfo(workup.day.site.programme.tz)).date()
    if workup.pk is None and today != workup.day.date and at <= timezone.now():
        sentence = (
            f"The set {tube_set.code} would start a workup of {workup.day}, and this is {today:%d %b %Y}."
        )
        raise Refused("set_of_another_day", f"{sentence} Choose the right day, or say why this one.")


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
