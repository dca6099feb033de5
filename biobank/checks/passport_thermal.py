"""A tube's thermal life for a passport: one or two pictures, the numbers, the phases. Of many tubes at once.

Promises: time is counted from the start of the life (the draw), so no time of day can be read off; places are
phases (storage, on the way, work), never units. What a logger measured, what is assumed from a set point and
what nobody knows are told apart in words and in the drawing. Queries do not grow with the number of tubes.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

from biobank.core.acts_of_life import OUT, STORED, THAW, TRIP, WORK, Phase, words
from biobank.temperature import blocks
from biobank.temperature.life import Life, lived
from biobank.temperature.life_inputs import known_of
from biobank.temperature.life_plan import BORDERS, Part, Plan, plans_of
from biobank.temperature.life_words import Beyond, Share, beyond, percent
from biobank.temperature.scale import Frame, Scale, Tick
from biobank.temperature.shapes import Band, Trace
from biobank.temperature.trace import draw
from custody.core.phase import PhaseSummary
from custody.core.rule_words import celsius, listed
from custody.core.thermal import Series

HOUR, DAY = 3_600_000, 86_400_000
AFTER, LONGEST = 12 * HOUR, 72 * HOUR  # the first hours: to so long after the first freezer, never longer
FRAME = Frame(width=720, height=176, left=44, right=4, top=20, foot=24)
STEPS = [HOUR * n for n in (1, 2, 3, 6, 12)] + [
    DAY * n for n in (1, 2, 5, 10, 30, 60, 90, 180, 365, 730, 1825)
]
KINDS = {TRIP: "on the way", OUT: "out of storage", THAW: "out of storage, thawed"}


@dataclass(frozen=True)
class Row:
    """One phase: its letter in the drawing, words, numbers; within: a part of the phase before it."""

    letter: str
    words: str
    kind: str
    summary: PhaseSummary
    within: bool

    @property
    def length_ms(self) -> int:
        return self.summary.end_ms - self.summary.start_ms


@dataclass(frozen=True)
class Border:
    """Limits with the same numbers, coldest first, and these numbers."""

    limits: tuple[int, ...]
    said: Beyond

    @property
    def words(self) -> str:
        return listed([celsius(one) for one in self.limits])


@dataclass(frozen=True)
class Thermal:
    """pictures: (words, trace); rows: phases; whole: the sums; probes: what the loggers' probes were in.

    limits  all that were looked at (hundredths of °C); told: those that concern this tube, borders with the
            same numbers in one; never: the lowest that concerns it and above which it was not
    """

    whole: PhaseSummary
    rows: tuple[Row, ...]
    pictures: tuple[tuple[str, Trace], ...]
    limits: tuple[int, ...]
    probes: tuple[str, ...]
    doubts: tuple[str, ...]
    readings: int
    broken: int = 0
    shares: list[Share] = field(default_factory=list)
    never: int | None = None
    told: tuple[Border, ...] = ()

    @property
    def length_ms(self) -> int:
        return self.whole.end_ms - self.whole.start_ms

    @property
    def measured(self) -> str:
        return percent(self.whole.measured_ms, max(1, self.length_ms))


def thermals(codes: Iterable[str], now_ms: int, draws: bool = True) -> dict[str, Thermal]:
    """Of those tubes that ever held something. draws: with pictures."""
    plans = plans_of(codes)
    lives = lived(plans, known_of(plans.by_tube.values(), plans.highest), now_ms)
    parts = {code: list(_parts(plans.by_tube[code], life)) for code, life in lives.items()}
    series = _series(parts.values()) if draws else {}
    return {
        code: _thermal(life, _pictures(life, parts[code], series) if draws else ())
        for code, life in lives.items()
    }


def _thermal(life: Life, pictures: Sequence[tuple[str, Trace]]) -> Thermal:
    letters = _letters(life)
    rows = tuple(
        Row(letters[place(one.phase)], told(one.phase), one.phase.kind, one.summary, one.phase.within)
        for one in life.phases
    )
    media = dict.fromkeys(medium for one in life.used.values() for medium in one.media)
    return Thermal(
        life.whole, rows, tuple(pictures), tuple(life.limits), tuple(media), tuple(life.notes),
        life.readings, len(life.broken), life.shares,
    )  # fmt: skip


def concerning(found: Thermal, asked: Collection[int], since: str) -> Thermal:
    """With what concerns this tube: limits that a rule about it names, and the common borders that it was
    on both sides of. since: what its life is counted from, in a word."""
    above, below = found.whole.above, found.whole.below
    wanted = [one for one in found.limits if one in asked or (one in BORDERS and below.get(one))]
    rows = tuple(replace(one, words=one.words.replace("Draw", since.capitalize())) for one in found.rows)
    crossed = beyond(found.whole, [one for one in wanted if above.get(one)])
    never = min((one for one in wanted if one in above and not above[one]), default=None)
    return replace(found, rows=rows, told=tuple(_borders(crossed)), never=never)


def _borders(rows: Iterable[Beyond]) -> Iterator[Border]:
    """Neighbours with the same numbers as one."""
    for _, some in groupby(rows, key=lambda one: replace(one, limit=0)):
        alike = list(some)
        yield Border(tuple(one.limit for one in alike), alike[0])


def told(phase: Phase) -> str:
    """A phase without its place: `Draw to spin`, `Frozen storage`, `On the way`."""
    return words(phase) if phase.kind == WORK else place(phase).capitalize()


def place(phase: Phase) -> str:
    """What stands for the place in drawing and table."""
    if phase.kind == STORED:
        return "frozen storage" if phase.frozen else "storage, not frozen"
    return KINDS.get(phase.kind, "at work")


def _letters(life: Life) -> dict[str, str]:
    return {
        name: chr(65 + k) for k, name in enumerate(dict.fromkeys(place(one.phase) for one in life.phases))
    }


# --- pictures -------------------------------------------------------------------------------------


def _parts(plan: Plan, life: Life) -> Iterator[Part]:
    """The life's parts up to now, neighbours of one logger and set point as one."""
    held: Part | None = None
    for one in plan.parts:
        if one.start >= life.asof_ms:
            break
        one = Part(one.start, min(one.end, life.asof_ms), one.logger, one.nominal)
        if held and (held.end, held.logger, held.nominal) == (one.start, one.logger, one.nominal):
            held = Part(held.start, one.end, held.logger, held.nominal)
            continue
        if held:
            yield held
        held = one
    if held:
        yield held


