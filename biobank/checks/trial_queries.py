"""A trial for reading: how far it is, how many verdicts would change and which.

Promises: tubes of another programme are neither listed nor counted; a fixed number of queries.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Q, QuerySet

from biobank.models import Assay, Programme, Trial, TrialChange, Tube
from biobank.models.verdicts import WORDS

ORDER = ["not_fit", "cannot_tell", "caution", "fit", ""]
WORDED = dict(WORDS) | {"": "not judged"}
NEXT = {  # a mark's sign for each word
    "not_fit": "stop", "cannot_tell": "cannot_tell", "caution": "caution", "fit": "pass", "": "void",
}  # fmt: skip


@dataclass(frozen=True)
class Step:
    """So many verdicts for one assay go from `before` to `now`. worse: the word gets worse."""

    assay: str
    name: str
    before: str
    now: str
    count: int

    @property
    def worse(self) -> bool:
        return bool(self.before and self.now) and ORDER.index(self.now) < ORDER.index(self.before)

    @property
    def key(self) -> str:
        return f"{self.assay}:{self.before}:{self.now}"

    @property
    def said(self) -> tuple[str, str]:
        return WORDED[self.before], WORDED[self.now]

    @property
    def signs(self) -> tuple[str, str]:
        return NEXT[self.before], NEXT[self.now]


def changes_of(trial: Trial, programme: Programme) -> QuerySet[TrialChange]:
    """Those of this programme's tubes, and of tubes that belong to no set."""
    mine = Tube.objects.filter(Q(tube_set=None) | Q(tube_set__plan__programme=programme))
    return TrialChange.objects.filter(trial=trial, tube__in=mine.values("code"))


def steps_of(changes: QuerySet[TrialChange]) -> list[Step]:
    """Counts by assay and before → now, what gets worse first. 2 queries."""
    names = dict(Assay.objects.values_list("code", "name"))
    rows = changes.order_by().values_list("assay", "before", "now").annotate(n=Count("pk"))
    found = [Step(assay, names.get(assay, assay), before, now, n) for assay, before, now, n in rows]
    return sorted(found, key=_order)


def _order(one: Step) -> tuple[bool, str, int, int]:
    return not one.worse, one.name, ORDER.index(one.now), ORDER.index(one.before)


def tubes_changed(changes: QuerySet[TrialChange]) -> int:
    return changes.order_by().values("tube").distinct().count()


def chosen(changes: QuerySet[TrialChange], step: str) -> QuerySet[TrialChange]:
    """Only those of one step's key; anything else: all."""
    parts = step.split(":")
    if len(parts) != 3 or not set(parts[1:]) <= set(ORDER):
        return changes
    assay, before, now = parts
    return changes.filter(assay=assay, before=before, now=now)


def worded(change: TrialChange) -> dict[str, Any]:
    return {
        "tube": change.tube, "assay": change.assay,
        "before": WORDED[change.before], "now": WORDED[change.now],
        "signs": (NEXT[change.before], NEXT[change.now]), "sentence": change.sentence,
    }  # fmt: skip


def lines(changes: QuerySet[TrialChange]) -> Iterator[list[str]]:
    """For a table: a heading, then one line for each change."""
    yield ["tube", "assay", "before", "after", "what decides"]
    for one in changes.order_by("assay", "before", "now", "tube").iterator(chunk_size=2000):
        yield [one.tube, one.assay, WORDED[one.before], WORDED[one.now], one.sentence]
