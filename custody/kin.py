"""Tubes by whom and what they are of, added up: for ranking many boxes at once. Others reach it by `queries`.

Promises: one query each, however many tubes there are (`left_of`: two for 500 workups).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce

from custody import refold
from custody.core.state import FULL
from custody.models import TubeState as TubeRow


def of_workup(rows: QuerySet[TubeRow]) -> QuerySet[TubeRow]:
    """With `of`: the tube's workup, or when nobody bound it that of the tube it was made from."""
    parent = TubeRow.objects.filter(pk=OuterRef("parent")).values("workup")[:1]
    return rows.annotate(of=Coalesce("workup", Subquery(parent))).order_by()


@dataclass(frozen=True)
class Kin:
    """Tubes of one unit that are of one workup, matrix and additive.

    reserved; last: the last aliquots left of their parents; kept: either; small: of the others, those that
    hold less than was asked for
    """

    unit: str
    workup: str | None
    matrix: str
    additive: str
    tubes: int
    reserved: int
    last: int
    kept: int
    small: int


def kin_in(units: Iterable[str], small_ul: int) -> list[Kin]:
    """The tubes of these units. 1 query."""
    others = TubeRow.objects.filter(parent=OuterRef("parent"), status__in=FULL)
    alone = Q(parent__isnull=False) & ~Exists(others.exclude(tube=OuterRef("tube")))
    rows = of_workup(TubeRow.objects.filter(unit__in=list(units)).annotate(alone=alone))
    kept, little = Q(reserved=True) | Q(alone=True), Q(volume_ul__lt=small_ul)
    names = ("unit", "of", "matrix", "additive")
    found = rows.values(*names).annotate(
        n=Count("pk"), held_back=Count("pk", filter=Q(reserved=True)),
        last_ones=Count("pk", filter=Q(alone=True)), kept=Count("pk", filter=kept),
        small=Count("pk", filter=little & ~kept),
    )  # fmt: skip
    return [Kin(*row) for row in found.values_list(*names, "n", "held_back", "last_ones", "kept", "small")]


@dataclass(frozen=True)
class LeftOf:
    """All tubes with content of a workup and matrix, wherever. ul: None when one was not measured."""

    workup: str
    matrix: str
    tubes: int
    ul: int | None


def left_of(workups: Iterable[str]) -> list[LeftOf]:
    """What is left of these workups; a workup and matrix may come twice. 2 queries for 500 workups."""
    found: list[LeftOf] = []
    for part in refold.slices(workups):
        here = TubeRow.objects.filter(status__in=FULL)
        made = TubeRow.objects.filter(workup__in=part).values("tube")
        found += _sums(
            here.filter(workup__in=part).order_by(), "workup"
        )  # asked apart: twice as fast as by `of`
        found += _sums(of_workup(here.filter(workup=None, parent__in=made)), "of")
    return found


def _sums(rows: QuerySet[TubeRow], by: str) -> list[LeftOf]:
    sums = rows.values(by, "matrix").annotate(n=Count("pk"), ul=Sum("volume_ul"), measured=Count("volume_ul"))
    return [
        LeftOf(workup, matrix, n, ul if measured == n else None)
        for workup, matrix, n, ul, measured in sums.values_list(by, "matrix", "n", "ul", "measured")
    ]
