"""How warm each tube was, phase by phase, and what a logger saw.

Promises: the number of queries does not grow with the number of tubes; time without a governing logger
is assumed at the set point or not known, never good; nothing here writes.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from itertools import groupby, pairwise

from django.db.models import Count, Max, Min, Q

from biobank.models import Logger, LoggerPlacement, ReadingBlock, Unit
from biobank.temperature import blocks, warmed
from biobank.temperature.places import FREEZE, THAW, Piece, Tree, class_of
from biobank.temperature.trace import Band, Trace, draw
from biobank.temperature.where import Histories as Histories
from biobank.temperature.where import life as life
from biobank.temperature.where import pieces_of as pieces_of
from biobank.temperature.where import stood
from biobank.temperature.where import tree as tree
from custody import queries as ledger
from custody.core import fold
from custody.core.phase import PhaseSummary, Stretch, join
from custody.core.spec import Spec
from custody.core.state import Happening
from custody.core.thermal import Excursion, Measured, Series

# --- phases ---------------------------------------------------------------------------------------


Window = tuple[int, int]  # from, to, UTC ms


@dataclass
class _Asked:
    """All stretches of one logger, each once, and then what its series said of them."""

    places: dict[Window, int] = field(default_factory=dict)
    said: Measured | None = None

    def ask(self, piece: Piece) -> int:
        return self.places.setdefault((piece.start, piece.end), len(self.places))

    @property
    def span(self) -> Window:
        return min(start for start, _ in self.places), max(end for _, end in self.places)


@dataclass(frozen=True)
class Laid:
    """Where tubes were, cut where what governs or what happened changes; no reading was looked at yet."""

    pieces: Mapping[str, list[tuple[Piece, warmed.Marks]]]
    events: warmed.Warmed

    def frozen_from(self, key: str) -> int | None:
        """When it first stood in what freezes; None: never."""
        return next(
            (p.start for p, _ in self.pieces.get(key, ()) if class_of(p.nominal, p.kind) == "frozen"), None
        )


@dataclass(frozen=True)
class Lived:
    """A tube's phases, and the same of each window that was asked for."""

    phases: list[PhaseSummary]
    windows: Mapping[Window, list[PhaseSummary]]


def phases_of(
    codes: Iterable[str], limits_centi: Iterable[int], now_ms: int, histories: Histories | None = None
) -> dict[str, list[PhaseSummary]]:
    """Every tube's phases, oldest first, named `frozen`, `cold` or `ambient` after the set point.

    From the moment the tube had content (drawn, or made from its parent) to when it was discarded, or
    now. Time in no unit (in hand, in a bag) is `ambient` and no data. A stretch under a thermal event of
    its unit is a phase of its own. `histories`: the ledger's, if the caller has them already. At most 20
    queries however many tubes, 16 with histories.
    """
    told = ledger.histories(codes) if histories is None else histories
    found = lived(laid(told, now_ms), limits_centi)
    return {code: one.phases for code, one in found.items()}


def laid(histories: Histories, now_ms: int) -> Laid:
    """Where each tube was. At most 14 queries however many tubes."""
    places = tree(stood(histories))
    events = warmed.load(places.stays)
    return Laid(
        {code: _marked(code, said, places, now_ms, events) for code, said in histories.items()}, events
    )


def lived(
    where: Laid, limits_centi: Iterable[int], windows: Mapping[str, Iterable[Window]] | None = None
) -> dict[str, Lived]:
    """Every tube's phases and, for tubes that have some, windows: each logger is loaded once for all of
    them. 2 queries, and those of the loggers. What of a window lies outside the tube's life is left out."""
    spec = Spec(tuple(sorted(set(limits_centi))), thaw=(FREEZE, THAW))
    wanted = {code: list(some) for code, some in (windows or {}).items()}
    pieces = {
        code: _cut(one, {at for window in wanted.get(code, ()) for at in window})
        for code, one in where.pieces.items()
    }
    asked: dict[int, _Asked] = {}
    for one in pieces.values():
        _asking(one, asked)
    _measure(asked, spec)

    made: dict[tuple[tuple[Piece, warmed.Marks], ...], list[PhaseSummary]] = {}

    def phases(code: str, window: Window | None = None) -> list[PhaseSummary]:
        """Tubes of one box often lived the very same: worked out once."""
        inside = tuple(
            one
            for one in pieces[code]
            if window is None or (window[0] <= one[0].start and one[0].end <= window[1])
        )
        if inside not in made:
            made[inside] = list(_phases(_asking(inside, asked), asked, spec, where.events))
        return made[inside]

    return {
        code: Lived(phases(code), {one: phases(code, one) for one in wanted.get(code, ())}) for code in pieces
    }


Row = tuple[Piece, warmed.Marks, int | None]  # the place among what its logger was asked


