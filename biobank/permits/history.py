"""How a permit came to be: what one person changed at one time for one reason is one step.

Promises: 3 queries, however often it changed; people and recipients that were added or taken out are named.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from biobank.models import Permit
from biobank.models.permits import COUNTED
from biobank.plans.history import Step
from biobank.templatetags.words import matrix_words, when

AT_ONCE_S = 5  # rows of one save come within this
MOST = 60
LISTS = {"people": "person", "recipients": "agency"}
Named = Mapping[tuple[int, str], set[str]]
HEADINGS = {"valid_from": "from", "valid_until": "to", "agency": "whom it allows", "allows": "allows to"}


def history_of(permit: Permit) -> list[Step]:
    """Newest first."""
    rows = permit.history.select_related("history_user__person", "agency")
    ordered = sorted(rows, key=lambda one: (one.history_date, one.history_id))
    return _steps(ordered, _named(permit))[::-1][:MOST]


def _named(permit: Permit) -> Named:
    """Who was named in each row of the history, by the row's number and the list. 2 queries."""
    found: dict[tuple[int, str], set[str]] = {}
    for name, of in LISTS.items():
        kept = getattr(permit.history.model, f"historicalpermit_{name}_set").rel.related_model
        for row, who in kept.objects.filter(permit=permit.pk).values_list("history_id", f"{of}__name"):
            found.setdefault((row, name), set()).add(who)
    return found


def _steps(rows: list[Any], named: Named) -> list[Step]:
    steps: list[Step] = []
    before: Any = None
    for row in rows:
        why = row.history_change_reason or "saved"
        if before is None or not _same_save(before, row):
            steps.append(Step(row.history_date, _name(row.history_user), why))
        steps[-1].what += _what(row, before, named)
        before = row
    return steps


def _same_save(before: Any, row: Any) -> bool:
    alike = (before.history_user_id, before.history_change_reason) == (
        row.history_user_id, row.history_change_reason
    )  # fmt: skip
    return alike and (row.history_date - before.history_date).total_seconds() < AT_ONCE_S


def _name(user: Any) -> str:
    person = getattr(user, "person", None)
    return person.name if person else str(user or "")


def _what(row: Any, old: Any, named: Named) -> list[str]:
    if old is None:
        return ["written down", *_lists(row, None, named)]
    names = [one.name for one in row.tracked_fields if getattr(row, one.attname) != getattr(old, one.attname)]
    return [_change(name, row, old) for name in names] + _lists(row, old, named)


def _change(name: str, row: Any, old: Any) -> str:
    heading = HEADINGS.get(name, name.replace("_", " "))
    return f"{heading}: {_shown(name, old)} → {_shown(name, row)}"


def _shown(name: str, row: Any) -> str:
    value = getattr(row, name)
    if name == "parts":
        return ", ".join(matrix_words(one) for one in value.split()) or "none named"
    if name == "counted":
        return dict(COUNTED).get(value, "nothing")
    if name == "agency":
        return str(value.name)
    return when(value) if name.startswith("valid_") else str(value if value not in (None, "") else "nothing")


def _lists(row: Any, old: Any, named: Named) -> list[str]:
    found = []
    for name in LISTS:
        now = named.get((row.history_id, name), set())
        was = named.get((old.history_id, name), set()) if old is not None else set()
        found += [f"{name}: {one} added" for one in sorted(now - was)]
        found += [f"{name}: {one} taken out" for one in sorted(was - now)]
    return found
