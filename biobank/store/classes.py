"""Is this place as cold as the plan wants for these tubes.

Promises: a fixed number of queries for any number of tubes (one a step of the way up from a unit); what is
not known asks nothing. Coolers, shippers and benches are places that tubes pass through, and ask nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from biobank.core import codes
from biobank.core.places import WORDS, class_of, warmer
from biobank.models import Tube, Unit
from custody import queries as ledger
from custody.core.refusal import Refused

PASSING = {"cooler", "shipper", "bench"}


def targets(tubes: Iterable[str]) -> dict[str, int | None]:
    """At what each tube shall be stored, hundredths of °C: its planned aliquot's target, or its planned
    tube's. None: no plan says. 1 query."""
    rows = Tube.objects.filter(code__in=list(tubes)).select_related("planned", "planned_aliquot")
    return {row.code: _target(row) for row in rows}


def _target(row: Tube) -> int | None:
    for planned in (row.planned_aliquot, row.planned):
        if planned is not None and planned.target_centi is not None:
            return planned.target_centi
    return None


def set_point(path: Sequence[Unit]) -> int | None:
    """The set point that rules in the first of these units, the others outwards from it."""
    return next((unit.nominal_centi for unit in path if unit.nominal_centi is not None), None)


def path_of(code: str) -> list[Unit]:
    """A unit and those that it stands in, outwards."""
    up = ledger.above(code)
    rows = {row.code: row for row in Unit.objects.filter(code__in=up)}
    return [rows[one] for one in up if one in rows]


def check_class(unit: str, wanted: Mapping[str, int | None], why: str) -> None:
    """Refused `wrong_temperature_class` when a tube is planned colder and nobody says why."""
    if why.strip() or not any(target is not None for target in wanted.values()):
        return
    path = path_of(unit)
    centi = set_point(path)
    wrong = [code for code, target in wanted.items() if warmer(centi, target)]
    if wrong and centi is not None and not any(one.kind in PASSING for one in path):
        raise Refused("wrong_temperature_class", _sentence(unit, centi, wrong, wanted), wrong[0])


def _sentence(unit: str, centi: int, wrong: Sequence[str], wanted: Mapping[str, int | None]) -> str:
    cold = WORDS[class_of(wanted[wrong[0]] or 0)]
    others = f" and {len(wrong) - 1} more are" if len(wrong) > 1 else " is"
    return (
        f"{unit} is warmer ({WORDS[class_of(centi)]}) than planned: {codes.show(wrong[0])}{others} planned "
        f"for {cold}. Choose a colder place, or say why it goes here all the same."
    )
