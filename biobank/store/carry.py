"""A whole box, rack or drawer to another place, by two scans: what moves, where to.

Promises: one event however much is inside; nothing inside is touched. Raises Refused and changes nothing, or
returns the id of its event.
"""

from __future__ import annotations

from datetime import datetime

from biobank.acting import Actor
from biobank.bench.hands import repeated, write
from biobank.core import codes
from biobank.core.places import WORDS, class_of, warmer
from biobank.models import Unit
from biobank.store.actions import holder, known_unit
from biobank.store.classes import PASSING, check_class, path_of, set_point, targets
from custody import queries as ledger
from custody.core.refusal import Refused

STANDS_FREE = {"freezer", "tank", "fridge", "cooler", "shipper", "bench", "room"}


def carry(actor: Actor, key: str, unit: str, to: str, note: str = "", at: datetime | None = None) -> str:
    """One `moved` event: this unit now stands in that one.

    Refused: unit_unknown, tube_where_unit, unit_holds_tubes, unit_inside_itself, unit_already_there,
    wrong_temperature_class (a note lifts it and is kept with the event).
    """
    if repeated(actor, key, "moved"):
        return key
    moving, above = scanned(unit), scanned(to)
    holder(above.code)
    path = path_of(above.code)
    _not_into_itself(moving, above, path)
    before = path_of(moving.code)
    if len(before) > 1 and before[1].pk == above.pk:
        raise Refused("unit_already_there", f"{moving.code} stands in {above.code} already.")
    if not note.strip():
        _cold_enough(moving, above, before, path)
    line = {"u": moving.code, "role": "subj", "to": above.code}
    return write(actor, "moved", key, at, [line], {"note": note.strip()})


def scanned(text: str) -> Unit:
    """The unit with this code; a tube's code is said to be one."""
    if codes.is_valid(text):
        raise Refused(
            "tube_where_unit", f"{codes.show(codes.normalise(text))} is a tube. Scan a box, rack or freezer."
        )
    return known_unit(text)


def _not_into_itself(moving: Unit, above: Unit, path: list[Unit]) -> None:
    if above.pk == moving.pk:
        raise Refused("unit_inside_itself", f"{moving.code} cannot stand inside itself.")
    if any(one.pk == moving.pk for one in path):
        way = " in ".join(one.code for one in path[: [one.pk for one in path].index(moving.pk) + 1])
        raise Refused(
            "unit_inside_itself", f"{above.code} is inside {moving.code} ({way}); it cannot go there."
        )


def _cold_enough(moving: Unit, above: Unit, before: list[Unit], path: list[Unit]) -> None:
    """Asks for a reason when all that is inside would become warmer than it was, or than planned."""
    if moving.nominal_centi is not None or any(one.kind in PASSING for one in path):
        return
    was, will = set_point(before), set_point(path)
    if will is not None and was is not None and warmer(will, was):
        raise Refused(
            "wrong_temperature_class",
            f"{above.code} is warmer ({WORDS[class_of(will)]}) than where {moving.code} stands "
            f"({WORDS[class_of(was)]}). Choose a colder place, or say why in the note.",
        )
    if moving.kind == "box":
        check_class(above.code, targets([state.tube for state in ledger.find(unit=moving.code)]), "")


def doubts(to: str) -> str:
    """What to say of a destination that itself stands nowhere; empty when there is nothing to say."""
    path = path_of(known_unit(to).code)
    if path[-1].kind in STANDS_FREE:
        return ""
    return (
        f"{path[-1].code} itself stands in no unit, so nothing tells how cold it is. Scan it into its place."
    )
