"""Least squares for a curve with two or three unknown values, and Student's t.

Promises: plain arithmetic on floats; what has no answer is None, never an exception. Gauss-Newton with
damping (Levenberg 1944, Marquardt 1963).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

Point = tuple[float, float]
Slopes = tuple[float, ...]
Model = Callable[
    [Slopes, float], tuple[float, Slopes]
]  # (values, t): the curve, and its derivatives by each value


def least_squares(
    points: Sequence[Point], begin: tuple[float, ...], model: Model
) -> tuple[float, ...] | None:
    """The values that make the sum of squares smallest, from a first guess. None: it does not settle."""
    values, damping = begin, 1e-3
    now = _sum(points, values, model)
    for _ in range(200):
        step = _step(points, values, model, damping)
        if step is None:
            return None
        tried = tuple(a + b for a, b in zip(values, step, strict=True))
        then = _sum(points, tried, model)
        if then <= now:
            small = all(abs(b) <= 1e-10 * (abs(a) + 1e-10) for a, b in zip(values, step, strict=True))
            values, now, damping = tried, then, damping / 10
            if small:
                return values
        else:
            damping *= 10
            if damping > 1e12:
                return values
    return values


def _sum(points: Sequence[Point], values: tuple[float, ...], model: Model) -> float:
    try:
        return sum((y - model(values, t)[0]) ** 2 for t, y in points)
    except OverflowError:
        return math.inf


def _step(
    points: Sequence[Point], values: tuple[float, ...], model: Model, damping: float
) -> tuple[float, ...] | None:
    n = len(values)
    rows = [model(values, t) for t, _ in points]
    matrix = normal([slopes[:n] for _, slopes in rows])
    inverse = inverse_of(
        [[v * (1 + damping * (i == j)) for j, v in enumerate(row)] for i, row in enumerate(matrix)]
    )
    if inverse is None:
        return None
    right = [
        sum(slopes[i] * (y - value) for (_, y), (value, slopes) in zip(points, rows, strict=True))
        for i in range(n)
    ]
    return tuple(sum(a * b for a, b in zip(row, right, strict=True)) for row in inverse)


def normal(rows: Sequence[tuple[float, ...]]) -> list[list[float]]:
    n = len(rows[0])
    return [[sum(row[i] * row[j] for row in rows) for j in range(n)] for i in range(n)]


def inverse_of(given: Sequence[Sequence[float]]) -> list[list[float]] | None:
    """Of a small square matrix, by elimination; None when it has none."""
    n = len(given)
    rows = [[*row, *(float(i == j) for j in range(n))] for i, row in enumerate(given)]
    for k in range(n):
        best = max(range(k, n), key=lambda i: abs(rows[i][k]))
        rows[k], rows[best] = rows[best], rows[k]
        if rows[k][k] == 0 or not math.isfinite(rows[k][k]):
            return None
        rows[k] = [v / rows[k][k] for v in rows[k]]
        for i in range(n):
            if i != k:
                rows[i] = [a - rows[i][k] * b for a, b in zip(rows[i], rows[k], strict=True)]
    return [row[n:] for row in rows]


# Student's t at 0.975, 1 to 9 degrees of freedom: NIST/SEMATECH e-Handbook of Statistical Methods,
# 1.3.6.7.2
FEW = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262)
Z = 1.959964


def t_quantile(free: int) -> float:
    """Student's t at 0.975: by table up to 9 degrees of freedom, then by the Cornish-Fisher expansion
    (Abramowitz and Stegun 26.7.5). Without degrees of freedom: infinite."""
    if free < 1:
        return math.inf
    if free <= len(FEW):
        return FEW[free - 1]
    g1, g2 = (Z**3 + Z) / 4, (5 * Z**5 + 16 * Z**3 + 3 * Z) / 96
    g3 = (3 * Z**7 + 19 * Z**5 + 17 * Z**3 - 15 * Z) / 384
    return Z + g1 / free + g2 / free**2 + g3 / free**3