def _series(lives: Iterable[Sequence[Part]]) -> dict[int, Series]:
    """What each logger read in any of these lives. 7 queries."""
    spans: dict[int, tuple[int, int]] = {}
    for parts in lives:
        for one in parts:
            if one.logger is not None:
                start, end = spans.get(one.logger, (one.start, one.end))
                spans[one.logger] = min(start, one.start), max(end, one.end)
    return {logger: loaded.series() for logger, loaded in blocks.each(spans)}


def _pictures(life: Life, parts: Sequence[Part], series: Mapping[int, Series]) -> list[tuple[str, Trace]]:
    start, end, until = life.start_ms, life.asof_ms, _first(life)
    found = []
    if until < end:
        found.append(("The first hours", _picture(life, parts, series, until, "first")))
    found.append(
        ("The whole life" if found else "From the draw to now", _picture(life, parts, series, end, "whole"))
    )
    return [(title, one) for title, one in found if one.drawn and end > start]


def _first(life: Life) -> int:
    """Twelve hours after it came into its first freezer; all of it when that is not much longer."""
    start, end = life.start_ms, life.asof_ms
    frozen = [one.phase.start_ms for one in life.phases if one.phase.kind == STORED and one.phase.frozen]
    until = min(min(frozen, default=start) + AFTER, start + LONGEST)
    return until if end - start > 2 * (until - start) else end


def _picture(life: Life, parts: Sequence[Part], series: Mapping[int, Series], end: int, name: str) -> Trace:
    start, letters = life.start_ms, _letters(life)
    here = [(one, one.start, min(one.end, end)) for one in parts if one.start < end]
    measured = [(series[p.logger], a, b) for p, a, b in here if p.logger is not None and p.logger in series]
    assumed = [(a, b, p.nominal) for p, a, b in here if p.logger is None and p.nominal is not None]
    bands = [
        Band(one.phase.start_ms, min(one.phase.end_ms, end), place(one.phase),
             fill=1 + ord(letters[place(one.phase)]) - 65)
        for one in life.phases if one.phase.start_ms < end and not one.phase.within
    ]  # fmt: skip
    trace = draw(measured, bands, start, end, "UTC", frame=FRAME, assumed=assumed)
    trace.name, trace.tz = name, ""
    if trace.scale is not None:
        trace.x_ticks = list(ticks(trace.scale))
    return trace


def ticks(scale: Scale) -> Iterator[Tick]:
    """Round stretches of time from the start on, eight or so."""
    length = scale.end - scale.start
    step = next((one for one in STEPS if length / one <= 8), STEPS[-1])
    for k in range(int(length // step) + 1):
        x = scale.x(scale.start + k * step)
        yield Tick(x, since(k * step), "end" if x > scale.frame.edge - 24 else "middle", k * step)


def since(length_ms: int) -> str:
    if length_ms % DAY or not length_ms:
        return f"{length_ms // HOUR} h" if length_ms else "0"
    days = length_ms // DAY
    return f"{days // 365} y" if days % 365 == 0 else f"{days} d"
