"""Papers of temperatures: of one tube's life, and of one unit over a stretch of time.

Promises: a paper shows what the page shows, says when it was made and which loggers it rests on, and that a
logger measures what its probe is in. No animal, site or coordinate is on either.
"""

from __future__ import annotations

from biobank.handoffs.paper import pdf
from biobank.models import Tube, Unit
from biobank.temperature import tube_pictures
from biobank.temperature.life import Life, life_of
from biobank.temperature.unit_queries import Seen
from custody import queries as ledger
from custody.core.phase import PhaseSummary


def unit_pdf(found: Seen, holder: Unit | None, tz: str) -> bytes:
    """The picture of a unit, its excursions, its loggers and what else is known."""
    return pdf("print/temperature_unit.html", {
        "seen": found, "trace": found.trace, "unit": found.unit, "holder": holder, "tz": tz, "paper": True,
        "size": ledger.size(), "media": found.media,
    })  # fmt: skip


def tube_pdf(tube: Tube, now_ms: int, tz: str) -> bytes:
    """Both pictures of a tube, its stays, its acts, its excursions and the numbers of each phase."""
    life, told = tube_pictures.life_of(tube.code, now_ms, tz), life_of(tube.code, now_ms)
    return pdf("print/temperature_tube.html", {
        "tube": tube, "life": life, "told": told, "rows": _rows(told) if told else [], "tz": tz,
        "paper": True, "limits": told.limits if told else (), "size": ledger.size(),
        "media": list(dict.fromkeys(one.medium for one in life.governs)),
        "other": [u.code for u in told.used.values() if u.code not in {g.logger.code for g in life.governs}]
        if told else [],
    })  # fmt: skip


Row = tuple[str, PhaseSummary, int, list[int | None]]  # words, numbers, length in ms, ms above each limit


def _rows(told: Life) -> list[Row]:
    """Each phase, and the whole life as the last row."""
    parts = [(one.words, one.summary) for one in told.phases]
    return [
        (words, one, one.end_ms - one.start_ms, [one.above.get(limit) for limit in told.limits])
        for words, one in [*parts, ("the whole life", told.whole)]
    ]
