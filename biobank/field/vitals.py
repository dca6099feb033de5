"""Vitals and measurements of an animal in hand.

Promises: a form sent twice is one set of readings; what cannot be of a living animal is refused with a
sentence; nothing is deleted, a mistyped reading is struck out. The borders catch slips of the keyboard:
common practice, no source; what is normal for a species is for a veterinarian to say.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from biobank.acting import Actor, saving
from biobank.days.access import may_change
from biobank.models import Girth, Vital, Workup
from custody.core.event import derived_id
from custody.core.refusal import Refused

from .clock import check_taken

Kind = Vital.Kind
# kind: least, most, and what is said beyond them
BORDERS = {
    Kind.TEMPERATURE: (100, 5000, "A body temperature lies between 1 and 50 °C."),
    Kind.HEART: (1, 1500, "A heart beats between 1 and 1,500 times a minute."),
    Kind.BREATHS: (0, 400, "Breaths lie between 0 and 400 a minute."),
}
MOST_G, MOST_MM = 9_999_000, 30_000


def take(
    actor: Actor, key: str, workup: Workup, readings: Mapping[str, int], at: datetime | None = None,
    why: str = "",
) -> list[Vital]:  # fmt: skip
    """Readings by kind (hundredths of °C, counts a minute) at one time.

    Refused: nothing_said, vital_out_of_range, day_closed, time_in_future, time_before_capture.
    """
    if not readings:
        raise Refused("nothing_said", "No reading is given.")
    may_change(workup.day, why)
    when = at or timezone.now()
    check_taken(workup, when)
    for kind, value in readings.items():
        _in_range(kind, value)
    made = [
        Vital(
            key=UUID(derived_id(key, kind)), workup=workup, kind=kind, value=value, at=when, by=actor.person
        )
        for kind, value in readings.items()
    ]
    with transaction.atomic():
        return [_once(actor, one) for one in made]


def _once(actor: Actor, vital: Vital) -> Vital:
    there = Vital.objects.filter(key=vital.key).first()
    if there is None:
        with saving(actor.person.user, "taken", vital):
            vital.save(force_insert=True)
    return there or vital


def _in_range(kind: str, value: int) -> None:
    least, most, sentence = BORDERS[Kind(kind)]
    if not least <= value <= most:
        raise Refused("vital_out_of_range", sentence)


def strike(actor: Actor, vital: Vital, struck: bool = True, why: str = "") -> Vital:
    """A reading that was mistyped counts no more (or counts again). Refused: day_closed."""
    may_change(vital.workup.day, why)
    if vital.struck != struck:
        vital.struck = struck
        with saving(actor.person.user, "struck out" if struck else "counts again", vital):
            vital.save(update_fields=["struck"])
    return vital


def measure(
    actor: Actor, workup: Workup, said: Mapping[str, int | bool | None], girths: Mapping[str, int | None],
    why: str = "",
) -> Workup:  # fmt: skip
    """Mass (g), whether it is estimated, length and axillary girth (mm) as the workup shall have them; other
    girths by place. None: not measured. The same again changes nothing.

    Refused: mass_out_of_range, length_out_of_range, day_closed, reason_required (a girth is taken back).
    """
    _sane(said, girths)
    names = [name for name, value in said.items() if getattr(workup, name) != value]
    there = {one.place: one for one in workup.girths.all()}
    new = [(place, mm) for place, mm in girths.items() if mm != (there[place].mm if place in there else None)]
    if names or new:
        may_change(workup.day, why)
    with transaction.atomic():
        _measured(actor, workup, said, names, why)
        for place, mm in new:
            _girth(actor, there.get(place) or Girth(workup=workup, place=place), mm, why)
    return workup


def _sane(said: Mapping[str, int | bool | None], girths: Mapping[str, int | None]) -> None:
    grams = said.get("mass_g")
    if grams is not None and not 0 < grams <= MOST_G:
        raise Refused("mass_out_of_range", "A mass is more than 0 and less than 10,000 kg.")
    for mm in [said.get("length_mm"), said.get("girth_mm"), *girths.values()]:
        if mm is not None and not 0 < mm <= MOST_MM:
            raise Refused("length_out_of_range", "A length or girth is more than 0 and at most 3,000 cm.")


def _measured(
    actor: Actor, workup: Workup, said: Mapping[str, int | bool | None], names: list[str], why: str
) -> None:
    for name in names:
        setattr(workup, name, said[name])
    if names:
        with saving(actor.person.user, (why.strip() or "measured")[:100], workup):
            workup.save(update_fields=names)


def _girth(actor: Actor, row: Girth, mm: int | None, why: str) -> None:
    if mm is None:
        sentence = (
            f"The girth “{row.get_place_display()}” was measured. Correct it; it cannot become nothing."
        )
        raise Refused("reason_required", sentence)
    row.mm = mm
    with saving(actor.person.user, (why.strip() or "measured")[:100], row):
        row.save()
