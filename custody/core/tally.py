"""What is added up over the stretches of a phase, or of a whole life, as they come in time order.

Promises: an excursion goes on across a move when the sample leaves one place beyond the limit and enters the
next beyond it; the sample's frozen or thawed state goes with it; time of which nothing is known ends an
excursion (and leaves it open), keeps the state and makes it unsure. Floats until the end: nothing is rounded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .edge import TRAPEZOID, Edge
from .kinetic import rate_at
from .spec import Spec

if TYPE_CHECKING:
    from .measured import Measured
    from .spans import Runs


@dataclass
class Beyond:
    """The excursions past one edge: total ms, how many, the longest and whether it is open, and the one that
    is under way (run_ms 0: none) with whether it began at the edge of what is known."""

    ms: float = 0.0
    count: int = 0
    longest: float = 0.0
    open: bool = False
    run_ms: float = 0.0
    run_open: bool = False

    def add(self, runs: Runs, k: int, length: float, known: bool, unsure: bool) -> None:
        """The k-th stretch. known: it begins with data; unsure: what came before was not known."""
        count = int(runs.count[k])
        if not count:
            self.close(not known)
            return
        lead, out = float(runs.lead_in[k]), float(runs.run_out[k])
        self.ms += float(runs.ms[k])
        self.count += count
        if lead > 0:
            self._lead(lead, unsure)
            if lead >= length and out > 0:  # else it touches the limit just as the stretch ends
                return
            self.close(bool(runs.lead_open[k]))
        else:
            self.close(not known)
        self._consider(float(runs.inner[k]), bool(runs.inner_open[k]))
        if out > 0:
            self.run_ms, self.run_open = out, bool(runs.out_open[k])

    def hold(self, length: float, beyond: bool, unsure: bool) -> None:
        """A stretch at one temperature."""
        if not beyond:
            self.close(False)
            return
        self.ms += length
        self.count += 1
        self._lead(length, unsure)

    def _lead(self, ms: float, unsure: bool) -> None:
        if self.run_ms > 0:
            self.count -= 1  # it is the same one
        else:
            self.run_open = unsure
        self.run_ms += ms

    def close(self, at_gap: bool) -> None:
        """The excursion under way ends here."""
        if self.run_ms > 0:
            self._consider(self.run_ms, self.run_open or at_gap)
        self.run_ms, self.run_open = 0.0, False

    def _consider(self, ms: float, is_open: bool) -> None:
        if ms > self.longest:
            self.longest, self.open = ms, is_open
        elif ms == self.longest and ms > 0:
            self.open = self.open or is_open


@dataclass
class Tally:
    """Everything that is added up. frozen, sure: the sample's state as it comes, and whether that is known.

    unsure  what came just before is not known (as before the first stretch, where the phase is cut)
    """

    spec: Spec
    frozen: bool = False
    sure: bool = True
    measured: float = 0.0
    assumed: float = 0.0
    rate: float = 0.0
    low: float = math.inf
    high: float = -math.inf
    warmest: float = -math.inf  # with assumed time
    used: float = 0.0
    thaws: int = 0
    thaws_unsure: bool = False
    seen: bool = False  # a certain state was seen
    unsure: bool = True
    methods: set[str] = field(default_factory=set)
    beyond: dict[Edge, Beyond] = field(init=False)

    def __post_init__(self) -> None:
        self.beyond = {edge: Beyond() for edge in self.spec.edges}
        self.thaws_unsure = not self.sure

    # --- what a stretch can be ------------------------------------------------------------------

    def add(self, found: Measured, k: int, length: float) -> None:
        """A stretch that a logger governs: the k-th of what its series said."""
        self._instants(found, k, length)
        self.measured += float(found.ms[k])
        self.rate += float(found.rate[k])
        if found.ms[k] > 0:
            self.methods.add(found.method)
        known = bool(found.at_start[k])
        for edge, one in self.beyond.items():
            one.add(found.runs[edge], k, length, known, self.unsure)
        if bands := self.spec.bands:
            self.used += bands.used(float(found.ms[k]), lambda edge: float(found.above_bands[edge][k]))
        self.unsure = not found.at_end[k]

    def _instants(self, found: Measured, k: int, length: float) -> None:
        """Extremes and states, which need no time: a reading between two gaps counts."""
        if not math.isnan(found.low[k]):
            self.low, self.high = min(self.low, float(found.low[k])), max(self.high, float(found.high[k]))
            self.warmest = max(self.warmest, self.high)
        if found.thaws is None:
            return
        silent = float(found.ms[k]) < length
        first, settled = int(found.thaws.first[k]), bool(found.thaws.settled[k])
        if first:
            self.thaws += int(found.thaws.cycles[k])
            self._state(thawed=first > 0)
            self.frozen = bool(found.thaws.last[k] < 0)
            self.sure = True
        if silent:
            self._silent(settled)

    def assume(self, nominal: float, length: float) -> None:
        """A stretch at a set point that no logger watched."""
        self.assumed += length
        self.rate += length * rate_at(nominal)
        self.warmest = max(self.warmest, nominal)
        for edge, one in self.beyond.items():
            one.hold(length, edge.beyond(nominal), self.unsure)
        if self.spec.bands:
            self.used += length * self.spec.bands.used_at(nominal)
        if self.spec.thaw and not self.spec.thaw[0] <= nominal <= self.spec.thaw[1]:
            self._state(thawed=nominal > self.spec.thaw[1])
            self.sure = True
        self.unsure = False

    def unknown(self, length: float) -> None:
        """A stretch of which nothing is known: no data, and in the rule what the specification says."""
        if self.spec.gaps == "worst":
            self._worst(length)
        else:
            for one in self.beyond.values():
                one.close(True)
            self.unsure = True
        self._silent(settled=False)

    def gap(self, found: Measured, k: int, length: float, nominal: float | None) -> None:
        """A silent part of a stretch that a logger governs; a reading may stand at its start."""
        self._instants(found, k, 0.0)
        if self.spec.gaps == "nominal" and nominal is not None:
            self.assume(nominal, length)
        else:
            self.unknown(length)

    def _worst(self, length: float) -> None:
        for one in self.beyond.values():
            one.hold(length, True, self.unsure)
        if self.spec.bands:
            self.used += length * self.spec.bands.worst
        if self.spec.thaw:
            self._state(thawed=True)
        self.unsure = False

    # --- state ----------------------------------------------------------------------------------

    def _state(self, *, thawed: bool) -> None:
        """A moment at which the state is certain."""
        self.thaws += thawed and self.frozen
        self.frozen = not thawed
        self.seen = True

    def _silent(self, settled: bool) -> None:
        self.thaws_unsure = True
        self.sure = settled

    @property
    def method(self) -> str:
        """How the rate was made: by the trapezoid where there are lines, else as the readings say."""
        return " and ".join(sorted(self.methods, reverse=True)) or TRAPEZOID

    def close(self) -> None:
        """The phase ends here, and cuts what is under way."""
        for one in self.beyond.values():
            one.close(True)
