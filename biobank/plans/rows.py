"""Between a plan's rows in the database and its plain values.

Promises: `value_of` needs two queries; `write` saves only what differs, each row with who and why.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

from biobank.acting import saving
from biobank.models import PlannedAliquot, PlannedTube, SamplePlan
from biobank.plans.values import Aliquots, Plan, Planned, in_order

OF_PLAN = [one.name for one in fields(Plan) if one.name != "tubes"]
OF_TUBE = [one.name for one in fields(Planned) if one.name != "made"]
OF_ALIQUOTS = [one.name for one in fields(Aliquots)]


def value_of(plan: SamplePlan) -> Plan:
    """This version as plain values. 2 queries, none when tubes and aliquots were fetched before."""
    tubes = [_tube(row) for row in _rows(plan)]
    return Plan(**_said(plan, OF_PLAN), tubes=in_order(tubes))


def _rows(plan: SamplePlan) -> Sequence[PlannedTube]:
    if "tubes" in getattr(plan, "_prefetched_objects_cache", {}):
        return list(plan.tubes.all())
    return list(plan.tubes.prefetch_related("made"))


def _tube(row: PlannedTube) -> Planned:
    made = sorted(row.made.all(), key=lambda one: one.position)
    return Planned(**_said(row, OF_TUBE), made=tuple(Aliquots(**_said(one, OF_ALIQUOTS)) for one in made))


def _said(row: Any, names: Sequence[str]) -> dict[str, Any]:
    """Plain text of an enumeration too: a row that was not read back yet holds its member."""
    values = {name: getattr(row, name) for name in names}
    return {name: str(one) if isinstance(one, str) else one for name, one in values.items()}


def write(plan: SamplePlan, wanted: Plan, user: Any, reason: str) -> SamplePlan:
    """Make the rows of this version what the values say. Inside a transaction; nobody printed from it yet."""
    _put(plan, _said(wanted, OF_PLAN), user, reason)
    there = {row.number: row for row in plan.tubes.prefetch_related("made")}
    for number in set(there) - {tube.number for tube in wanted.tubes}:
        _gone(there.pop(number), user, reason)
    for tube in wanted.tubes:
        row = there.get(tube.number) or PlannedTube(plan=plan)
        made = list(row.made.all()) if row.pk else []
        _put(row, _said(tube, OF_TUBE), user, reason)
        _aliquots(row, made, tube.made, user, reason)
    return plan


def _aliquots(
    tube: PlannedTube, there: list[PlannedAliquot], wanted: Sequence[Aliquots], user: Any, reason: str
) -> None:
    there.sort(key=lambda one: one.position)
    for row in there[len(wanted) :]:
        _remove(row, user, reason)
    for n, some in enumerate(wanted):
        row = there[n] if n < len(there) else PlannedAliquot(tube=tube)
        _put(row, _said(some, OF_ALIQUOTS) | {"position": n + 1}, user, reason)


def _gone(row: PlannedTube, user: Any, reason: str) -> None:
    for some in row.made.all():
        _remove(some, user, reason)
    _remove(row, user, reason)


def _remove(row: Any, user: Any, reason: str) -> None:
    with saving(user, reason, row):
        row.delete()


def _put(row: Any, said: dict[str, Any], user: Any, reason: str) -> None:
    """Save the row when it is new or when a value differs."""
    if row.pk and all(getattr(row, name) == value for name, value in said.items()):
        return
    for name, value in said.items():
        setattr(row, name, value)
    with saving(user, reason, row):
        row.save()
