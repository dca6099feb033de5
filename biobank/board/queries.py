"""What the countdown board shows: every tube of an agency that still waits for an act, most urgent first.

Promises: a fixed number of queries however many tubes wait; time runs from the draw, by the plan and by the
rule set in force, whichever ends first; tubes in freezers are never asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from biobank.bench.queries import last, wants_spin
from biobank.checks.verdicts import clock_in, dues_of
from biobank.core import rotor as core
from biobank.models import PlannedTube, Rotor, Tube, Unit
from biobank.templatetags.words import when
from custody import queries as ledger
from custody.core.rules import Due
from custody.core.state import Happening, TubeState

MINUTE = 60_000
SOON_MIN = 15  # common practice, no source: one run of a centrifuge and the loading
CARRIED = ["cooler", "shipper", "bench"]
VERBS = {"spun": "Spin", "aliquoted": "Separate", "frozen": "Freeze", "put_away": "Put away"}


@dataclass(frozen=True)
class Limit:
    """An act with its window, UTC ms; `why`: the plan, or a rule's code."""

    act: str
    from_ms: int | None
    by_ms: int
    why: str


@dataclass(frozen=True)
class Line:
    """A tube on the board with the limit that ends first. `now_ms`: when the board was drawn."""

    state: TubeState
    planned: PlannedTube | None
    limit: Limit
    now_ms: int
    tz: str

    @property
    def code(self) -> str:
        return self.state.tube

    @property
    def left(self) -> int:
        """Whole minutes left; below nought when late. The last second of a window is 0 and not late."""
        return (self.limit.by_ms - self.now_ms) // MINUTE

    @property
    def clots(self) -> bool:
        return self.limit.from_ms is not None and self.now_ms < self.limit.from_ms

    @property
    def until(self) -> str:
        return self._clock(self.limit.by_ms)

    @property
    def clots_until(self) -> str:
        return self._clock(self.limit.from_ms or 0)

    def _clock(self, at_ms: int) -> str:
        """Hours and minutes; a day or more away with the date."""
        far = abs(at_ms - self.now_ms) >= 1440 * MINUTE
        return when(at_ms, self.tz) if far else clock_in(self.tz)(at_ms)

    @property
    def big(self) -> tuple[int, str]:
        """The large number with its unit: hours from ten hours on, rounded down."""
        return (self.minutes, "min") if self.minutes < 600 else (self.minutes // 60, "h")

    @property
    def minutes(self) -> int:
        """The large number: to wait, left, or late by."""
        if self.clots and self.limit.from_ms is not None:
            return -((self.now_ms - self.limit.from_ms) // MINUTE)
        return abs(self.left)

    @property
    def word(self) -> str:
        """late, clots (wait), soon, in time."""
        if self.left < 0:
            return "late"
        return "clots" if self.clots else "soon" if self.left <= SOON_MIN else "in time"

    @property
    def verb(self) -> str:
        return VERBS.get(self.limit.act, "Act")


@dataclass(frozen=True)
class Proposal:
    rotor: Rotor
    runs: core.Runs


@dataclass(frozen=True)
class Board:
    """`lines`: by urgency; `free`: tubes without any limit; `proposals`: runs for each rotor by itself."""

    lines: list[Line]
    free: int
    proposals: list[Proposal]
    rotors: int


def board(org: str, now_ms: int, tz: str) -> Board:
    """The board of one agency at this moment."""
    states = {one.tube: one for one in _in_hand(org)}
    planned = {row.code: row.planned for row in _labels(states)}
    said, dues = ledger.histories(states), dues_of(states, now_ms, tz)
    waits = {
        code: state
        for code, state in states.items()
        if wants_spin(state, planned.get(code)) and not last(said[code], "spun")
    }
    lines, wanted = [], []
    for code, state in states.items():
        limits = [*_of_plan(planned.get(code), said[code]), *_of_rules(dues.get(code, []))]
        if code in waits:
            wanted.append(_wanted(state, planned.get(code), limits))
        if limits:
            first = min(limits, key=lambda one: one.by_ms)
            lines.append(Line(state, planned.get(code), first, now_ms, tz))
    lines.sort(key=lambda one: (one.limit.by_ms, one.code))
    here = [one for one in wanted if states[one.tube].status != "in_transit"]
    rotors = list(Rotor.objects.filter(agency__code=org, retired=False))
    proposals = [Proposal(one, core.runs(one.core(), here, now_ms)) for one in rotors if here]
    return Board(lines, len(states) - len(lines), proposals, len(rotors))


def _in_hand(org: str) -> Iterator[TubeState]:
    """Held, in a cooler, shipper or on a bench (or in what stands there), and on the way to this agency."""
    yield from ledger.find(custodian=org, status="held")
    yield from ledger.find(pending_to=org, status="in_transit")
    yield from ledger.find(custodian=org, status="stored", unit__in=_carried())


def _carried() -> set[str]:
    inside = set(Unit.objects.filter(kind__in=CARRIED).values_list("code", flat=True))
    parents = ledger.units()
    while more := {unit for unit, parent in parents.items() if parent in inside} - inside:
        inside |= more
    return inside


def _labels(names: Iterable[str]) -> Iterable[Tube]:
    found = Tube.objects.filter(code__in=list(names)).select_related("planned")
    return found.prefetch_related("planned__made")


def _of_plan(planned: PlannedTube | None, said: Sequence[Happening]) -> Iterator[Limit]:
    """What the plan of a primary tube asks, from the draw on; nothing when the draw is not known."""
    drawn = last(said, "drawn")
    if planned is None or drawn is None or last(said, "aliquoted"):
        return
    spun = last(said, "spun") is not None
    clotted = None if planned.clot_min is None else drawn.at_ms + planned.clot_min * MINUTE
    if planned.clot_max_min is not None and not spun:
        yield Limit("spun", clotted, drawn.at_ms + planned.clot_max_min * MINUTE, "plan")
    gel = planned.additive == "SST"  # a gel parts serum from the clot at the spin
    if planned.separate_min is not None and not (spun if gel else _taken(said)):
        act = "spun" if gel or (not spun and wants_spin_of(planned)) else "aliquoted"
        yield Limit(
            act, clotted if act == "spun" else None, drawn.at_ms + planned.separate_min * MINUTE, "plan"
        )


def wants_spin_of(planned: PlannedTube) -> bool:
    return planned.spin_g is not None


def _taken(said: Sequence[Happening]) -> bool:
    """Whether something was taken from this tube."""
    return any(one.kind == "aliquoted" and not one.voided and one.line["role"] == "from" for one in said)


def _of_rules(dues: Iterable[Due]) -> Iterator[Limit]:
    for one in dues:
        yield Limit(one.act, one.from_ms, one.by_ms, one.rule.code)


def _wanted(state: TubeState, planned: PlannedTube | None, limits: Sequence[Limit]) -> core.Wanted:
    spins = [one for one in limits if one.act == "spun"]
    starts = [one.from_ms for one in spins if one.from_ms is not None]
    return core.Wanted(
        state.tube, max(starts, default=None), min((one.by_ms for one in spins), default=None),
        planned.spin_g if planned else None, planned.spin_minutes if planned else None,
        (planned.volume_ul if planned else None) or state.volume_ul or 1, state.volume_ul,
    )  # fmt: skip
