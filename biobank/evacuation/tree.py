"""What stands below a unit, now or at another moment, and where it went since.

Promises: where units stood comes from the ledger alone; a fixed number of queries however many units there
are; a loop of units is walked once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from biobank.acting import ms
from biobank.models import Evacuation, Unit
from biobank.store.classes import PASSING
from biobank.store.suggest import DEVICES
from custody import queries as ledger
from custody.core.state import UnitStay

Parents = Mapping[str, str | None]
Path = tuple[str, ...]

IN, HAND, WAY, SAFE = "in", "hand", "way", "safe"


def below(top: str, parent_of: Parents) -> dict[str, Path]:
    """Every unit in this one, however deep, with the codes from just below the top down to it."""
    inside: dict[str, list[str]] = {}
    for code, above in parent_of.items():
        if above is not None:
            inside.setdefault(above, []).append(code)
    found: dict[str, Path] = {}
    waiting: list[tuple[str, Path]] = [(top, ())]
    while waiting:
        code, path = waiting.pop()
        for child in inside.get(code, ()):
            if child != top and child not in found:
                found[child] = (*path, child)
                waiting.append((child, found[child]))
    return found


def upwards(code: str, parent_of: Parents) -> list[str]:
    """What this unit stands in, and so on outwards; without itself."""
    path, up = [], parent_of.get(code)
    while up is not None and up != code and up not in path:
        path.append(up)
        up = parent_of.get(up)
    return path


@dataclass(frozen=True)
class Moved:
    """One move since an evacuation began: `to` is None when it was taken out and put nowhere yet."""

    at_ms: int
    unit: str
    to: str | None


@dataclass(frozen=True)
class Standing:
    """Where units stand now, where they stood then, and what moved in between."""

    now: Parents
    then: Parents
    stays: Mapping[str, list[UnitStay]] = field(default_factory=dict)


def standing(then_ms: int, until_ms: int | None = None) -> Standing:
    """Where every unit stood then, and where at `until_ms` (None: now). At most 6 queries."""
    now = ledger.units()
    late = [code for code, at in ledger.units_moved().items() if at is not None and at > then_ms]
    stays = ledger.unit_stays(late) if late else {}
    then = dict(now) | {code: _at(stays.get(code, []), then_ms) for code in late}
    if until_ms is not None:
        now = dict(now) | {code: _at(stays.get(code, []), until_ms) for code in late}
    return Standing(now, then, stays)


def _at(stays: Iterable[UnitStay], at_ms: int) -> str | None:
    """In what a unit with these stays stood at a moment."""
    found = [one for one in stays if one.start_ms <= at_ms and (one.end_ms is None or at_ms < one.end_ms)]
    return found[0].parent if found else None


@dataclass(frozen=True)
class Crew:
    """The units of an evacuation: those that stood in the unit when it began, or stand there now.

    paths  each with the way down to it; kinds: of every unit there is
    """

    unit: str
    paths: Mapping[str, Path]
    standing: Standing
    kinds: Mapping[str, str]

    @property
    def boxes(self) -> dict[str, Path]:
        return {code: path for code, path in self.paths.items() if self.kinds.get(code) == "box"}

    def stage(self, code: str) -> str:
        """`in` the unit still, in somebody's `hand` (it stands nowhere), on the `way` (cooler, shipper,
        bench), or `safe` in another freezer, tank or fridge."""
        up = upwards(code, self.standing.now)
        if self.unit in up:
            return IN
        if any(self.kinds.get(one) in PASSING for one in up):
            return WAY
        return SAFE if any(self.kinds.get(one) in DEVICES for one in up) else HAND

    def where(self, code: str) -> str:
        """The code of what it stands in; empty: nothing."""
        return self.standing.now.get(code) or ""

    def moves(self, since_ms: int, until_ms: int | None = None) -> list[Moved]:
        """What was moved since, newest first."""
        found = [
            Moved(stay.start_ms, code, stay.parent)
            for code in self.paths
            for stay in self.standing.stays.get(code, ())
            if stay.start_ms >= since_ms and (until_ms is None or stay.start_ms <= until_ms)
        ]
        return sorted(found, key=lambda one: (-one.at_ms, one.unit))


def kinds() -> dict[str, str]:
    """What kind of unit each is. 1 query."""
    return dict(Unit.objects.values_list("code", "kind"))


def crew(evacuation: Evacuation) -> Crew:
    """At most 7 queries. An ended evacuation is told as it was when it ended."""
    until = ms(evacuation.ended) if evacuation.ended else None
    there, top = standing(ms(evacuation.opened) - 1, until), evacuation.unit.code
    return Crew(top, below(top, there.now) | below(top, there.then), there, kinds())
