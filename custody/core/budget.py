"""A stability budget: how much of what a sample can bear has been used, as one number.

Promises: stability used is the sum over bands of the time in the band divided by the band's limit; 1.0 is
all of it. Bands are (e_j-1, e_j], so a temperature that equals an edge belongs to the colder band. The sum
is taken over times above the edges, so that it adds up over stretches. A band in which a sample must never
be is a yes or no of its own (`forbidden_centi`), never a limit of nothing.

No limit stands in this file: where they come from is the business of who states them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True)
class Bands:
    """Edges in centi, rising, and one limit in ms more than there are edges; `math.inf`: bears it for ever.

    forbidden_centi  a temperature that must never be exceeded; None: there is none
    ValueError: a limit of nothing or less, edges not rising, or not one limit more than edges.
    """

    edges_centi: tuple[int, ...]
    limits_ms: tuple[float, ...]
    forbidden_centi: int | None = None

    def __post_init__(self) -> None:
        if len(self.limits_ms) != len(self.edges_centi) + 1:
            raise ValueError("a budget has one limit more than it has edges")
        if any(b <= a for a, b in pairwise(self.edges_centi)):
            raise ValueError("the edges of a budget rise")
        if any(not limit > 0 for limit in self.limits_ms):
            raise ValueError("a limit of nothing is not a limit: say forbidden_centi")

    def used_at(self, centi: float) -> float:
        """The share that one millisecond at this temperature uses."""
        return 1 / self.limits_ms[sum(centi > edge for edge in self.edges_centi)]

    @property
    def worst(self) -> float:
        """The share that one millisecond in the worst band uses: for time of which nothing is known."""
        return 1 / min(self.limits_ms)

    def used(self, known_ms: float, above: Callable[[int], float]) -> float:
        """The share used in a known time, from the ms spent above each edge."""
        rates = [0.0 if math.isinf(limit) else 1 / limit for limit in self.limits_ms]
        steps = [b - a for a, b in pairwise(rates)]
        return known_ms * rates[0] + sum(
            step * above(edge) for step, edge in zip(steps, self.edges_centi, strict=True)
        )
