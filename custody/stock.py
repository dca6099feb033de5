"""The tubes of each unit together: how many, of what worth, in what doubt. Others reach it by `queries`.

Promises: one query each, however many units and tubes there are.
"""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Count, Exists, Max, OuterRef, Q, Sum

from custody.core.state import FULL
from custody.models import TubeState as TubeRow
from custody.models import UnitState as UnitRow


@dataclass(frozen=True)
class Stock:
    """What there is to know about a unit's tubes. last: those that are the last aliquot of their parent."""

    unit: str
    tubes: int
    reserved: int
    last: int
    disputes: int
    contested: int
    last_ms: int | None


def stock() -> dict[str, Stock]:
    """The tubes of each unit that has any. 1 query."""
    others = TubeRow.objects.filter(parent=OuterRef("parent"), status__in=FULL)
    alone = Q(parent__isnull=False) & ~Exists(others.exclude(tube=OuterRef("tube")))
    rows = TubeRow.objects.filter(unit__isnull=False).order_by().values("unit")
    found = rows.annotate(
        n=Count("pk"), held_back=Count("pk", filter=Q(reserved=True)), alone=Count("pk", filter=alone),
        doubts=Sum("disputes"), clash=Count("pk", filter=Q(contested=True)), newest=Max("last_ms"),
    )  # fmt: skip
    names = ("unit", "n", "held_back", "alone", "doubts", "clash", "newest")
    return {row[0]: Stock(*row) for row in found.values_list(*names)}


def units_moved() -> dict[str, int | None]:
    """When each unit was moved last, UTC ms. 1 query."""
    return dict(UnitRow.objects.values_list("unit", "last_ms"))
