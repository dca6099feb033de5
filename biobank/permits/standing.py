"""Where a paper stands in its time, in words: not yet, in force, ending, over.

Promises: the last day counts as a day in force; warnings begin 90, 30 and 7 days before it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from biobank.models import Permit
from biobank.templatetags.words import when

# days before the last one, the sign, and nothing earlier; common practice of permit offices, no source
WARN = [(7, "now"), (30, "caution"), (90, "note")]


@dataclass(frozen=True)
class Standing:
    """code: coming, in_force, ending, over. left: days until the last one, that day is 0; mark: its sign."""

    code: str
    left: int
    mark: str
    words: str

    @property
    def warns(self) -> bool:
        return self.code in {"ending", "over"}


def of(permit: Permit, today: date) -> Standing:
    left = (permit.valid_until - today).days
    if left < 0:
        return Standing("over", left, "stop", f"expired {_ago(-left)}")
    if today < permit.valid_from:
        return Standing("coming", left, "note", f"begins on {when(permit.valid_from)}")
    for days, mark in WARN:
        if left <= days:
            return Standing("ending", left, mark, f"expires {_ahead(left)}")
    return Standing("in_force", left, "done", "in force")


def _ahead(days: int) -> str:
    return {0: "today", 1: "tomorrow"}.get(days, f"in {days} days")


def _ago(days: int) -> str:
    return "yesterday" if days == 1 else f"{days} days ago"


def follower(permit: Permit, others: Iterable[Permit]) -> Permit | None:
    """A paper on file that takes its place without a gap: of the same sort, for the same act and agency, for
    no fewer species and parts."""
    return next(
        (
            one
            for one in others
            if one.pk != permit.pk
            and (one.sort, one.allows, one.agency_id) == (permit.sort, permit.allows, permit.agency_id)
            and one.valid_until > permit.valid_until
            and one.valid_from <= permit.valid_until + timedelta(days=1)
            and _no_fewer(one.species.casefold(), permit.species.casefold())
            and _no_fewer_parts(one, permit)
        ),
        None,
    )


def _no_fewer(new: str, old: str) -> bool:
    return not new or new == old


def _no_fewer_parts(new: Permit, old: Permit) -> bool:
    return not new.parts or (bool(old.parts) and set(old.parts.split()) <= set(new.parts.split()))
