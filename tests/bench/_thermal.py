"""The readings and stretches of the thermal benchmark, and two other ways to answer them.

Fifty made-up loggers, three years at five minutes: 16 at -80, 12 at -20 with defrosts, 8 refrigerators, 4
over nitrogen, 6 shippers that go between kinds of cold, 4 rooms; doors, failures, silences. Seeded, and the
same on every machine. Nothing here uses custody.core: the other ways must not share a mistake with it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

STEP = 300_000  # ms
GAP = 3 * STEP
DAY = 86_400_000
FIRST = 1_672_531_200_000  # 1 January 2023, UTC
KINDS = ["-80"] * 16 + ["-20"] * 12 + ["fridge"] * 8 + ["vapour"] * 4 + ["shipper"] * 6 + ["room"] * 4
SET = {"-80": (-8000, 60, 10), "-20": (-2000, 90, 10), "fridge": (400, 60, 10), "vapour": (-18_500, 40, 10),
       "shipper": (300, 40, 1), "room": (2100, 50, 1)}  # fmt: skip  # set point, noise, resolution in centi
LIMITS = (800, -2000, -6000, -13_200)
EDGES, BEARS = (-13_200, -6000, -2000, 800), (np.inf, 9e10, 5e9, 4e8, 3e7)
FREEZE, THAW = -500, 0


@dataclass(frozen=True)
class Made:
    """One logger: its readings (UTC ms, centi), and the stretches asked about (ms)."""

    kind: str
    times: np.ndarray
    centi: np.ndarray
    a: np.ndarray
    b: np.ndarray


def loggers(readings: int, intervals: int) -> Iterator[Made]:
    """The fleet, one logger at a time; about as many readings and exactly as many stretches as asked."""
    each = np.diff(np.linspace(0, intervals, len(KINDS) + 1).astype(int))
    for k, kind in enumerate(KINDS):
        rng = np.random.default_rng(1000 + k)
        times, centi = _series(rng, kind, max(readings // len(KINDS), 300))
        yield Made(kind, times, centi, *_stretches(rng, int(times[0]), int(times[-1]), int(each[k])))


def _series(rng: np.random.Generator, kind: str, n: int) -> tuple[np.ndarray, np.ndarray]:
    n = int(n * 1.014)  # what the silences take away
    place = np.arange(n)
    base, noise, resolution = SET[kind]
    level = np.full(n, float(base))
    if kind == "shipper":
        level = rng.choice([2100, 300, -2000, -7800, -18_500], n // 400 + 1).astype(float)[place // 400]
    level += rng.normal(0, noise, n) + 40 * np.sin(place * (2 * np.pi / 288))
    if kind == "-20":
        level += 900 * np.maximum(0, np.sin(place * (2 * np.pi / 72)) - 0.9) * 10  # a defrost every six hours
    for length, often, height in ((6, 600, 700), (160, 70_000, 7500)):  # doors, failures
        for at in rng.integers(0, n, n // often + 1):
            part = level[at : at + length]
            part += height * rng.random() * np.linspace(1, 0, length)[: len(part)]
    keep = rng.random(n) > 0.0005
    for at in rng.integers(0, n, 20 * n // 315_000 + 1):
        keep[at : at + int(rng.integers(4, 420))] = False
    centi = np.clip(np.round(level / resolution) * resolution, -19_600, 6000).astype(np.int64)
    return (FIRST + place * STEP)[keep], centi[keep]


def _stretches(rng: np.random.Generator, first: int, last: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Half of them minutes to days, as on a trip; half weeks to years, as in storage."""
    span = last - first
    short = np.exp(rng.uniform(np.log(6e5), np.log(4 * DAY), n))
    long = np.exp(rng.uniform(np.log(7 * DAY), np.log(max(span, 8 * DAY)), n))
    length = np.minimum(np.where(rng.random(n) < 0.5, short, long), span).astype(np.int64)
    a = first - DAY + (rng.random(n) * (span + 2 * DAY - length)).astype(np.int64)
    return a, a + length


# --- slicing, stretch by stretch ------------------------------------------------------------------


def sliced(times: np.ndarray, centi: np.ndarray, a: int, b: int) -> list[float]:
    """The sixteen numbers of one stretch by cutting it out of the arrays: what one would write first."""
    i, j = np.searchsorted(times, [a, b])
    t, c = times[i:j].astype(float), centi[i:j].astype(float)
    if 0 < i < len(times) and times[i - 1] < a and times[i] - times[i - 1] <= GAP:
        part = np.interp(min(a, b), times[i - 1 : i + 1], centi[i - 1 : i + 1])
        t, c = np.append(a, t), np.append(part, c)
    if 0 < j < len(times) and times[j] - times[j - 1] <= GAP:
        part = np.interp(b, times[j - 1 : j + 1], centi[j - 1 : j + 1])
        t, c = np.append(t, b), np.append(c, part)
    if not len(t):
        return [0.0, np.nan, np.nan, 0.0, *[0.0] * 8, 0.0, 0.0, 0.0, 0.0]
    return _numbers(times, centi, t, c)


