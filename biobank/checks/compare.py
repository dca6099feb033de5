"""Two rule sets side by side: what was added, what is gone, what says something else.

Promises: a rule is the same when it has the same code; the order of the sets decides what is old and what is
new; every field that differs is named, in words and with its unit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from biobank.checks.rule_columns import BY_NAME, RULE, shown
from biobank.checks.rule_values import said_of
from biobank.checks.starter import Row


@dataclass(frozen=True)
class Difference:
    """One field: what it said, and what it says now."""

    heading: str
    old: str
    new: str


@dataclass
class Changed:
    """A rule that is in both and differs. `new` is the rule as it is now."""

    new: Row
    fields: list[Difference]


@dataclass
class Group:
    """What differs in the rules for one assay; an empty code: those for all."""

    assay: str
    added: list[Row] = field(default_factory=list)
    gone: list[Row] = field(default_factory=list)
    changed: list[Changed] = field(default_factory=list)

    @property
    def count(self) -> int:
        return len(self.added) + len(self.gone) + len(self.changed)


def between(old: Sequence[Row], new: Sequence[Row]) -> list[Group]:
    """By assay, those for all first. A rule that went to another assay stands with the new one."""
    before, after = ({one.rule.code: one for one in rows} for rows in (old, new))
    found: dict[str, Group] = {}
    for code in sorted(before.keys() | after.keys()):
        _sort_in(before.get(code), after.get(code), found)
    return [found[assay] for assay in sorted(found)]


def _sort_in(old: Row | None, new: Row | None, found: dict[str, Group]) -> None:
    there = new or old
    if there is None or old == new:
        return
    group = found.setdefault(there.rule.assay, Group(there.rule.assay))
    if old is None:
        group.added.append(there)
    elif new is None:
        group.gone.append(there)
    else:
        group.changed.append(Changed(new, differences(said_of(old), said_of(new))))


def differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[Difference]:
    names = [one.name for one in RULE if old[one.name] != new[one.name]]
    return [
        Difference(BY_NAME[name].heading, shown(name, old[name]), shown(name, new[name])) for name in names
    ]


def count(groups: Sequence[Group]) -> dict[str, int]:
    """How many were added, are gone and changed."""
    return {
        "added": sum(len(one.added) for one in groups),
        "gone": sum(len(one.gone) for one in groups),
        "changed": sum(len(one.changed) for one in groups),
    }
