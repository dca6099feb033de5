"""How warm a tube was in each phase of its life, and in all of it.

Promises: measured + assumed + no data is each phase and the whole life; an hour without a reading is never
counted as measured, nor as below or above a limit; a thermal event only makes it worse; the sample's frozen
or thawed state goes with it from place to place; each logger is loaded once however many tubes there are. The
mean kinetic temperature is not given for anything that was frozen. Nothing here writes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from biobank.core.acts_of_life import Phase, words
from biobank.models import LoggerPlacement
from biobank.models.loggers import DAY_MS
from biobank.temperature import blocks, corrections, life_sum
from biobank.temperature.corrections import Note
from biobank.temperature.life_inputs import Inputs, Known, known_of
from biobank.temperature.life_plan import Part, Plan, Plans, plans_of
from biobank.temperature.life_words import Beyond, Share, beyond, shares
from biobank.temperature.places import FREEZE, THAW
from custody.core.phase import PhaseSummary
from custody.core.spec import Spec
from custody.core.thermal import Measured

MEDIUM = dict(LoggerPlacement.Medium.choices)


@dataclass(frozen=True)
class Used:
    """A logger that governed. media: what its probe was in; readings: how many lie in the life; notes: what
    is to be said of them (clock unchecked, no valid certificate, left out); broken: days whose seal is
    broken."""

    code: str
    media: tuple[str, ...]
    readings: int
    notes: tuple[str, ...] = ()
    broken: tuple[int, ...] = ()


@dataclass(frozen=True)
class Lived:
    """One phase: which, what is known of it, which loggers governed (ids), what is to be said of their
    readings.

    open  it still goes on, and is as of the life's `asof_ms`
    """

    phase: Phase
    summary: PhaseSummary
    words: str
    loggers: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()
    open: bool = False

    @property
    def length_ms(self) -> int:
        return self.summary.end_ms - self.summary.start_ms

    @property
    def shares(self) -> list[Share]:
        return shares(self.summary)


@dataclass(frozen=True)
class Life:
    """A tube's life from `start_ms` to `asof_ms` (UTC ms): its end, or up to when it was worked out (`open`).

    limits  hundredths of °C; used: by logger id; units: those it stood in, and what these stood in
    """

    tube: str
    start_ms: int
    asof_ms: int
    open: bool
    limits: tuple[int, ...]
    phases: tuple[Lived, ...]
    whole: PhaseSummary
    used: Mapping[int, Used]
    units: tuple[str, ...]
    inputs: Inputs

    @property
    def shares(self) -> list[Share]:
        return shares(self.whole)

    @property
    def rows(self) -> list[tuple[Lived, list[Used]]]:
        """Each phase with the loggers that governed in it."""
        return [(one, [self.used[pk] for pk in one.loggers]) for one in self.phases]

    @property
    def length_ms(self) -> int:
        return self.asof_ms - self.start_ms

    @property
    def beyond(self) -> list[tuple[str, Lived | None, list[Beyond]]]:
        """Time beyond each limit: of the whole life, then of each phase of which anything is known."""
        rows: list[tuple[str, Lived | None, list[Beyond]]] = [
            ("The whole life", None, beyond(self.whole, self.limits))
        ]
        return rows + [
            (one.words, one, beyond(one.summary, self.limits)) for one in self.phases if one.summary.above
        ]

    @property
    def doubts(self) -> list[tuple[str, str]]:
        """What is to be said of the readings: (logger, words)."""
        return [(one.code, note) for one in self.used.values() for note in one.notes]

    @property
    def broken(self) -> list[tuple[str, int]]:
        """(logger, epoch day) whose stored readings no longer match their seal."""
        return [(one.code, day) for one in self.used.values() for day in one.broken]

    @property
    def readings(self) -> int:
        return sum(one.readings for one in self.used.values())

    @property
    def notes(self) -> list[str]:
        return list(dict.fromkeys(note for one in self.phases for note in one.notes))


def life_of(code: str, now_ms: int) -> Life | None:
    """One tube's life up to now; None: it was never filled. At most 37 queries, and 4 for each generation."""
    return lives_of([code], now_ms).get(code)


def lives_of(codes: Iterable[str], now_ms: int) -> dict[str, Life]:
    """The lives of those tubes that ever held something. As many queries for many tubes as for one."""
    plans = plans_of(codes)
    return lived(plans, known_of(plans.by_tube.values(), plans.highest), now_ms)


def lived(plans: Plans, known: Known, now_ms: int, only: Iterable[str] | None = None) -> dict[str, Life]:
    """The lives behind plans, or behind some of them. 7 queries."""
    wanted = plans.by_tube if only is None else {code: plans.by_tube[code] for code in only}
    cut = {code: _upto(plan, now_ms) for code, plan in wanted.items() if plan.start < min(plan.end, now_ms)}
    world = _World(plans, known, _ask(cut.values()))
    return {code: world.life(wanted[code], plan) for code, plan in cut.items()}


# --- up to a moment -------------------------------------------------------------------------------


def _upto(plan: Plan, now_ms: int) -> Plan:
    """What of it lies before now. What is known to come is not yet a part of the life."""
    end = min(plan.end, now_ms)
    parts = (one if one.end <= end else replace(one, end=end) for one in plan.parts if one.start < end)
    phases = (
        one if one.end_ms <= end else replace(one, end_ms=end, until="")
        for one in plan.phases
        if one.start_ms < end
    )
    return replace(plan, end=end, gone=plan.end <= now_ms, parts=tuple(parts), phases=tuple(phases))


