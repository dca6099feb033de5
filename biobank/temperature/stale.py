"""Which kept results may no longer be so, after something changed that they were worked out from.

Promises: a hint and no more: the hash of what went in is the truth (`recompute.fresh`), and who needs to be
sure asks that. One UPDATE each; the first reason that was given stays until it is worked out again.
"""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import Q, QuerySet

from biobank.models import ThermalResult, Unit

LONGEST = 100


def touched(loggers: Iterable[int], from_ms: int, to_ms: int | None, why: str, placed: bool = False) -> int:
    """Something about these loggers (ids) changed for a stretch of time (UTC ms; to_ms None: from then on).

    Marks the lives that meet this time and that one of these loggers governed. placed: it was put somewhere
    or taken away, so it may govern tubes that it did not govern before; then every life of that time is
    marked. Returns how many.
    """
    rows = _meeting(from_ms, to_ms)
    if not placed:
        rows = rows.filter(life__used__has_any_keys=[str(one) for one in loggers])
    return _mark(rows, why)


def touched_units(units: Iterable[int], from_ms: int, to_ms: int | None, why: str) -> int:
    """Something about these units (ids) changed: set point, alarms, which logger governs. Marks the lives
    that meet this time and were ever in one of them, however deep inside. Returns how many."""
    codes = list(Unit.objects.filter(pk__in=list(units)).values_list("code", flat=True))
    return _mark(_meeting(from_ms, to_ms).filter(life__units__has_any_keys=codes), why)


def _meeting(from_ms: int, to_ms: int | None) -> QuerySet[ThermalResult]:
    """Current results whose life meets this time, and those that still go on: what comes later is news
    too."""
    rows = ThermalResult.objects.filter(Q(asof_ms__gte=from_ms) | Q(open=True), current=True, stale="")
    return rows if to_ms is None else rows.filter(life__start_ms__lte=to_ms)


def _mark(rows: QuerySet[ThermalResult], why: str) -> int:
    return int(rows.update(stale=why[:LONGEST]))