def _numbers(times: np.ndarray, centi: np.ndarray, t: np.ndarray, c: np.ndarray) -> list[float]:
    d, x, y = np.diff(t), c[:-1], c[1:]
    ok = d <= GAP
    known = np.where(ok, d, 0.0)
    rates = _edge_rates(times, centi, t)
    above = {limit: _over(x, y, known, limit) for limit in LIMITS}
    longest = [_longest(x, y, above[limit], limit, ok) for limit in LIMITS]
    steps = np.diff([0.0 if np.isinf(one) else 1 / one for one in BEARS])
    used = known.sum() / BEARS[0] + sum(w * above[e].sum() for w, e in zip(steps, EDGES, strict=True))
    certain = np.where(c > THAW, 1, np.where(c < FREEZE, -1, 0))
    certain = np.append(1, certain[certain != 0])  # it comes thawed
    thaws = int(((certain[1:] > 0) & (certain[:-1] < 0)).sum())
    rate = float((known * (rates[:-1] + rates[1:]) / 2).sum())
    count = float(longest[0][1])
    return [
        float(known.sum()), float(c.min()), float(c.max()), rate,
        *(float(one.sum()) for one in above.values()), *(one[0] for one in longest),
        float(used), float(thaws), float(certain[-1] < 0), count,
    ]  # fmt: skip


def _edge_rates(times: np.ndarray, centi: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Rates at the readings; where a piece is cut, on the straight line between the two rates."""
    i = np.searchsorted(times, t[0], side="right") - 1
    j = min(np.searchsorted(times, t[-1]), len(times) - 1)
    part = np.exp(-10_000 / (centi[max(i, 0) : j + 1] / 100 + 273.15))
    return np.interp(t, times[max(i, 0) : j + 1], part)


def _over(x: np.ndarray, y: np.ndarray, known: np.ndarray, limit: int) -> np.ndarray:
    high, low = np.maximum(x, y), np.minimum(x, y)
    share = np.clip((high - limit) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    return known * np.where(low >= limit, high > limit, share)


def _longest(x: np.ndarray, y: np.ndarray, over: np.ndarray, limit: int, ok: np.ndarray) -> tuple[float, int]:
    at = np.flatnonzero((over > 0) & ok)
    if not len(at):
        return 0.0, 0
    breaks = np.flatnonzero((np.diff(at) > 1) | (x[at[1:]] <= limit)) + 1
    starts = np.append(0, breaks)
    return float(np.add.reduceat(over[at], starts).max()), len(starts)


# --- an SQL engine, by a range join ---------------------------------------------------------------

TIME_ABOVE = """sum(CASE WHEN u - t > {gap} THEN 0
 WHEN c > {n} AND d >= {n} OR d > {n} AND c >= {n} THEN q - p
 WHEN max(x, y) <= {n} THEN 0 WHEN min(x, y) >= {n} THEN q - p
 ELSE (q - p) * (max(x, y) - {n}) * 1.0 / abs(y - x) END)"""
JOIN = f"""
WITH pairs AS (
 SELECT s.k, s.a, s.b, r.t, r.c, r.e,
  lead(r.t) OVER w AS u, lead(r.c) OVER w AS d, lead(r.e) OVER w AS f
 FROM asked s JOIN reading r ON r.t >= s.a - {GAP} AND r.t <= s.b + {GAP}
 WINDOW w AS (PARTITION BY s.k ORDER BY r.t)),
cut AS (
 SELECT *, max(t, a) AS p, min(u, b) AS q,
  c + (d - c) * 1.0 * (max(t, a) - t) / (u - t) AS x, c + (d - c) * 1.0 * (min(u, b) - t) / (u - t) AS y,
  e + (f - e) * (max(t, a) - t) / (u - t) AS g, e + (f - e) * (min(u, b) - t) / (u - t) AS h
 FROM pairs WHERE u > a AND t < b)
SELECT k, total(CASE WHEN u - t <= {GAP} THEN q - p END),
 min(CASE WHEN u - t <= {GAP} THEN min(x, y) WHEN t >= a THEN c END),
 max(CASE WHEN u - t <= {GAP} THEN max(x, y) WHEN t >= a THEN c END),
 total(CASE WHEN u - t <= {GAP} THEN (q - p) * (g + h) / 2 END),
 {", ".join(TIME_ABOVE.format(n=n, gap=GAP) for n in LIMITS)}
FROM cut GROUP BY k ORDER BY k
"""


def stored(times: np.ndarray, centi: np.ndarray) -> sqlite3.Connection:
    """The readings as rows, by time; the rate already worked out, which favours the engine."""
    rates = np.exp(-10_000 / (centi / 100 + 273.15))
    base = sqlite3.connect(":memory:")
    base.execute("CREATE TABLE reading (t INTEGER PRIMARY KEY, c INTEGER, e REAL)")
    base.execute("CREATE TABLE asked (k INTEGER PRIMARY KEY, a INTEGER, b INTEGER)")
    rows = zip(times.tolist(), centi.tolist(), rates.tolist(), strict=True)
    base.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
    base.execute("ANALYZE")
    return base


def joined(base: sqlite3.Connection, a: int, b: int) -> list[float]:
    """Eight of the sixteen numbers of one stretch: covered, extremes, rate, four times above."""
    base.execute("DELETE FROM asked")
    base.execute("INSERT INTO asked VALUES (0, ?, ?)", (int(a), int(b)))
    row = base.execute(JOIN).fetchone()
    return [0.0, np.nan, np.nan, 0.0, *[0.0] * 4] if row is None else [
        np.nan if value is None else float(value) for value in row[1:]
    ]  # fmt: skip
