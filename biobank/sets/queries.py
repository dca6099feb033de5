"""What the pages of tube sets show.

Promises: every function says how many queries it needs, and none grows with the number of sets or tubes
(but for the ledger's slices of 500 tubes).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from django.db.models import Exists, OuterRef, QuerySet
from django.shortcuts import get_object_or_404

from biobank.models import PackScan, Person, Programme, Tube, TubeSet
from custody import queries as ledger
from custody.core.state import FILLED, TubeState


@dataclass(frozen=True)
class SetRow:
    """A set in a list: how many of its primaries are drawn, not collected, or not yet either."""

    tube_set: TubeSet
    primaries: int
    aliquots: int
    counts: Mapping[str, int] = field(default_factory=dict)

    @property
    def drawn(self) -> int:
        return sum(self.counts.get(status, 0) for status in FILLED)

    @property
    def not_collected(self) -> int:
        return self.counts.get("not_collected", 0)

    @property
    def open(self) -> int:
        return self.counts.get("labelled", 0)


def sets(programme: Programme) -> QuerySet[TubeSet]:
    found = TubeSet.objects.filter(plan__programme=programme)
    return found.select_related(
        "plan",
        "out_with",
        "out_org",
        "day__site__programme",
        "workup__animal",
        "workup__day__site__programme",
    )


def set_or_404(who: Person, code: str) -> TubeSet:
    return get_object_or_404(sets(who.programme), code=code.upper())


def set_rows(found: Iterable[TubeSet]) -> list[SetRow]:
    """The sets with their counts. 2 queries, and the one that `found` is."""
    there = list(found)
    tubes: dict[int, list[tuple[str, str]]] = {one.pk: [] for one in there}
    named = Tube.objects.filter(tube_set__in=tubes).values_list("tube_set_id", "code", "parent_hint")
    for pk, code, parent in named:
        tubes[pk].append((code, parent))
    states = ledger.states(code for some in tubes.values() for code, parent in some if not parent)
    return [_set_row(one, tubes[one.pk], states) for one in there]


def _set_row(one: TubeSet, tubes: list[tuple[str, str]], states: Mapping[str, TubeState]) -> SetRow:
    primaries = [code for code, parent in tubes if not parent]
    counts = Counter(states[code].status for code in primaries if code in states)
    return SetRow(one, len(primaries), len(tubes) - len(primaries), counts)


def bag(tube_set: TubeSet) -> list[Tube]:
    """The tubes to draw, in order of draw, each with `is_in`: it was scanned into the bag. 1 query."""
    found = tube_set.tubes.filter(parent_hint="").select_related("planned")
    marked = found.annotate(is_in=Exists(PackScan.objects.filter(tube=OuterRef("pk"))))
    return list(marked.order_by("planned__order_of_draw", "code"))
