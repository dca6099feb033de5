"""Which tubes somebody did something to in a stretch of time. Others reach it by `queries`.

Promises: what was voided or corrected is told as it counts today; a fixed number of queries (but for slices
of 500 tubes). Of more tubes than were asked for, those of the newest events are told, and that it is so.
"""

from __future__ import annotations

from collections.abc import Iterable

from custody import refold
from custody.core import fold
from custody.core.state import Happening
from custody.models import Event, Line


def handled(
    start_ms: int, end_ms: int, kinds: Iterable[str], most: int
) -> tuple[dict[str, list[Happening]], bool]:
    """Whole histories of the tubes in events of these kinds that were said to have happened in [start, end),
    at most so many tubes; and whether there are more. At most 6 queries."""
    events = Event.objects.filter(kind__in=list(kinds), at_ms__gte=start_ms, at_ms__lt=end_ms)
    newest = list(events.order_by("-at_ms").values_list("event_id", flat=True)[:most])
    found: dict[str, None] = {}
    for names in refold.slices(newest):
        if len(found) > most:
            break
        lines = Line.objects.filter(event_id__in=names, what="t").order_by("-event__at_ms", "n")
        found |= dict.fromkeys(lines.values_list("subject", flat=True)[: most + 1])
    tubes = list(found)[:most]
    said = refold.histories("t", tubes)
    return {name: fold.in_order(ones) for name, ones in said.items()}, len(found) > most
