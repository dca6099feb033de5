"""A tube's whole life in one pass: each phase, and all of them together.

Promises: an excursion that goes on across the border of two phases counts whole in the life and cut in each
phase; the sample's frozen or thawed state goes from phase to phase, so a thaw counts in the phase in which it
happened and once in the life; every stretch is measured once. For many lives each logger is loaded once and
asked about all its stretches at once.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

from .phase import Found, PhaseSummary, Stretch, finish, run_through
from .spec import Spec
from .tally import Tally

if TYPE_CHECKING:
    from .measured import Measured
    from .thermal import Series

Key = TypeVar("Key", bound=Hashable)
Spans = dict[Hashable, tuple[int, int]]
Load = Callable[[Spans], Iterable[tuple[Hashable, "Series"]]]


@dataclass(frozen=True)
class Phase:
    """A named part of a life: its stretches, in time order; at least one."""

    name: str
    stretches: Sequence[Stretch]


@dataclass(frozen=True)
class Life:
    """The phases in their order, and the whole of it."""

    phases: tuple[PhaseSummary, ...]
    whole: PhaseSummary


def life(
    phases: Sequence[Phase],
    wanted: Iterable[int] | Spec,
    found: Sequence[Sequence[Found | None]] | None = None,
    name: str = "life",
) -> Life:
    """One life. found: as for `phase.join`, one row for each phase.

    Time between two phases belongs to none of them; in the life it is no data.
    ValueError: no phase, a phase without a stretch, or stretches that are not in time order.
    """
    if not phases:
        raise ValueError("a life has at least one phase")
    spec = Spec.of(wanted)
    whole, clock, done = Tally(spec, spec.starts_frozen), None, []
    for k, phase in enumerate(phases):
        if clock is not None and phase.stretches and phase.stretches[0].start_ms > clock:
            whole.unknown(phase.stretches[0].start_ms - clock)
            clock = phase.stretches[0].start_ms
        part = Tally(spec, whole.frozen, whole.sure)
        start, clock = run_through([part, whole], phase.stretches, None if found is None else found[k], clock)
        done.append(finish(phase.name, start, clock, part))
    return Life(tuple(done), finish(name, done[0].start_ms, done[-1].end_ms, whole))


@dataclass
class _Asked:
    """All stretches of one logger, and then what its series said of them."""

    starts: list[int] = field(default_factory=list)
    ends: list[int] = field(default_factory=list)
    said: Measured | None = None

    def ask(self, stretch: Stretch) -> int:
        self.starts.append(stretch.start_ms)
        self.ends.append(stretch.end_ms)
        return len(self.starts) - 1


def lives(plans: Mapping[Key, Sequence[Phase]], wanted: Iterable[int] | Spec, load: Load) -> dict[Key, Life]:
    """Many lives whose stretches name their loggers (`Stretch.logger`).

    load  is given, for each logger, from when to when (ms) it is asked about, and yields each logger's
          series once, in any order; each is dropped before the next. A logger that it leaves out, or that
          said nothing, leaves no data: its set point is not assumed, unless gaps count as nominal.
    Until the last logger was asked, about 50 bytes are kept for each stretch and each side of a limit: 250 MB
    for 600,000 stretches and four limits.
    """
    spec = Spec.of(wanted)
    asked: dict[Hashable, _Asked] = {}
    where = {
        key: [[_place(asked, one) for one in phase.stretches] for phase in plan]
        for key, plan in plans.items()
    }
    for logger, series in load({who: (min(one.starts), max(one.ends)) for who, one in asked.items()}):
        asked[logger].said = series.measure(asked[logger].starts, asked[logger].ends, spec)
    return {key: life(plan, spec, _found(plan, where[key], asked)) for key, plan in plans.items()}


def _place(asked: dict[Hashable, _Asked], stretch: Stretch) -> int:
    if stretch.logger is None:
        return -1
    return asked.setdefault(stretch.logger, _Asked()).ask(stretch)


def _found(
    plan: Sequence[Phase], where: Sequence[Sequence[int]], asked: Mapping[Hashable, _Asked]
) -> list[list[Found | None]]:
    found: list[list[Found | None]] = []
    for phase, places in zip(plan, where, strict=True):
        said = [None if one.logger is None else asked[one.logger].said for one in phase.stretches]
        found.append([None if x is None else (x, k) for x, k in zip(said, places, strict=True)])
    return found
