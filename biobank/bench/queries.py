"""What waits on the bench, and what can be made from a tube.

Promises: a fixed number of queries however many tubes wait; nothing is asked of storage.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from biobank.core import codes
from biobank.models import PlannedTube, Tube
from custody import queries as ledger
from custody.core.state import Happening, TubeState

SEPARATED = {"SER", "PL1", "BUF", "CEL"}  # only a spin brings them apart (SPREC: serum, plasma, buffy coat)
FIRST_ALIQUOT = 101  # numbers below are primaries


@dataclass(frozen=True)
class Waiting:
    """A tube on the bench. `since_ms`: how long ago it was drawn, or made, or last spun; None: not known."""

    state: TubeState
    planned: PlannedTube | None
    since_ms: int | None
    made: int = 0

    @property
    def code(self) -> str:
        return self.state.tube

    @property
    def left(self) -> int:
        """How many of the planned aliquots have not been made; none are planned from an aliquot."""
        if self.planned is None or self.state.parent is not None:
            return 0
        return max(0, sum(one.count for one in self.planned.made.all()) - self.made)


@dataclass
class Bench:
    """Everything that this agency holds and that is in no unit, by what should be done next; oldest first."""

    to_spin: list[Waiting] = field(default_factory=list)
    to_aliquot: list[Waiting] = field(default_factory=list)
    to_put_away: list[Waiting] = field(default_factory=list)

    @property
    def size(self) -> int:
        return len(self.to_spin) + len(self.to_aliquot) + len(self.to_put_away)


def bench(org: str, now_ms: int) -> Bench:
    """What waits for this agency at this moment. At most 8 queries."""
    held = ledger.find(custodian=org, status="held")
    names = [state.tube for state in held]
    planned = {row.code: row.planned for row in _labels(names)}
    said = ledger.histories(names)
    made = aliquots_of(names)
    found = Bench()
    for state in held:
        tube = state.tube
        spun = last(said[tube], "spun")
        since = last(said[tube], "drawn", "aliquoted")
        age = now_ms - since.at_ms if since else None
        waiting = Waiting(state, planned.get(tube), age, made.get(tube, 0))
        _list_for(found, waiting, spun is not None).append(waiting)
    for ones in (found.to_spin, found.to_aliquot, found.to_put_away):
        ones.sort(key=lambda one: -(one.since_ms or 0))
    return found


def _labels(names: Sequence[str]) -> Iterable[Tube]:
    return Tube.objects.filter(code__in=names).select_related("planned").prefetch_related("planned__made")


def _list_for(found: Bench, waiting: Waiting, spun: bool) -> list[Waiting]:
    if wants_spin(waiting.state, waiting.planned) and not spun:
        return found.to_spin
    return found.to_aliquot if waiting.left and waiting.state.volume_ul != 0 else found.to_put_away


def wants_spin(state: TubeState, planned: PlannedTube | None) -> bool:
    """Whether something is planned from this tube that only a spin brings apart; never from an aliquot."""
    if state.parent is not None:
        return False
    made = [one.matrix for one in planned.made.all()] if planned else []
    return any(matrix in SEPARATED for matrix in made or [state.matrix])


def last(said: Sequence[Happening], *kinds: str) -> Happening | None:
    """The newest of these acts that counts, on or into the tube (not one that took from it)."""
    counts = [
        one for one in said if one.kind in kinds and not one.voided and one.line["role"] in {"subj", "to"}
    ]
    return counts[-1] if counts else None


def aliquots_of(names: Sequence[str]) -> dict[str, int]:
    """How many aliquots were made from each of these tubes. 1 query."""
    found: dict[str, int] = {}
    for state in ledger.find(parent__in=names):
        found[state.parent or ""] = found.get(state.parent or "", 0) + 1
    return found


def is_aliquot_label(code: str) -> bool:
    return codes.number_of(code) >= FIRST_ALIQUOT


def empty(names: Sequence[str]) -> set[str]:
    """Those of these labels that hold nothing yet and were not voided or given up. 1 query."""
    states = ledger.states(names)
    return {name for name in names if name not in states or states[name].status in {"unknown", "labelled"}}