def _asking(pieces: Iterable[tuple[Piece, warmed.Marks]], asked: dict[int, _Asked]) -> list[Row]:
    return [
        (p, marks, None if p.logger is None else asked.setdefault(p.logger, _Asked()).ask(p))
        for p, marks in pieces
    ]


def _cut(
    pieces: Sequence[tuple[Piece, warmed.Marks]], borders: Collection[int]
) -> Sequence[tuple[Piece, warmed.Marks]]:
    """The same pieces, none of which goes over a border."""
    if not borders:
        return pieces
    found: list[tuple[Piece, warmed.Marks]] = []
    for piece, marks in pieces:
        at = [piece.start, *sorted(one for one in borders if piece.start < one < piece.end), piece.end]
        found += [(replace(piece, start=a, end=b), marks) for a, b in pairwise(at)]
    return found


def _marked(
    code: str, said: Sequence[Happening], places: Tree, now_ms: int, events: warmed.Warmed
) -> list[tuple[Piece, warmed.Marks]]:
    return events.mark(pieces_of(code, said, places, now_ms), fold.stays(code, said) if events else [])


def _measure(asked: Mapping[int, _Asked], spec: Spec) -> None:
    for logger, loaded in blocks.each({logger: one.span for logger, one in asked.items()}):
        places = asked[logger].places
        starts, ends = [start for start, _ in places], [end for _, end in places]
        asked[logger].said = loaded.series().measure(starts, ends, spec)


def _phases(
    rows: Sequence[Row],
    asked: Mapping[int, _Asked],
    spec: Spec,
    events: warmed.Warmed,
) -> Iterable[PhaseSummary]:
    """The sample's frozen or thawed state goes from phase to phase."""
    for (name, held), group in groupby(rows, key=lambda row: (class_of(row[0].nominal, row[0].kind), row[1])):
        stretches, found = _stretches(group, asked)
        phase = join(name, stretches, spec, found)
        yield _thawed(events.worse(phase, held, spec.limits), held, spec.starts_frozen, events)
        spec = replace(spec, starts_frozen=bool(phase.frozen_after))


def _thawed(phase: PhaseSummary, held: warmed.Marks, frozen: bool, events: warmed.Warmed) -> PhaseSummary:
    """With one thaw at least, when it came frozen and an event was warm enough for one."""
    most = max((n for event in held if (n := events.highest[event]) is not None), default=None)
    if not frozen or most is None or most <= THAW or phase.thaws:
        return phase
    return replace(phase, thaws=1, thaws_unsure=True)


def _stretches(
    rows: Iterable[Row], asked: Mapping[int, _Asked]
) -> tuple[list[Stretch], list[tuple[Measured, int] | None]]:
    stretches: list[Stretch] = []
    found: list[tuple[Measured, int] | None] = []
    for piece, _, k in rows:
        said = asked[piece.logger].said if piece.logger is not None else None
        # A logger that stood there and said nothing leaves no data: its unit's set point is not assumed.
        nominal = piece.nominal if piece.logger is None else None
        stretches.append(Stretch(piece.start, piece.end, None, nominal))
        found.append((said, k) if said is not None and k is not None else None)
    return stretches, found


# --- loggers --------------------------------------------------------------------------------------


def loggers() -> list[Logger]:
    """Every logger with `first_day`, `last_day`, `low`, `high`, `blocks` and `now_in` (Unit or None).

    3 queries. Minimum and maximum are of readings, from the blocks' own figures.
    """
    found = list(Logger.objects.select_related("agency"))
    figures = {
        row["logger"]: row
        for row in ReadingBlock.objects.filter(current=True).order_by().values("logger").annotate(
            first_day=Min("day"), last_day=Max("day"), low=Min("low_centi"), high=Max("high_centi"),
            blocks=Count("pk"),
        )
    }  # fmt: skip
    open_ones = LoggerPlacement.objects.filter(to_ms=None).select_related("unit")
    now_in = {placement.logger_id: placement.unit for placement in open_ones}
    for logger in found:
        logger.figures = figures.get(logger.pk)  # type: ignore[attr-defined]
        if logger.figures:  # type: ignore[attr-defined]
            logger.figures["first"] = day_of(logger.figures["first_day"])  # type: ignore[attr-defined]
            logger.figures["last"] = day_of(logger.figures["last_day"])  # type: ignore[attr-defined]
        logger.now_in = now_in.get(logger.pk)  # type: ignore[attr-defined]
    return found


def day_of(day: int) -> date:
    """The date of an epoch day."""
    return date(1970, 1, 1) + timedelta(days=day)


def span_of(logger: Logger) -> tuple[int, int] | None:
    """From the first reading to just after the last, UTC ms; None without readings. 1 query."""
    held = ReadingBlock.objects.filter(logger=logger, current=True)
    found = held.aggregate(first=Min("first_ms"), last=Max("last_ms"))
    return None if found["first"] is None else (found["first"], found["last"] + 1)


