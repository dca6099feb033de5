"""One side of one temperature limit, and the method by which a mean kinetic temperature was made.

Promises: values only. A stored temperature is a whole hundredth of a degree (centi), so "at or above 8.00"
is "above 7.995": the limit is moved by half a hundredth, and everything else stays strict.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

Side = Literal["above", "below"]

HALF = 0.5  # half of what can be stored, in centi
TRAPEZOID = "trapezoid on the rate"  # readings joined by straight lines
HELD = "rate of held readings"  # each reading holds until the next
READINGS = "plain mean of the readings"  # only to repeat the figure that a logger itself printed


class Edge(NamedTuple):
    """Above or below a limit in centi; inclusive: at it counts too."""

    side: Side
    centi: int
    inclusive: bool = False

    @property
    def sign(self) -> float:
        return 1.0 if self.side == "above" else -1.0

    @property
    def at(self) -> float:
        """The temperature in centi that has to be passed, strictly."""
        return self.centi - self.sign * HALF if self.inclusive else float(self.centi)

    def beyond(self, centi: float) -> bool:
        """Is a temperature past this edge? Strict, but for the half hundredth of an inclusive one."""
        return self.sign * centi > self.sign * self.at
