"""Every unit with a logger, an alarm or a set point: how cold it is now, and whether that is right.

Promises: a fixed number of queries however many units there are; "in range" is said only of a unit that has a
limit and a reading that is not old.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from django.db.models import Max, Q

from biobank.models import AlarmSetting, LoggerPlacement, ReadingBlock, Unit
from biobank.temperature import blocks, queries
from biobank.temperature.places import ALWAYS, NEVER, Placed, Tree
from biobank.temperature.reduce import Bars, by_days, cut, reduced
from biobank.temperature.scale import Frame, Scale, fitted
from biobank.temperature.trace import path as points_of
from custody.core.thermal import Series

DAY = 86_400_000
RECENT, MONTH = DAY, 30 * DAY
SILENCE_S = 3600  # without a setting of the unit's alarm
SPARK = Frame(width=132, height=40, left=2, right=2, top=4, foot=4)
ORDER = ["above", "below", "silent", "none", "no_limit", "no_logger", "in_range"]
SIGNS = {
    "above": "stop", "below": "stop", "silent": "cannot_tell", "none": "cannot_tell", "no_limit": "note",
    "no_logger": "note", "in_range": "pass",
}  # fmt: skip


@dataclass(frozen=True)
class Spark:
    """A small picture: lines or bars in a box of SPARK's size, limits as levels, and the same in words."""

    lines: list[str] = field(default_factory=list)
    bars: list[tuple[float, float, float, float]] = field(default_factory=list)
    limits: list[float] = field(default_factory=list)
    low: int | None = None
    high: int | None = None

    width, height = SPARK.width, SPARK.height


@dataclass
class Row:
    """One unit. holder: whose limits count; state: one of ORDER, since: from when (UTC ms)."""

    unit: Unit
    logger: str = ""
    from_unit: str = ""
    medium: str = ""
    nominal: int | None = None
    holder: Unit | None = None
    last: tuple[int, int] | None = None
    age_ms: int = 0
    state: str = "no_logger"
    since: int | None = None
    at_least: bool = False
    day: Spark = field(default_factory=Spark)
    month: Spark = field(default_factory=Spark)

    @property
    def sign(self) -> str:
        return SIGNS[self.state]

    @property
    def limits(self) -> list[int]:
        both = (self.holder.alarm_above_centi, self.holder.alarm_below_centi) if self.holder else ()
        return [one for one in both if one is not None]


def rows(now_ms: int) -> list[Row]:
    """Those that need somebody first. At most 16 queries and those of corrections."""
    tree = queries.tree(Unit.objects.values_list("code", flat=True))  # tops too, for their set points
    units = _units()
    holders = {u.pk: u for u in units if (u.alarm_above_centi, u.alarm_below_centi) != (None, None)}
    limits = Tree(tree.stays, {}, {u.code: [Placed(ALWAYS, NEVER, u.pk)] for u in holders.values()})
    found = [_row(unit, tree, limits, holders, now_ms) for unit in units]
    loggers = {pk for _, pk in found if pk is not None}
    placed = _placed(loggers)
    near = {n: one.series() for n, one in blocks.each({n: (now_ms - 7 * DAY, now_ms) for n in loggers})}
    month, last = _figures(loggers, now_ms)
    silences = dict(AlarmSetting.objects.values_list("unit__code", "silence_s"))
    for row, pk in found:
        if pk is not None:
            where = placed.get(pk)
            row.logger = where.logger.code if where else ""
            row.from_unit = where.unit.code if where and where.unit_id != row.unit.pk else ""
            row.medium = str(where.get_medium_display()) if where else ""
            silence = 1000 * silences.get(row.unit.code, SILENCE_S)
            interval = where.logger.interval_ms if where else 0
            _told(row, near.get(pk), last.get(pk), max(silence, 3 * interval), now_ms)
            row.day = _day(row, near.get(pk), now_ms)
            row.month = _month(row, month.get(pk, []), now_ms)
    return sorted((row for row, _ in found), key=lambda row: (ORDER.index(row.state), row.unit.code))


def _units() -> list[Unit]:
    return list(Unit.objects.filter(
        Q(alarm_above_centi__isnull=False) | Q(alarm_below_centi__isnull=False)
        | Q(nominal_centi__isnull=False) | Q(logger_placements__to_ms=None, logger_placements__isnull=False)
    ).distinct().order_by("code"))  # fmt: skip


def _row(
    unit: Unit, tree: Tree, limits: Tree, holders: Mapping[int, Unit], now: int
) -> tuple[Row, int | None]:
    (piece,) = tree.over(unit.code, now, now + 1)
    (limit,) = limits.over(unit.code, now, now + 1)
    holder = holders.get(limit.logger) if limit.logger is not None else None
    return Row(unit, nominal=piece.nominal, holder=holder), piece.logger


