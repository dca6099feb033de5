"""How one version of a plan came to be: what one person changed at one time is one step.

Promises: 4 queries, whatever the number of tubes; values are said in the units in which they are typed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from biobank.models import PlannedAliquot, PlannedTube, SamplePlan
from biobank.plans.columns import ALIQUOTS, PLAN, TUBE

MOST_STEPS, MOST_LINES = 60, 12
COLUMNS = {
    "HistoricalSamplePlan": {one.name: one for one in PLAN},
    "HistoricalPlannedTube": {one.name: one for one in TUBE},
    "HistoricalPlannedAliquot": {one.name: one for one in ALIQUOTS},
}


@dataclass
class Step:
    when: datetime
    who: str
    why: str
    what: list[str] = field(default_factory=list)


def history_of(plan: SamplePlan) -> list[Step]:
    """Newest first. 4 queries."""
    tubes = list(PlannedTube.history.filter(plan_id=plan.pk).select_related("history_user__person"))
    labels = {row.id: row.label for row in reversed(tubes)}
    aliquots = PlannedAliquot.history.filter(tube_id__in=labels).select_related("history_user__person")
    own = plan.history.select_related("history_user__person")
    return _steps([*own, *tubes, *aliquots], labels)


def _steps(rows: Sequence[Any], labels: dict[int, str]) -> list[Step]:
    found: dict[tuple[Any, ...], Step] = {}
    before: dict[tuple[str, int], Any] = {}
    for row in sorted(rows, key=lambda one: (one.history_date, one.history_id)):
        kind = type(row).__name__
        old, before[kind, row.id] = before.get((kind, row.id)), row
        why = row.history_change_reason or "saved"
        key = (row.history_user_id, why, int(row.history_date.timestamp()))
        step = found.setdefault(key, Step(row.history_date, _name(row.history_user), why))
        step.what += _what(kind, row, old, labels)
    return [_cut(step) for step in reversed(found.values())][:MOST_STEPS]


def _name(user: Any) -> str:
    person = getattr(user, "person", None)
    return person.name if person else str(user or "")


def _what(kind: str, row: Any, old: Any, labels: dict[int, str]) -> list[str]:
    about = {
        "HistoricalPlannedTube": labels.get(row.id, ""),
        "HistoricalPlannedAliquot": f"{labels.get(getattr(row, 'tube_id', 0), '')}, aliquots",
    }.get(kind, "plan")
    if old is None or row.history_type == "-":
        return [f"{about}: {'added' if old is None else 'taken out'}"]
    return [f"{about}: {_change(kind, one)}" for one in row.diff_against(old).changes]


def _change(kind: str, one: Any) -> str:
    column = COLUMNS[kind].get(one.field)
    if column is None:
        return f"{one.field.replace('_', ' ')} {one.old} → {one.new}"
    return f"{column.heading} {column.write(one.old) or 'nothing'} → {column.write(one.new) or 'nothing'}"


def _cut(step: Step) -> Step:
    if len(step.what) > MOST_LINES:
        step.what = [*step.what[:MOST_LINES], f"and {len(step.what) - MOST_LINES} more"]
    return step
