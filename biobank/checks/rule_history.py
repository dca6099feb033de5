"""How one rule set came to be: what one person changed at one time is one step.

Promises: 2 queries, whatever the number of rules; values are said in the units in which they are typed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from biobank.checks.rule_columns import BY_NAME, bands_text, shown
from biobank.models import Rule, RuleSet
from biobank.plans.history import MOST_LINES, MOST_STEPS, Step
from custody.core import rule as core

ROWS = 5_000  # of the newest; a set that changed more often shows its newest changes only


def history_of(rule_set: RuleSet) -> list[Step]:
    """Newest first. 2 queries."""
    rules = Rule.history.filter(rule_set_id=rule_set.pk).select_related("history_user__person")
    own = rule_set.history.select_related("history_user__person")
    return _steps([*own, *rules[:ROWS]])


def _steps(rows: Sequence[Any]) -> list[Step]:
    found: list[Step] = []
    before: dict[tuple[str, int], Any] = {}
    last: tuple[Any, ...] = ()
    for row in sorted(rows, key=lambda one: (one.history_date, one.history_id)):
        key = (type(row).__name__, row.id)
        old, before[key] = before.get(key), row
        why = row.history_change_reason or "saved"
        step = (row.history_user_id, why)
        if step != last:
            found.append(Step(row.history_date, _name(row.history_user), why))
            last = step
        found[-1].what += _what(row, old)
    return [_cut(step) for step in reversed(found)][:MOST_STEPS]


def _name(user: Any) -> str:
    person = getattr(user, "person", None)
    return person.name if person else str(user or "")


def _what(row: Any, old: Any) -> list[str]:
    about = row.code if type(row).__name__ == "HistoricalRule" else "set"
    if row.history_type == "-":
        return [f"{about}: taken out"]
    if old is None:
        return [f"{about}: added"]
    names = [one.name for one in row.tracked_fields if getattr(row, one.attname) != getattr(old, one.attname)]
    return [f"{about}: {_change(name, row, old)}" for name in names]


def _change(name: str, row: Any, old: Any) -> str:
    """Compared by hand: the library's own way asks the database for each row."""
    if name == "assay":
        return "another assay"
    if name not in BY_NAME:
        return f"{name.replace('_', ' ')} {getattr(old, name, '') or '–'} → {getattr(row, name, '') or '–'}"
    was, now = (_shown(name, getattr(one, name)) for one in (old, row))
    return f"{BY_NAME[name].heading} {was} → {now}"


def _shown(name: str, value: Any) -> str:
    return bands_text(core.bands_of(value)) or "–" if name == "bands" else shown(name, value)


def _cut(step: Step) -> Step:
    if len(step.what) > MOST_LINES:
        step.what = [*step.what[:MOST_LINES], f"and {len(step.what) - MOST_LINES} more"]
    return step
