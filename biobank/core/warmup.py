"""The warming curve of a failed freezer, fitted to its readings, and when it reaches a limit.

A body in a warmer room follows Newton's law of cooling: T(t) = room − gap · exp(−t / tau). Fitted by least
squares (Gauss-Newton with damping, Levenberg 1944 and Marquardt 1963), in plain Python.

Promises: what is drawn on from readings is a supposition with a 95 % range, and the range says less when the
readings say less: it is `None` at an end that the readings do not tell, and is never narrower than one
recording interval. Where the curve does not fit, it says so and only a straight line is drawn on. Times are
UTC ms, temperatures hundredths of °C.

How the range is found. The standard error of the curve at a moment comes from those of the fitted values
(covariance s²(JᵀJ)⁻¹, delta method); the band is the curve ± t(0.975, n − p) of it, and the range is where
the band crosses the limit (inverse regression). Readings that hang together tell less than as many free
ones: with a first autocorrelation r of the residuals above nought the errors are stretched by
√((1 + r) / (1 − r)). When the room was only supposed (20 °C), the curve is fitted for 15 and 25 °C too,
and the range takes in all three.

What it leaves out: a freezer is not one body. Ice, cold packs and a full load melt at their own
temperatures and hold the curve there; an open door, or boxes taken out, make it steeper.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from biobank.core.least import Point, inverse_of, least_squares, normal, t_quantile

Reading = tuple[int, int]

HOUR = 3_600_000
ROOM, ROOM_LOW, ROOM_HIGH = 2000, 1500, 2500  # supposed, when nobody measured it
LEAST = 4  # readings, for two fitted values and something left to judge by
ROOM_LEAST, ROOM_SHARE = 20, 0.6  # readings, and how far the gap must have shrunk, to fit the room as well
ROOM_ERROR = 3.0  # K: a room that is known less well than this is not a finding
RISE = 100  # less than 1 K in all is no warming
NOISE = 50  # a step back of no more than 0.5 K is noise
MOST = 300  # readings that are used; of more, every second, third and so on
ROUGH, SLIGHT = 1.0, 0.25  # K, root mean square of the residuals: never fits; signs in a row do not matter
RUNS_Z = 2.58  # 1 % of Gaussian residuals are in fewer runs than this
AHEAD_MS = 72 * HOUR  # nothing is drawn on for longer


@dataclass(frozen=True)
class Reach:
    """When a limit is reached: a central moment, and from when to when. None: not known, or later than
    72 h after the newest reading. `reached`: the newest reading is at the limit or above it."""

    limit: int
    reached: bool = False
    at_ms: int | None = None
    earliest_ms: int | None = None
    latest_ms: int | None = None


@dataclass(frozen=True)
class Fit:
    """A curve through readings since `start_ms`. Values in K and hours from there.

    kind        `curve`, or `line` when the curve does not fit
    values      of a curve: gap, rate (1/tau), and the room when it was fitted; of a line: start and slope
    room        °C; fitted: from the readings themselves
    free        degrees of freedom; rms: root mean square of the residuals, K; stretch: see the module
    """

    kind: str
    start_ms: int
    newest: Reading
    readings: int
    every_ms: int
    values: tuple[float, ...]
    cov: tuple[tuple[float, ...], ...]
    free: int
    rms: float
    stretch: float
    room: float
    fitted: bool = False
    others: tuple[Fit, ...] = ()

    @property
    def tau_ms(self) -> float | None:
        """The time in which the gap to the room shrinks to 37 %; None for a line."""
        return HOUR / self.values[1] if self.kind == "curve" else None

    @property
    def tau_error_ms(self) -> float | None:
        """Standard error of tau, not stretched."""
        if self.kind != "curve":
            return None
        return HOUR * math.sqrt(self.cov[1][1]) / self.values[1] ** 2

    def at(self, at_ms: float) -> float:
        """The curve, °C."""
        return _value(self, (at_ms - self.start_ms) / HOUR)

    def band(self, at_ms: float) -> tuple[float, float]:
        """95 % range of the curve at a moment, °C, with those for the other rooms."""
        hours = (at_ms - self.start_ms) / HOUR
        ends = [_band(one, hours) for one in (self, *self.others)]
        return min(low for low, _ in ends), max(high for _, high in ends)

    def reach(self, limit: int) -> Reach:
        """When a limit is reached, counted from the newest reading on."""
        newest, now = self.newest
        if now >= limit:
            return Reach(limit, reached=True)
        centre = _first(lambda at: self.at(at) >= limit / 100, newest)
        early = _first(lambda at: self.band(at)[1] >= limit / 100, newest)
        late = _first(lambda at: self.band(at)[0] >= limit / 100, newest)
        return _wide(Reach(limit, False, centre, early, late), self.every_ms)


def _wide(one: Reach, every_ms: int) -> Reach:
    """Not narrower than one recording interval, around the central moment."""
    if one.at_ms is None or one.earliest_ms is None:
        return one
    half = -(-every_ms // 2)
    late = None if one.latest_ms is None else max(one.latest_ms, one.at_ms + half)
    return replace(one, earliest_ms=min(one.earliest_ms, one.at_ms - half), latest_ms=late)


def _first(holds: Callable[[float], bool], start: int) -> int | None:
    """The first moment from start at which this holds, to the second; None within 72 h. It is looked for
    in steps of 15 min and then halved."""
    step, at = HOUR // 4, start
    while not holds(at):
        at += step
        if at > start + AHEAD_MS:
            return None
    low = max(start, at - step)
    while at - low > 1000:
        middle = (low + at) // 2
        low, at = (low, middle) if holds(middle) else (middle, at)
    return at


# --- which readings -------------------------------------------------------------------------------


def warming(readings: Sequence[Reading], since_ms: int | None = None) -> list[Reading]:
    """The newest readings (oldest first) in which it warms up: from the last one that was as cold as the
    coldest (within 0.5 K), as far back as none was warmer than a later one by more than that.

    since_ms: no reading before it. Empty when the rise is less than 1 K in all, or it falls again.
    """
    said = [one for one in readings if since_ms is None or one[0] >= since_ms]
    if not said:
        return []
    first = coldest = len(said) - 1
    for k in range(len(said) - 1, -1, -1):
        if said[k][1] > said[coldest][1] + NOISE:
            break
        first, coldest = k, k if said[k][1] < said[coldest][1] else coldest
    low = said[coldest][1]
    start = max(k for k in range(first, len(said)) if said[k][1] <= low + NOISE)
    used = said[start:]
    top = max(centi for _, centi in used)
    return used if used[-1][1] - low >= RISE and used[-1][1] >= top - NOISE else []


def thinned(readings: Sequence[Reading]) -> list[Reading]:
    """At most 300 of them, evenly taken, the newest among them."""
    step = -(-len(readings) // MOST)
    return list(readings[::-1][::step][::-1]) if step > 1 else list(readings)


def interval(readings: Sequence[Reading]) -> int:
    """The usual time between two readings, ms (the median)."""
    steps = sorted(b[0] - a[0] for a, b in pairwise(readings))
    return steps[len(steps) // 2] if steps else 0


# --- the fit --------------------------------------------------------------------------------------


def fit(
    readings: Sequence[Reading], room_centi: int | None = None, every_ms: int | None = None
) -> Fit | None:
    """A curve, or a line where no curve fits, through readings that warm up (oldest first).

    room_centi  measured; None: fitted when the readings tell it (20 of them, and the gap has shrunk to
                60 %), else supposed to be 20 °C with 15 and 25 °C at the ends
    None with fewer than four readings, or when they do not rise.
    """
    used, every = thinned(readings), every_ms or interval(readings)
    if len(used) < LEAST or used[-1][0] == used[0][0]:
        return None
    start = used[0][0]
    points = [((at - start) / HOUR, centi / 100) for at, centi in used]
    base = Fit("curve", start, used[-1], len(readings), every, (), (), 0, 0.0, 1.0, ROOM / 100)
    found = _best(base, points, room_centi)
    if found is not None and _fits(found, points):
        return found
    straight = _line(replace(base, kind="line"), points)
    return straight if straight is not None and straight.values[1] > 0 else None


def _best(base: Fit, points: Sequence[Point], room_centi: int | None) -> Fit | None:
    if room_centi is not None:
        return curve(base, points, room_centi / 100)
    supposed = curve(base, points, ROOM / 100)
    if supposed is None:
        return None
    if len(points) >= ROOM_LEAST and math.exp(-supposed.values[1] * points[-1][0]) <= ROOM_SHARE:
        whole = _with_room(base, points, supposed)
        if whole is not None:
            return whole
    ends = (curve(base, points, ROOM_LOW / 100), curve(base, points, ROOM_HIGH / 100))
    return replace(supposed, others=tuple(one for one in ends if one is not None))


def curve(base: Fit, points: Sequence[Point], room: float) -> Fit | None:
    """Gap and rate, with the room given. None where the readings are as warm as the room, or fall."""
    gap, last = room - points[0][1], room - points[-1][1]
    if gap <= 0 or last <= 0 or last >= gap:
        return None
    rate = math.log(gap / last) / points[-1][0]
    values = least_squares(points, (gap, rate), lambda v, t: newton(v[0], v[1], room, t))
    return None if values is None or values[1] <= 0 else _judged(replace(base, room=room), points, values)


def _with_room(base: Fit, points: Sequence[Point], from_: Fit) -> Fit | None:
    """Gap, rate and room. None when the room is not told well by the readings."""
    begin = (*from_.values, from_.room)
    values = least_squares(points, begin, lambda v, t: newton(v[0], v[1], v[2], t))
    if values is None or values[1] <= 0 or values[2] <= points[-1][1]:
        return None
    found = _judged(replace(base, room=values[2], fitted=True), points, values)
    return found if math.sqrt(found.cov[2][2]) * found.stretch <= ROOM_ERROR else None


def newton(gap: float, rate: float, room: float, t: float) -> tuple[float, tuple[float, ...]]:
    """The curve and its derivatives by gap, rate and room."""
    left = math.exp(-rate * t)
    return room - gap * left, (-left, gap * t * left, 1.0)


def _line(base: Fit, points: Sequence[Point]) -> Fit | None:
    values = least_squares(points, (points[0][1], 0.0), lambda v, t: (v[0] + v[1] * t, (1.0, t)))
    return None if values is None else _judged(base, points, values)


def _value(one: Fit, t: float) -> float:
    return _model(one, t)[0]


def _model(one: Fit, t: float) -> tuple[float, tuple[float, ...]]:
    """The fitted curve at t hours, and its derivatives by what was fitted."""
    if one.kind == "line":
        return one.values[0] + one.values[1] * t, (1.0, t)
    value, slopes = newton(one.values[0], one.values[1], one.room, t)
    return value, slopes[: len(one.values)]


def _judged(base: Fit, points: Sequence[Point], values: tuple[float, ...]) -> Fit:
    """The fit with its covariance, residuals and stretch."""
    one = replace(base, values=values, free=len(points) - len(values))
    rows = [_model(one, t) for t, _ in points]
    left = [y - value for (_, y), (value, _) in zip(points, rows, strict=True)]
    square = sum(e * e for e in left)
    inverse = inverse_of(normal([slopes for _, slopes in rows]))
    s2 = square / one.free if one.free > 0 else math.inf
    cov = tuple(tuple(s2 * v for v in row) for row in inverse) if inverse else ()
    return replace(one, cov=cov, rms=math.sqrt(square / len(points)), stretch=_stretch(left))


def _stretch(left: Sequence[float]) -> float:
    """How much larger errors are because the residuals hang together."""
    square = sum(e * e for e in left)
    r = sum(a * b for a, b in pairwise(left)) / square if square > 0 else 0.0
    r = min(max(r, 0.0), 0.95)
    return math.sqrt((1 + r) / (1 - r))


def _fits(one: Fit, points: Sequence[Point]) -> bool:
    """Residuals are small, or they are not large and change sign as often as chance would have it
    (Wald and Wolfowitz's runs test)."""
    if not one.cov or one.rms > ROUGH:
        return False
    if one.rms <= SLIGHT:
        return True
    return _runs_z([y - _value(one, t) for t, y in points]) > -RUNS_Z


def _runs_z(left: Sequence[float]) -> float:
    signs = [e > 0 for e in left if e != 0]
    up, down = sum(signs), len(signs) - sum(signs)
    if not up or not down:
        return 0.0
    runs = 1 + sum(a != b for a, b in pairwise(signs))
    n, product = up + down, 2 * up * down
    spread = product * (product - n) / (n * n * (n - 1))
    return (runs - product / n - 1) / math.sqrt(spread) if spread > 0 else 0.0


def _band(one: Fit, t: float) -> tuple[float, float]:
    value, slopes = _model(one, t)
    var = sum(
        a * b * one.cov[i][j] for i, a in enumerate(slopes) for j, b in enumerate(slopes) if i < len(one.cov)
    )
    half = t_quantile(one.free) * one.stretch * math.sqrt(max(0.0, var))
    return value - half, value + half
