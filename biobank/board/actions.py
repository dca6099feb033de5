"""Rotors are added, changed and taken out of use here, each change with its reason.

Promises: raises Refused and changes nothing, or saves the rotor with who and why. What was spun in a rotor
stays as it was written down: runs carry their own radius.
"""

from __future__ import annotations

from django.db import transaction

from biobank.acting import Actor, saving
from biobank.models import Rotor
from custody.core.refusal import Refused

FIELDS = ("name", "places", "radius_mm", "max_rpm")


def add_rotor(actor: Actor, *, name: str, places: int, radius_mm: int, max_rpm: int) -> Rotor:
    """Refused: places_odd, name_taken."""
    _possible(actor, name, places)
    made = Rotor(
        agency=actor.person.agency, name=name, places=places, radius_mm=radius_mm, max_rpm=max_rpm
    )  # fmt: skip
    with saving(actor.person.user, "added", made):
        made.save()
    return made


def change_rotor(
    actor: Actor, pk: int, reason: str, *, name: str, places: int, radius_mm: int, max_rpm: int
) -> Rotor:
    """Refused: reason_required, rotor_unknown, places_odd, name_taken, nothing_changed."""
    why = _stated(reason)
    with transaction.atomic():
        found = _locked(actor, pk)
        _possible(actor, name, places, but=pk)
        said = {"name": name, "places": places, "radius_mm": radius_mm, "max_rpm": max_rpm}
        if all(getattr(found, field) == value for field, value in said.items()):
            raise Refused("nothing_changed", "Nothing is different from what stands there.")
        for field, value in said.items():
            setattr(found, field, value)
        with saving(actor.person.user, why, found):
            found.save(update_fields=FIELDS)
    return found


def retire_rotor(actor: Actor, pk: int, reason: str) -> Rotor:
    """No run is proposed for it, and no spin form offers it. Refused: reason_required, rotor_unknown."""
    return _retired(actor, pk, True, reason)


def bring_back_rotor(actor: Actor, pk: int, reason: str) -> Rotor:
    """Use it again. Refused as `retire_rotor`."""
    return _retired(actor, pk, False, reason)


def _retired(actor: Actor, pk: int, retired: bool, reason: str) -> Rotor:
    why = _stated(reason)
    with transaction.atomic():
        found = _locked(actor, pk)
        if found.retired != retired:  # sent twice: done once
            found.retired = retired
            with saving(actor.person.user, why, found):
                found.save(update_fields=["retired"])
    return found


def _locked(actor: Actor, pk: int) -> Rotor:
    found = Rotor.objects.select_for_update().filter(pk=pk, agency=actor.person.agency).first()
    if found is None:
        raise Refused("rotor_unknown", "Your agency has no such rotor.")
    return found


def _possible(actor: Actor, name: str, places: int, but: int | None = None) -> None:
    if places < 2 or places % 2:
        raise Refused("places_odd", "Each place of a rotor has one opposite: give an even number of places.")
    if Rotor.objects.filter(agency=actor.person.agency, name=name).exclude(pk=but).exists():
        raise Refused("name_taken", f"Your agency has a rotor called {name} already.")


def _stated(reason: str) -> str:
    if not reason.strip():
        raise Refused("reason_required", "Say why this changes.")
    return reason.strip()[:100]
