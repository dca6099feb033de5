"""A sample plan as plain values: what the editor changes, what a spreadsheet holds, what a starter file says.

Promises: equal values are equal plans; nothing here knows the database. What each value may be: `columns.py`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from custody.core.refusal import Refused

MOST_TUBES = 99  # two digits of the three in a tube code; aliquots begin at 101
MOST_ALIQUOTS = 899


@dataclass(frozen=True)
class Aliquots:
    """So many of one kind from a planned tube. ul in microlitres, target in hundredths of °C."""

    count: int
    matrix: str
    ul: int
    container: str = "cryovial"
    target_centi: int | None = None
    purpose: str = ""
    priority: int = 1
    reserve: bool = False


@dataclass(frozen=True)
class Planned:
    """One planned tube. Times in minutes, volume in microlitres; None is: not said."""

    number: int
    order_of_draw: int
    label: str
    matrix: str
    additive: str = "NONE"
    cap: str = ""
    container: str = ""
    volume_ul: int | None = None
    inversions: int | None = None
    handling: str = ""
    clot_min: int | None = None
    clot_max_min: int | None = None
    spin_g: int | None = None
    spin_minutes: int | None = None
    separate_min: int | None = None
    target_centi: int | None = None
    short_rule: str = "accept"
    least_pct: int | None = None
    priority: int = 1
    purpose: str = ""
    made: tuple[Aliquots, ...] = ()

    @property
    def told(self) -> list[str]:
        """What is done with it from the needle on, in words."""
        clots = [str(one) for one in (self.clot_min, self.clot_max_min) if one is not None]
        return [
            *([f"invert {self.inversions} ×"] if self.inversions else []),
            *([f"let clot {' to '.join(clots)} min"] if clots else []),
            *([f"spin {self.spin_g} g, {self.spin_minutes} min"] if self.spin_g else []),
            *([f"separate within {self.separate_min} min"] if self.separate_min is not None else []),
            *([self.handling] if self.handling else []),
        ]


@dataclass(frozen=True)
class Plan:
    """A plan of one version; `tubes` in order of draw."""

    code: str
    name: str
    taxon: str = "mammal"
    order_source: str = ""
    note: str = ""
    spare_pct: int = 0
    ice_g: int = 0
    dry_ice_g: int = 0
    tubes: tuple[Planned, ...] = field(default=(), repr=False)

    def tube(self, number: int) -> Planned | None:
        return next((one for one in self.tubes if one.number == number), None)

    def with_tubes(self, tubes: Sequence[Planned]) -> Plan:
        return replace(self, tubes=in_order(tubes))

    def without(self, number: int) -> Plan:
        return self.with_tubes([one for one in self.tubes if one.number != number])

    def with_tube(self, tube: Planned, instead_of: int | None = None) -> Plan:
        """With this tube added, or in the place of the one with that number."""
        return self.with_tubes([*(one for one in self.tubes if one.number != instead_of), tube])

    def moved(self, number: int, by: int) -> Plan:
        """With this tube so many places later (negative: earlier); the places are counted anew from 1."""
        tubes = list(self.tubes)
        here = next(n for n, one in enumerate(tubes) if one.number == number)
        tubes.insert(max(0, min(len(tubes) - 1, here + by)), tubes.pop(here))
        return replace(self, tubes=tuple(replace(one, order_of_draw=n) for n, one in enumerate(tubes, 1)))

    def free_number(self) -> int:
        """Refused: plan_too_many_tubes."""
        taken = {one.number for one in self.tubes}
        free = next((n for n in range(1, MOST_TUBES + 1) if n not in taken), None)
        if free is None:
            raise Refused("plan_too_many_tubes", f"A plan has room for {MOST_TUBES} tubes.")
        return free

    def digest(self) -> str:
        """Tells two states of a plan apart, for a form that was drawn some time ago."""
        return hashlib.sha256(repr((self, self.tubes)).encode()).hexdigest()[:16]


def in_order(tubes: Sequence[Planned]) -> tuple[Planned, ...]:
    return tuple(sorted(tubes, key=lambda one: (one.order_of_draw, one.number)))
