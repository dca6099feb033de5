"""A unit's picture as plain numbers, for the script that draws it on a page.

Promises: the size is bounded by the width asked for, never by how many readings there are; times are seconds
since the start of the picture, temperatures are hundredths of °C, a null is where the line is broken.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from biobank.temperature.reduce import Curve, reduced
from biobank.temperature.scale import Frame
from biobank.temperature.spans import written
from biobank.temperature.trace import Trace
from biobank.temperature.unit_queries import Seen

LEAST, MOST, USUAL = 100, 1200, 700  # pixels across the plot
OTHERS = 3  # second lines that are drawn
Points = list[int | None]


def frame_of(width: int) -> Frame:
    """A plot so many pixels wide, with no words around it."""
    return Frame(width=min(MOST, max(LEAST, width)), left=0, right=0, strip=24)


def as_json(found: Seen) -> dict[str, Any]:
    """What the script draws. The words stand in the page itself."""
    trace, start = found.trace, found.span.start
    line = _points(trace, trace.curves, trace.frame.columns)
    return {
        "from": written(start), "to": written(found.span.end), "start": start, "end": found.span.end,
        "tz": trace.tz, "t": line[0], "c": line[1], "step": any(curve.step for curve in trace.curves),
        "bars": _bars(found), "bar_days": trace.bar_days,
        "others": [_points(trace, [one], trace.frame.columns // 4) for one in trace.beside[:OTHERS]],
        "gaps": _pairs(trace.gaps, start),
        "beyond": [[s(a, start), -(-(b - start) // 1000), limit, peak] for a, b, limit, peak in trace.beyond],
        "names": _names(found),
        "limits": [[s(a, start), s(b, start), centi] for a, b, centi in trace.levels],
        "assumed": [[s(p.start, start), s(p.end, start), p.nominal] for p in found.assumed],
        "events": _pairs(((one.from_ms, one.to_ms) for one in found.events), start),
        "exclusions": _pairs(((one.from_ms, one.to_ms) for one in found.exclusions), start),
        "doors": [[s(at, start), n] for at, n in found.ticks],
        "numbers": [
            [s((e.start_ms + e.end_ms) // 2, start), e.peak_centi, one.number]
            for one in trace.marked
            for e in [one.excursion]
        ],
        "x": [[s(tick.ms, start), tick.label] for tick in trace.x_ticks],
        "y": [[tick.ms, tick.label] for tick in trace.y_ticks],
        "low": round(trace.scale.low) if trace.scale else None,
        "high": round(trace.scale.high) if trace.scale else None,
    }  # fmt: skip


def s(ms: int, start: int) -> int:
    return (ms - start) // 1000


def _pairs(spans: Iterable[tuple[int, int]], start: int) -> list[list[int]]:
    return [[s(a, start), -(-(b - start) // 1000)] for a, b in spans]


def _points(trace: Trace, curves: Iterable[Curve], columns: int) -> tuple[Points, Points]:
    """Times and temperatures; between two lines that are not joined stands a moment without a temperature."""
    times: Points = []
    centi: Points = []
    for curve in curves:
        few = reduced(curve, trace.start_ms, trace.end_ms, max(1, columns))
        for at, value in few.pieces:
            if times:
                times.append(times[-1])
                centi.append(None)
            times += ((at - trace.start_ms) // 1000).tolist()
            centi += [round(one) for one in value.tolist()]
    return times, centi


def _names(found: Seen) -> list[list[Any]]:
    """Which logger counted from when on, where it changed."""
    said: list[list[Any]] = []
    for one in found.governs[:40]:
        if not said or said[-1][1] != one.logger.code:
            said.append([s(one.start_ms, found.span.start), one.logger.code])
    return said


def _bars(found: Seen) -> list[list[int]]:
    bars, start = found.trace.days, found.span.start
    if bars is None:
        return []
    rows = zip(bars.starts, bars.ends, bars.low, bars.high, strict=True)
    return [
        [s(max(int(a), start), start), s(min(int(b), found.span.end), start), int(low), int(high)]
        for a, b, low, high in rows
    ]
