"""A logger's series walked piece by piece with scipy, to hold the tables of custody.core.thermal against.

It shares no code with them: crossings come from scipy.optimize.brentq, integrals from scipy.integrate.quad,
and everything else is counted on the pieces between crossings. Source of what is counted: the definitions at
the head of custody/core/thermal.py.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from itertools import pairwise

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq

B = 10_000.0  # K, USP 29 <1160>


def rate(centi):
    return math.exp(-B / (centi / 100 + 273.15))


class Walk:
    """One series. Times ms, values centi, gap limit ms."""

    def __init__(self, times, centi, gap, step=False):
        self.times, self.centi, self.step = list(times), list(centi), step
        self.pieces = [
            (t, u, x, x if step else y)
            for (t, u), x, y in zip(pairwise(self.times), self.centi, self.centi[1:], strict=False)
            if u - t <= gap
        ]

    def cut(self, a, b):
        """Pieces inside [a, b), with the values at their two ends."""
        for t, u, x, y in self.pieces:
            p, q = max(t, a), min(u, b)
            if p < q:
                at_p, at_q = np.interp([p, q], [t, u], [x, y])
                yield p, q, float(at_p), float(at_q)

    def covered(self, a, b):
        return sum(q - p for p, q, _, _ in self.cut(a, b))

    def parts(self, a, b, limits):
        """The pieces cut again wherever a limit is crossed."""
        for p, q, x, y in self.cut(a, b):
            crossed = {_root(x, y, n) for n in limits if min(x, y) < n < max(x, y)}
            for s, r in pairwise(sorted({0.0, 1.0} | crossed)):
                yield p + (q - p) * s, p + (q - p) * r, x + (y - x) * s, x + (y - x) * r

    def above(self, a, b, limit):
        return sum(q - p for p, q, x, y in self.parts(a, b, [limit]) if (x + y) / 2 > limit)

    def runs(self, a, b, limit):
        """Lengths of the excursions above the limit."""
        found, end, last = [], None, None
        for p, q, x, y in self.parts(a, b, [limit]):
            if (x + y) / 2 <= limit:
                end = None
                continue
            joined = end == p and x > limit + 1e-6 and last > limit + 1e-6
            found[-1:] = [found[-1] + q - p] if joined else [*found[-1:], q - p]
            end, last = q, y
        return found

    def extremes(self, a, b):
        values = [c for t, c in zip(self.times, self.centi, strict=True) if a <= t < b]
        for p, q, x, y in self.cut(a, b):
            values += [x] if p == a else []
            values += [y] if q == b else []
        return (min(values), max(values)) if values else (math.nan, math.nan)

    def thaws(self, a, b, freeze, thaw, frozen):
        said = [(t, 1, c) for t, c in zip(self.times, self.centi, strict=True) if a <= t < b]
        for p, q, x, y in self.cut(a, b):
            said += [(p, 0, x)] if p == a else []
            said += [(q, 0, y)] if q == b else []
        cycles = 0
        for _, _, value in sorted(said):
            if value > thaw:
                cycles, frozen = cycles + frozen, False
            elif value < freeze:
                frozen = True
        return cycles, frozen

    def used(self, a, b, edges, limits):
        parts = self.parts(a, b, edges)
        return sum((q - p) / limits[bisect_left(edges, (x + y) / 2)] for p, q, x, y in parts)

    def trapezoid(self, a, b):
        """Integral of the rate where the rate itself is a straight line between readings."""
        total = 0.0
        for t, u, x, y in self.pieces:
            p, q = max(t, a), min(u, b)
            if p < q:
                total += quad(lambda s, t=t, u=u, x=x, y=y: _between(s, t, u, rate(x), rate(y)), p, q)[0]
        return total

    def exact(self, a, b):
        """Integral of the rate where the temperature is a straight line between readings."""
        total = 0.0
        for p, q, x, y in self.cut(a, b):
            for s, r in pairwise(np.linspace(0, 1, 9)):
                f = lambda z, x=x, y=y: rate(x + (y - x) * z)  # noqa: E731
                total += (q - p) * quad(f, s, r, epsabs=0, epsrel=1e-11)[0]
        return total


def _between(s, t, u, x, y):
    return x + (y - x) * (s - t) / (u - t)


def _root(x, y, n):
    """Where, from 0 to 1, a line from x to y passes n."""
    return brentq(lambda s: x + (y - x) * s - n, 0.0, 1.0, xtol=1e-15, rtol=1e-14)
