"""Settling where two files say different things of one moment.

Promises: neither value is changed or removed; what counts is a choice with a name and a reason, and may be
made again. Until then that moment is no data.
"""

from __future__ import annotations

from collections.abc import Iterable

from django.db import transaction
from django.db.models import Count, Max, Min, Q, QuerySet
from django.utils import timezone

from biobank.acting import Actor, saving
from biobank.models import Logger, ReadingConflict
from biobank.temperature import stale
from custody.core.refusal import Refused


def loggers_with_conflicts() -> QuerySet[Logger]:
    """Loggers with conflicts: `open`, `settled`, `first_ms`, `last_ms` of the open ones. 1 query."""
    still = Q(conflicts__choice="")
    return (
        Logger.objects.filter(conflicts__isnull=False)
        .annotate(
            open=Count("conflicts", filter=still),
            settled=Count("conflicts", filter=~still),
            first_ms=Min("conflicts__at_ms", filter=still),
            last_ms=Max("conflicts__at_ms", filter=still),
        )
        .order_by("-open", "code")
    )


@transaction.atomic
def settle(actor: Actor, logger: Logger, wanted: Iterable[int], choice: str, reason: str) -> int:
    """These conflicts (ids) of a logger are settled so. How many changed.

    Refused `reason_required`, `conflict_unknown`, `nothing_chosen`.
    """
    ids = set(wanted)
    if not reason.strip():
        raise Refused("reason_required", "Say how it is known which value is right.")
    if choice not in ReadingConflict.Choice.values or not ids:
        raise Refused("nothing_chosen", "Choose the moments, and which value counts.")
    rows = list(ReadingConflict.objects.select_for_update().filter(logger=logger, pk__in=ids))
    if len(rows) != len(ids):
        raise Refused("conflict_unknown", "One of these moments is no conflict of this logger.")
    changed = [row for row in rows if row.choice != choice]
    for row in changed:
        row.choice, row.reason, row.settled, row.by = choice, reason, timezone.now(), actor.person
        with saving(actor.person.user, reason, row):
            row.save()
    if changed:
        at = [row.at_ms for row in changed]
        stale.touched([logger.pk], min(at), max(at) + 1, "a conflict was settled")
    return len(changed)
