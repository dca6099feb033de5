"""What is asked of a tube's temperatures: limits, thaw thresholds, a budget, and what a gap counts as.

Promises: values only; a specification that contradicts itself cannot exist.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from .budget import Bands
from .edge import Edge

Gaps = Literal["exclude", "worst", "nominal"]


@dataclass(frozen=True)
class Spec:
    """Temperatures in centi.

    limits         times, excursions and longest excursions above and below each of them
    inclusive      also count at or above and at or below each
    thaw           (freeze, thaw): below the first a sample is frozen, above the second thawed; freeze < thaw
    bands          the stability budget
    gaps           what time without data counts as:
                   exclude  nothing; the coverage says how much that was
                   worst    beyond every limit on the side that is asked, thawed once, in the worst band; it
                            is still no data, of which neither extremes nor the mean kinetic temperature
                            know. Of thaws no upper bound: nobody knows how many there were in one gap
                   nominal  the set point of the stretch, as assumed time; without one it stays no data
    starts_frozen  the sample's state before the first stretch. Thawed at collection, so that the first
                   freezing is no thaw
    ValueError: freeze is not below thaw, or gaps is none of the three.
    """

    limits: tuple[int, ...] = ()
    inclusive: bool = False
    thaw: tuple[int, int] | None = None
    bands: Bands | None = None
    gaps: Gaps = "exclude"
    starts_frozen: bool = False

    def __post_init__(self) -> None:
        if self.thaw is not None and self.thaw[0] >= self.thaw[1]:
            raise ValueError("a sample freezes at a lower temperature than it thaws at")
        if self.gaps not in ("exclude", "worst", "nominal"):
            raise ValueError(f"time without data cannot count as {self.gaps}")

    @classmethod
    def of(cls, wanted: Spec | Iterable[int]) -> Spec:
        """A specification as it is, or a bare list of limits as one."""
        return wanted if isinstance(wanted, Spec) else cls(tuple(dict.fromkeys(wanted)))

    @cached_property
    def edges(self) -> tuple[Edge, ...]:
        """Every side of every limit about which runs are wanted."""
        kinds = (False, True) if self.inclusive else (False,)
        return tuple(
            Edge(side, limit, kind) for limit in self.limits for kind in kinds for side in ("above", "below")
        )