def _placed(loggers: Iterable[int]) -> dict[int, LoggerPlacement]:
    rows = LoggerPlacement.objects.filter(logger_id__in=loggers, to_ms=None, governing=True)
    return {one.logger_id: one for one in rows.select_related("logger", "unit")}


Month = list[tuple[int, int, int]]  # day, lowest, highest


def _figures(loggers: Iterable[int], now: int) -> tuple[dict[int, Month], dict[int, int]]:
    """The last 30 days of each logger from its blocks, and its last reading's moment. 2 queries."""
    month: dict[int, Month] = {}
    rows = ReadingBlock.objects.filter(logger_id__in=loggers, current=True).order_by("logger_id", "day")
    recent = rows.filter(day__gte=(now - MONTH) // DAY, day__lte=now // DAY, low_centi__isnull=False)
    for logger, *rest in recent.values_list("logger_id", "day", "low_centi", "high_centi"):
        month.setdefault(logger, []).append((rest[0], rest[1], rest[2]))
    newest = rows.order_by().values("logger_id").annotate(at=Max("last_ms"))
    return month, dict(newest.values_list("logger_id", "at"))


def _told(row: Row, series: Series | None, last: int | None, silence: int, now: int) -> None:
    """The state in one word, from the newest reading that is not in the future."""
    row.state = "none" if last is None else "silent"
    row.since = last
    if series is None or not len(series):
        return
    k = int(np.searchsorted(series.times_ms, now, side="right")) - 1
    if k < 0:
        return
    at, value = int(series.times_ms[k]), int(series.centi[k])
    row.last, row.age_ms, row.since = (at, value), now - at, at
    if row.age_ms > silence:
        row.state = "silent"
        return
    row.state = "in_range" if row.limits else "no_limit"
    above = row.holder.alarm_above_centi if row.holder else None
    below = row.holder.alarm_below_centi if row.holder else None
    if above is not None and value > above:
        row.state = "above"
        _since(row, series, k, series.centi > above)
    elif below is not None and value < below:
        row.state = "below"
        _since(row, series, k, series.centi < below)


def _since(row: Row, series: Series, k: int, beyond: np.ndarray) -> None:
    """The first reading of the unbroken row of readings beyond the limit; earlier ones were not looked at."""
    inside = np.flatnonzero(~(beyond[:k] & series.linked[:k]))
    first = int(inside[-1]) + 1 if len(inside) else 0
    row.since, row.at_least = int(series.times_ms[first]), first == 0


def _day(row: Row, series: Series | None, now: int) -> Spark:
    curve = cut(series, now - RECENT, now) if series is not None else None
    if curve is None:
        return Spark()
    low, high = int(curve.centi.min()), int(curve.centi.max())
    scale = _scale(row, now - RECENT, now, low, high)
    few = reduced(curve, now - RECENT, now, SPARK.columns)
    lines = [points_of(scale, t, c, curve.step) for t, c in few.pieces if len(t) > 1]
    return Spark(lines, [], _levels(row, scale), low, high)


def _month(row: Row, days: Month, now: int) -> Spark:
    if not days:
        return Spark()
    bars: Bars = by_days(*zip(*days, strict=True), 31)  # type: ignore[arg-type]
    low, high = int(bars.low.min()), int(bars.high.max())
    scale = _scale(row, now - MONTH, now, low, high)
    boxes = []
    for a, b, least, most in zip(bars.starts, bars.ends, bars.low, bars.high, strict=True):
        x1, x2 = scale.x(max(int(a), now - MONTH)), scale.x(min(int(b), now))
        top, foot = scale.y(float(most)), scale.y(float(least))
        if x2 > x1:
            boxes.append((x1, top, round(max(1.0, x2 - x1 - 0.6), 1), round(max(1.5, foot - top), 1)))
    return Spark([], boxes, _levels(row, scale), low, high)


def _scale(row: Row, start: int, end: int, low: int, high: int) -> Scale:
    near = [
        one for one in row.limits if low - 3000 <= one <= high + 3000
    ]  # a far limit would flatten the line
    return fitted(SPARK, start, end, min([low, *near]), max([high, *near]))


def _levels(row: Row, scale: Scale) -> list[float]:
    return [scale.y(one) for one in row.limits if scale.low <= one <= scale.high]


def worst(found: Sequence[Row]) -> int:
    """How many units need somebody."""
    return sum(row.state in ("above", "below", "silent") for row in found)
