"""Rotors are added here.

Promises: an odd number of places or a name that is taken is refused, and nothing changes.
"""

from __future__ import annotations

from biobank.acting import Actor, saving
from biobank.models import Rotor
from custody.core.refusal import Refused


def add_rotor(actor: Actor, *, name: str, places: int, radius_mm: int, max_rpm: int) -> Rotor:
    if places < 2 or places % 2:
        raise Refused("places_odd", "Each place of a rotor has one opposite: give an even number of places.")
    if Rotor.objects.filter(agency=actor.person.agency, name=name).exists():
        raise Refused("name_taken", f"Your agency has a rotor called {name} already.")
    made = Rotor(
        agency=actor.person.agency, name=name, places=places, radius_mm=radius_mm, max_rpm=max_rpm
    )  # fmt: skip
    with saving(actor.person.user, "added", made):
        made.save()
    return made
