"""A temperature trace as numbers for a drawing, and the same in words.

Promises: pure; the template only draws. However many readings there are, each pixel column keeps its
lowest and highest, so no peak is lost. Lines stop at gaps. Everything that is drawn is also listed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import timedelta
from typing import Protocol

import numpy as np

from biobank.temperature.reduce import Bars, Curve, cut, reduced, silences
from biobank.temperature.scale import Frame, Scale, fitted, x_ticks, y_ticks
from biobank.temperature.shapes import EPOCH, FRAME, Band, Box, Limit, Marked, Trace
from custody.core.thermal import Excursion, Series

SHOWN = 40  # excursions listed one by one; the rest are counted

Beyond = tuple[Band, Excursion, int, str]  # where, what, the limit, above or below
Part = tuple[Series, int, int]  # a logger's readings, and from when to when they count (UTC ms)


class Days(Protocol):
    """What a long span is drawn from: see temperature.wide."""

    bars: Bars
    readings: int
    measured_ms: int
    low: tuple[int, int] | None
    high: tuple[int, int] | None
    gaps: list[tuple[int, int]]


def draw(
    parts: Sequence[Part],
    bands: Sequence[Band],
    start_ms: int,
    end_ms: int,
    tz: str,
    broken: Iterable[int] = (),
    *,
    frame: Frame = FRAME,
    assumed: Sequence[tuple[int, int, int]] = (),
    others: Sequence[Part] = (),
    days: Days | None = None,
) -> Trace:
    """Parts in time order, without overlap, inside [start, end). `broken`: epoch days left out.

    assumed  (from, to, centi) where a set point stands for readings; others  parts for a second, thin line
    days     of a long span: drawn and told instead of the parts, which are then only those beyond a limit
    """
    trace = Trace(start_ms, end_ms, tz, frame, broken=[_day(day) for day in broken])
    if days is None:
        trace.curves = [one for part in parts if (one := cut(*part))]
        _in_words(trace, parts)
    else:
        _of_days(trace, days)
    trace.assumed_ms = sum(b - a for a, b, _ in assumed)
    trace.no_data_ms -= trace.assumed_ms
    trace.beside = [one for part in others if (one := cut(*part))]
    values = [centi for _, _, centi in assumed]
    values += [n for band in bands for n in (band.above, band.below) if n is not None]
    scale = _scale(trace, values if trace.readings or assumed else [])
    if scale is None:
        return trace
    trace.scale = scale
    if days is not None:
        trace.days = days.bars
        _bars(trace, scale, days.bars)
    for curve in trace.curves:
        _lines(trace, scale, curve)
    for curve in trace.beside:
        trace.second += [path(scale, t, c, curve.step) for t, c in _few(scale, curve).pieces if len(t) > 1]
    _silences(trace, scale, assumed, days)
    _stays(trace, scale, bands)
    trace.assumed = [
        Limit(scale.x(a), scale.x(b), scale.y(centi), centi, "assumed") for a, b, centi in assumed
    ]
    _excursions(trace, scale, parts, bands)
    trace.x_ticks = list(x_ticks(scale, tz))
    trace.y_ticks = list(y_ticks(scale))
    return trace


def _day(day: int) -> str:
    return f"{EPOCH + timedelta(days=day):%Y-%m-%d}"


def _in_words(trace: Trace, parts: Sequence[Part]) -> None:
    """Count, coverage, lowest and highest with their moments."""
    for series, start, end in parts:
        trace.readings += int(np.sum((series.times_ms >= start) & (series.times_ms < end)))
        trace.measured_ms += round(float(series.measured(start, end)[0]))
    trace.measured_ms = round(trace.measured_ms / 1000) * 1000  # a span ends just after its last reading
    trace.no_data_ms = max(0, trace.end_ms - trace.start_ms - trace.measured_ms)
    for curve in trace.curves:
        low, high = int(np.argmin(curve.centi)), int(np.argmax(curve.centi))
        if trace.low is None or curve.centi[low] < trace.low[0]:
            trace.low = (math.floor(curve.centi[low] + 1e-6), int(curve.times[low]))
        if trace.high is None or curve.centi[high] > trace.high[0]:
            trace.high = (math.ceil(curve.centi[high] - 1e-6), int(curve.times[high]))


def _of_days(trace: Trace, days: Days) -> None:
    trace.readings, trace.measured_ms = days.readings, days.measured_ms
    trace.no_data_ms = trace.end_ms - trace.start_ms - trace.measured_ms
    trace.low, trace.high = days.low, days.high


def _scale(trace: Trace, values: Sequence[int]) -> Scale | None:
    """None when there is nothing to draw."""
    found = [float(n) for n in values]
    found += [float(one[0]) for one in (trace.low, trace.high) if one]
    for curve in trace.beside:
        found += [float(curve.centi.min()), float(curve.centi.max())]
    if not found:
        return None
    return fitted(trace.frame, trace.start_ms, trace.end_ms, min(found), max(found))


def _few(scale: Scale, curve: Curve) -> Curve:
    return reduced(curve, scale.start, scale.end, scale.frame.columns)


def _lines(trace: Trace, scale: Scale, curve: Curve) -> None:
    for t, c in _few(scale, curve).pieces:
        if len(t) == 1:
            trace.points.append((scale.x(int(t[0])), scale.y(float(c[0]))))
        else:
            trace.lines.append(path(scale, t, c, curve.step))


def path(scale: Scale, times: np.ndarray, centi: np.ndarray, step: bool) -> str:
    """The corners of a line; a step line goes level to the next moment and then straight up or down."""
    if step:
        times, centi = np.repeat(times, 2)[1:], np.repeat(centi, 2)[:-1]
    pairs = zip(scale.xs(times), centi, strict=True)
    return " ".join(f"{x:.1f},{scale.y(float(value))}" for x, value in pairs)


def _bars(trace: Trace, scale: Scale, bars: Bars) -> None:
    trace.bar_days = max(1, int((bars.ends - bars.starts).max(initial=0)) // 86_400_000)
    for start, end, low, high in zip(bars.starts, bars.ends, bars.low, bars.high, strict=True):
        a, b = scale.x(max(start, scale.start)), scale.x(min(end, scale.end))
        top, foot = scale.y(float(high)), scale.y(float(low))
        if b > a:
            trace.bars.append(Box(a, top, round(b - a, 1), max(1.5, round(foot - top, 1))))


def _silences(trace: Trace, scale: Scale, assumed: Sequence[tuple[int, int, int]], days: Days | None) -> None:
    """Where nothing is known, as boxes over the whole height."""
    pixel = (scale.end - scale.start) / scale.frame.columns
    found = days.gaps if days else silences(trace.curves, trace.start_ms, trace.end_ms, pixel / 2)
    for a, b in found:
        for c, d in _without(a, b, assumed):
            if scale.x(d) - scale.x(c) >= 0.5:
                trace.gaps.append((c, d))
                height = scale.frame.bottom - scale.frame.top
                trace.silent.append(
                    Box(scale.x(c), scale.frame.top, round(scale.x(d) - scale.x(c), 1), height)
                )


def _without(a: int, b: int, spans: Iterable[tuple[int, int, int]]) -> Iterator[tuple[int, int]]:
    """[a, b] without these stretches, which are in order of time."""
    for start, end, _ in spans:
        if end > a and start < b:
            if start > a:
                yield a, start
            a = max(a, end)
    if a < b:
        yield a, b


def _stays(trace: Trace, scale: Scale, bands: Sequence[Band]) -> None:
    height = scale.frame.bottom - scale.frame.top
    for band in bands:
        x1, x2 = scale.x(band.start_ms), scale.x(band.end_ms)
        trace.stays.append(Box(x1, scale.frame.top, round(x2 - x1, 1), height, band.label, band.fill))
        for limit, words in ((band.above, "alarm above"), (band.below, "alarm below")):
            if limit is not None:
                trace.levels.append((band.start_ms, band.end_ms, limit))
                trace.limits.append(Limit(x1, x2, scale.y(limit), limit, words))


def _excursions(trace: Trace, scale: Scale, parts: Sequence[Part], bands: Sequence[Band]) -> None:
    found = sorted(_beyond(parts, bands), key=lambda one: one[1].start_ms)
    trace.excursions, least = len(found), 6.0 if trace.days is not None else 2.0
    longest = sorted(found, key=lambda one: one[1].start_ms - one[1].end_ms)[:SHOWN]
    for number, (band, one, limit, words) in enumerate(sorted(longest, key=lambda x: x[1].start_ms), 1):
        trace.marked.append(Marked(number, one, limit, words, band.label))
        trace.shaded.append(_shade(scale, one, limit, least, str(number)))
    pixel = (scale.end - scale.start) / scale.frame.columns
    trace.beyond = _seen_apart(found, pixel)
    if trace.unlisted:
        known = {id(one) for _, one, _, _ in longest}
        trace.shaded += [
            _shade(scale, one, limit, least) for _, one, limit, _ in found if id(one) not in known
        ][:2000]


def _seen_apart(found: Sequence[Beyond], pixel: float) -> list[tuple[int, int, int, int]]:
    """Excursions beyond one limit that are closer than a pixel become one, with the furthest peak."""
    kept: dict[tuple[int, str], list[tuple[int, int, int, int]]] = {}
    for _, one, limit, words in found:
        ones = kept.setdefault((limit, words), [])
        if ones and one.start_ms - ones[-1][1] <= pixel:
            a, b, _, peak = ones[-1]
            most = (max if words == "above" else min)(peak, one.peak_centi)
            ones[-1] = (a, max(b, one.end_ms), limit, most)
        else:
            ones.append((one.start_ms, one.end_ms, limit, one.peak_centi))
    return sorted(one for ones in kept.values() for one in ones)


def _shade(scale: Scale, one: Excursion, limit: int, least: float, label: str = "") -> Box:
    """At least so wide that it can be seen; beside a bar it must be wider than the bar."""
    x1, x2 = scale.x(one.start_ms), scale.x(one.end_ms)
    width = round(max(least, x2 - x1), 1)
    top, foot = sorted((scale.y(one.peak_centi), scale.y(limit)))
    return Box(round((x1 + x2 - width) / 2, 1), top, width, round(max(2.0, foot - top), 1), label)


def _beyond(parts: Sequence[Part], bands: Sequence[Band]) -> Iterator[Beyond]:
    for series, start, end in parts:
        for band in bands:
            a, b = max(start, band.start_ms), min(end, band.end_ms)
            if a >= b:
                continue
            if band.above is not None:
                yield from ((band, e, band.above, "above") for e in series.excursions(band.above, a, b))
            if band.below is not None:
                yield from ((band, e, band.below, "below") for e in series.excursions_below(band.below, a, b))
