"""Remake what is derived from the ledger, or compare it with what is stored.

Promises: the comparison names every tube, unit and finding that differs (`state_equals_rebuild`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from django.db import transaction

from custody import refold, spread, whole
from custody.core.state import UnitState
from custody.models import Fill, Finding, Head
from custody.models import TubeState as TubeRow
from custody.models import UnitState as UnitRow

UNIT = [field.attname for field in UnitRow._meta.concrete_fields]


def rebuild(seen: Callable[[int], object] = lambda n: None) -> int:
    """Remake every derived row in one transaction, in which nobody else writes; the number of tubes."""
    several = spread.worth_it(whole.size())
    with transaction.atomic(durable=True):
        Head.objects.get_or_create(id=1)
        Head.objects.select_for_update().get(id=1)
        units, problems = whole.units()
        rows: list[whole.Values] = []
        for one in spread.each(whole.states, whole.amended, whole.pieces(), several):
            rows += one.rows
            problems |= one.problems
            seen(len(one.rows))
        whole.store(rows, units, problems)
    return len(rows)


def differences(seen: Callable[[int], object] = lambda n: None) -> list[str]:
    """What is stored otherwise than the ledger says, in sentences. seen: called with each piece's tubes.

    What is compared is of one moment, so nothing differs because people write meanwhile.
    """
    wrong: list[str] = []
    odd, moved = set[whole.Cause](), False
    several = spread.worth_it(whole.size())
    for one in spread.each(whole.compared, whole.amended, whole.pieces(), several):
        wrong += one.wrong
        moved, odd = moved or one.moved, odd | one.findings
        seen(one.tubes)
    with spread.snapshot():
        units, looped = whole.units()
        wrong += [*_contests(moved), *_units(units), *_fills()]
        loops = whole.causes(looped) ^ whole.findings(Finding.objects.filter(code=refold.LOOP))
    return wrong + [f"finding {code} about {subject} differs" for code, subject, _ in sorted(odd | loops)]


def _contests(moved: bool) -> Iterator[str]:
    """Who contests a slot is seen in all tubes together."""
    should = whole.contests(moved)
    are = set(TubeRow.objects.filter(contested=True).values_list("tube", flat=True))
    for tube in sorted(should ^ are):
        yield f"tube {tube}: contested is {tube in are}, the ledger says {tube in should}"


def _fills() -> Iterator[str]:
    """How full each unit is follows from where the tubes are stored; those were compared before."""
    should = {one["unit"]: one["tubes"] for one in refold.fills(TubeRow.objects.all())}
    are = dict(Fill.objects.values_list("unit", "tubes"))
    for unit in sorted(name for name in should.keys() | are.keys() if should.get(name) != are.get(name)):
        yield f"unit {unit}: {are.get(unit, 0)} tubes are counted in it, {should.get(unit, 0)} are there"


def _units(found: dict[str, UnitState]) -> Iterator[str]:
    folded = {name: tuple(vars(one)[field] for field in UNIT) for name, one in found.items()}
    stored = {row[0]: row for row in UnitRow.objects.values_list(*UNIT)}
    return whole.differ("unit", UNIT, folded, stored)
