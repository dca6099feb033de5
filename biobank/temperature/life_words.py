"""What a page says of a phase: how much of it was measured, and what lay beyond each limit.

Promises: pure. A share is never rounded up to all of it, and what is there is never too thin to be seen: less
than one hundredth of the bar is drawn as one hundredth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from custody.core.phase import PhaseSummary

LEAST = 1.0  # hundredths of the bar


@dataclass(frozen=True)
class Share:
    """One part of a bar of 100: where it begins, how wide it is, how long it was (ms), its share in words."""

    name: str
    words: str
    x: float
    width: float
    ms: int
    percent: str


def shares(one: PhaseSummary) -> list[Share]:
    """Measured, assumed, no data, as far as there is any of it; together the whole bar."""
    length = one.end_ms - one.start_ms
    said = [
        ("measured", "measured", one.measured_ms),
        ("assumed", "assumed", one.assumed_ms),
        ("none", "no data", one.no_data_ms),
    ]
    there = [(name, words, ms) for name, words, ms in said if ms > 0]
    if not there or length <= 0:
        return []
    widths = _widths([100 * ms / length for *_, ms in there])
    found, x = [], 0.0
    for (name, words, ms), width in zip(there, widths, strict=True):
        found.append(Share(name, words, round(x, 2), round(width, 2), ms, percent(ms, length)))
        x += width
    return found


def _widths(shares: Sequence[float]) -> list[float]:
    """As wide as they are, but none thinner than can be seen; the widest gives."""
    widths = [max(share, LEAST) for share in shares]
    widest = widths.index(max(widths))
    widths[widest] -= sum(widths) - 100
    return widths


def percent(ms: int, length: int) -> str:
    """Tenths, cut off: `99.9 %` is never said to be all. Less than a tenth is `under 0.1 %`."""
    tenths = ms * 1000 // length
    if tenths == 0 and ms:
        return "under 0.1 %"
    return f"{tenths // 10} %" if tenths % 10 == 0 else f"{tenths // 10}.{tenths % 10} %"


@dataclass(frozen=True)
class Beyond:
    """Above and below one limit (hundredths of °C): ms, the longest, if that may have been longer, how many.
    None: nothing is known."""

    limit: int
    above: int | None
    longest_above: int | None
    above_open: bool
    above_count: int | None
    below: int | None
    longest_below: int | None
    below_open: bool
    below_count: int | None


def beyond(one: PhaseSummary, limits: Sequence[int]) -> list[Beyond]:
    """One row a limit, the coldest first."""
    return [
        Beyond(
            limit, one.above.get(limit), one.longest_above.get(limit),
            one.longest_above_open.get(limit, False),
            one.excursions_above.get(limit), one.below.get(limit), one.longest_below.get(limit),
            one.longest_below_open.get(limit, False), one.excursions_below.get(limit),
        )
        for limit in limits
    ]  # fmt: skip
