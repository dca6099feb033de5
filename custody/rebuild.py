"""Remake what is derived from the ledger, or compare it with what is stored.

Promises: the comparison names every tube, unit and finding that differs (`state_equals_rebuild`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from django.db import transaction

from custody import refold
from custody.models import Finding, Head, TubeState, UnitState


def rebuild() -> int:
    """Remake every derived row in one transaction; returns the number of tubes."""
    with transaction.atomic(durable=True):
        Head.objects.get_or_create(id=1)
        Head.objects.select_for_update().get(id=1)
        tubes, units, problems = refold.all_states()
        refold.forget()
        refold.store_all(tubes, units, problems)
    return len(tubes)


def differences() -> list[str]:
    """What is stored otherwise than the ledger says, in sentences."""
    tubes, units, problems = refold.all_states()
    folded = {name: vars(one) for name, one in tubes.items()}
    stored = {row["tube"]: row for row in TubeState.objects.values()}
    found = list(_differ("tube", folded, stored))
    folded_units = {name: vars(one) for name, one in units.items()}
    found += _differ("unit", folded_units, {row["unit"]: row for row in UnitState.objects.values()})
    told = {(one.code, one.subject, one.event) for one in problems}
    kept = set(Finding.objects.values_list("code", "subject", "event"))
    return found + [f"finding {code} about {subject} differs" for code, subject, _ in sorted(told ^ kept)]


def _differ(
    noun: str, folded: Mapping[str, dict[str, Any]], stored: Mapping[str, dict[str, Any]]
) -> Iterator[str]:
    for name in sorted(set(folded) | set(stored)):
        if name not in stored:
            yield f"{noun} {name} is not stored"
        elif name not in folded:
            yield f"{noun} {name} is stored, the ledger knows nothing of it"
        elif stored[name] != folded[name]:
            yield from (
                f"{noun} {name}: {field} is {stored[name][field]!r}, the ledger says {value!r}"
                for field, value in folded[name].items()
                if stored[name][field] != value
            )