# --- loggers --------------------------------------------------------------------------------------


@dataclass
class _Asked:
    """All stretches of one logger, each once, and then what its readings said of them."""

    places: dict[tuple[int, int], int] = field(default_factory=dict)
    said: Measured | None = None
    counts: Sequence[int] = ()
    notes: Sequence[Note] = ()
    broken: tuple[int, ...] = ()

    def place(self, part: Part) -> int:
        return self.places.setdefault((part.start, part.end), len(self.places))

    @property
    def span(self) -> tuple[int, int]:
        return min(start for start, _ in self.places), max(end for _, end in self.places)


def _ask(plans: Iterable[Plan]) -> dict[int, _Asked]:
    asked: dict[int, _Asked] = {}
    limits: set[int] = set()
    for plan in plans:
        limits.update(plan.limits)
        for part in plan.parts:
            if part.logger is not None:
                asked.setdefault(part.logger, _Asked()).place(part)
    spec = Spec(tuple(sorted(limits)), thaw=(FREEZE, THAW))
    for logger, loaded in blocks.each({pk: one.span for pk, one in asked.items()}):
        one, series = asked[logger], loaded.series()
        starts, ends = (np.array([span[k] for span in one.places], np.int64) for k in (0, 1))
        one.said = series.measure(starts, ends, spec)
        one.counts = (
            np.searchsorted(series.times_ms, ends) - np.searchsorted(series.times_ms, starts)
        ).tolist()
        one.notes, one.broken = loaded.notes, tuple(loaded.broken)
    return asked


# --- one life -------------------------------------------------------------------------------------


@dataclass
class _World:
    """What is the same for all lives, and the sums of those already made: tubes of one box often had the very
    same life."""

    plans: Plans
    known: Known
    asked: Mapping[int, _Asked]
    made: dict[object, tuple[tuple[Lived, ...], PhaseSummary, dict[int, Used]]] = field(default_factory=dict)

    def life(self, plan: Plan, cut: Plan) -> Life:
        """The life behind a plan, of which `cut` lies before now."""
        key = (cut.parts, cut.phases, cut.limits, cut.gone)
        if key not in self.made:
            self.made[key] = self._made(cut)
        phases, whole, used = self.made[key]
        return Life(
            cut.tube,
            cut.start,
            cut.end,
            not cut.gone,
            cut.limits,
            phases,
            whole,
            used,
            cut.units,
            self.known.of(plan),
        )

    def _made(self, cut: Plan) -> tuple[tuple[Lived, ...], PhaseSummary, dict[int, Used]]:
        spans = [(one.start_ms, one.end_ms) for one in cut.phases]
        found = [_found(part, self.asked) for part in cut.parts]
        spec = Spec(cut.limits, thaw=(FREEZE, THAW))
        sums, whole = life_sum.add_up(cut.parts, found, spans, spec, self.plans.highest)
        phases = tuple(
            _lived(phase, summary, cut, self.plans.names, self.asked)
            for phase, summary in zip(cut.phases, sums, strict=True)
        )
        return phases, _warm(whole, cut.parts), _used(cut, self.known, self.asked)


def _found(part: Part, asked: Mapping[int, _Asked]) -> tuple[Measured, int] | None:
    one = asked.get(part.logger) if part.logger is not None else None
    return None if one is None or one.said is None else (one.said, one.place(part))


def _lived(
    phase: Phase,
    summary: PhaseSummary,
    cut: Plan,
    names: Mapping[str, str],
    asked: Mapping[int, _Asked],
) -> Lived:
    inside = [p for p in cut.parts if p.start >= phase.start_ms and p.end <= phase.end_ms]
    loggers = tuple(dict.fromkeys(p.logger for p in inside if p.logger is not None))
    notes = [
        note.words
        for part in inside
        if part.logger is not None
        for note in corrections.within(asked[part.logger].notes, part.start, part.end)
    ]
    return Lived(
        phase, _warm(summary, inside), words(phase, names), loggers, tuple(dict.fromkeys(notes)),
        not cut.gone and phase.end_ms == cut.end,
    )  # fmt: skip


def _warm(summary: PhaseSummary, parts: Sequence[Part]) -> PhaseSummary:
    """Without a mean kinetic temperature where anything was, or may have been, frozen: there it says
    nothing."""
    frozen = any(part.nominal is not None and part.nominal < FREEZE for part in parts)
    frozen = frozen or (summary.min_centi is not None and summary.min_centi < FREEZE)
    return replace(summary, mean_kinetic_centi=None) if frozen else summary


def _used(cut: Plan, known: Known, asked: Mapping[int, _Asked]) -> dict[int, Used]:
    found: dict[int, Used] = {}
    for logger in dict.fromkeys(part.logger for part in cut.parts if part.logger is not None):
        parts, one = [part for part in cut.parts if part.logger == logger], asked[logger]
        media = [
            MEDIUM[medium]
            for start, end, medium, _ in known.placed.get(logger, ())
            if any(part.start < end and part.end > start for part in parts)
        ]
        said = [note.words for part in parts for note in corrections.within(one.notes, part.start, part.end)]
        count = sum(one.counts[one.place(part)] for part in parts) if one.said is not None else 0
        broken = tuple(day for day in one.broken if any(_meets(part, day) for part in parts))
        found[logger] = Used(
            known.codes[logger][0], tuple(dict.fromkeys(media)), count, tuple(dict.fromkeys(said)), broken
        )
    return found


def _meets(part: Part, day: int) -> bool:
    return part.start < (day + 1) * DAY_MS and part.end > day * DAY_MS