def excursions(
    logger: Logger, limit_centi: int, start_ms: int, end_ms: int, *, below: bool = False
) -> list[Excursion]:
    """Every stretch that this logger spent above (or below) a limit. 1 query."""
    return _excursions(
        blocks.load(logger.pk, start_ms, end_ms).series(), limit_centi, start_ms, end_ms, below
    )


def _excursions(series: Series, limit: int, start: int, end: int, below: bool = False) -> list[Excursion]:
    return series.excursions_below(limit, start, end) if below else series.excursions(limit, start, end)


def unit_excursions(unit: Unit, start_ms: int, end_ms: int) -> list[Excursion]:
    """Every stretch above the unit's alarm, or below it, by whichever logger governed, oldest first.

    A run is cut where the governing logger changes. Empty without an alarm. At most 14 queries.
    """
    pieces = [p for p in tree().over(unit.code, start_ms, end_ms) if p.logger is not None]
    found: list[Excursion] = []
    for logger, loaded in blocks.each(_spans(pieces)):
        series = loaded.series()
        for piece in pieces:
            if piece.logger == logger:
                found += _beyond(series, piece.start, piece.end, unit)
    return sorted(found, key=lambda one: one.start_ms)


def _beyond(series: Series, start: int, end: int, unit: Unit) -> list[Excursion]:
    found: list[Excursion] = []
    if unit.alarm_above_centi is not None:
        found += _excursions(series, unit.alarm_above_centi, start, end)
    if unit.alarm_below_centi is not None:
        found += _excursions(series, unit.alarm_below_centi, start, end, below=True)
    return found


# --- pictures -------------------------------------------------------------------------------------


def logger_trace(logger: Logger, start_ms: int, end_ms: int, tz: str, raw: bool = False) -> Trace:
    """What the logger saw, with where it stood and that place's alarms. 8 queries. raw: as it was read."""
    placements = LoggerPlacement.objects.filter(
        Q(to_ms=None) | Q(to_ms__gt=start_ms), logger=logger, from_ms__lt=end_ms
    ).select_related("unit")
    bands = [
        Band(
            max(p.from_ms, start_ms), min(end_ms if p.to_ms is None else p.to_ms, end_ms), p.unit.code,
            p.unit.alarm_above_centi, p.unit.alarm_below_centi,
        )
        for p in placements
    ]  # fmt: skip
    loaded = blocks.load(logger.pk, start_ms, end_ms, raw)
    return draw([(loaded.series(), start_ms, end_ms)], bands, start_ms, end_ms, tz, broken=loaded.broken)


def tube_trace(code: str, now_ms: int, tz: str = "UTC") -> Trace:
    """What the governing loggers saw while the tube was in their units, with its stays coloured.

    At most 20 queries. `trace.empty` when the tube never had content.
    """
    said = ledger.histories([code]).get(code, [])
    places = tree(stood({code: said}))
    pieces = pieces_of(code, said, places, now_ms)
    if not pieces:
        return draw([], [], now_ms, now_ms, tz)
    start, end = pieces[0].start, pieces[-1].end
    parts = []
    for logger, loaded in blocks.each(_spans(pieces)):
        series = loaded.series()
        parts += [(series, p.start, p.end) for p in pieces if p.logger == logger]
    parts.sort(key=lambda part: part[1])
    return draw(parts, _stays(code, said, start, end), start, end, tz)


def _spans(pieces: Iterable[Piece]) -> dict[int, tuple[int, int]]:
    spans: dict[int, tuple[int, int]] = {}
    for piece in pieces:
        if piece.logger is not None:
            a, b = spans.get(piece.logger, (piece.start, piece.end))
            spans[piece.logger] = (min(a, piece.start), max(b, piece.end))
    return spans


def _stays(code: str, said: Sequence[Happening], start: int, end: int) -> list[Band]:
    """The tube's stays as bands, with the alarms of its box or of the nearest unit above that has any."""
    alarms = {
        unit: (above, below)
        for unit, above, below in Unit.objects.values_list("code", "alarm_above_centi", "alarm_below_centi")
    }
    parent = ledger.units()
    found = []
    for stay in fold.stays(code, said):
        a, b = max(stay.start_ms, start), min(end if stay.end_ms is None else stay.end_ms, end)
        if a < b:
            found.append(Band(a, b, stay.unit, *_alarms(stay.unit, alarms, parent)))
    return found


def _alarms(
    unit: str | None, alarms: Mapping[str, tuple[int | None, int | None]], parent: Mapping[str, str | None]
) -> tuple[int | None, int | None]:
    seen: set[str] = set()
    while unit is not None and unit not in seen:
        seen.add(unit)
        if any(limit is not None for limit in alarms.get(unit, ())):
            return alarms[unit]
        unit = parent.get(unit)
    return None, None
