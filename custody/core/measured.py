"""Readings as arrays, and the answers about many stretches of one logger.

Promises: readings come sorted and without sensor errors; no time on either side of an error is data.
Definitions of the words: custody.core.thermal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .edge import Edge
from .kinetic import DH_OVER_R, KELVIN
from .spans import Flags, Floats, Ints, Runs
from .thaw import Thaws

SENSOR_ERROR = -32_768  # stored where a logger wrote that its probe failed: no reading, and no line past it


@dataclass(frozen=True)
class Measured:
    """Everything `join` needs about many stretches of one logger.

    ms      measured time; low, high centi (nan: none); rate integral of the Arrhenius rate, ms
    at_start, at_end  whether the temperature is known just there
    runs    for each edge the excursions past it; above_bands  ms above each edge of the budget
    thaws   what each stretch does to the sample's state, if that was asked; method  of the rate
    starts, ends, gaps, places  only where gaps count: stretch k is cut into the parts places[k] to
            places[k + 1], from starts to ends, and gaps says which lie in a gap. Everything above then has
            one place for each part, else one for each stretch
    """

    ms: Floats
    low: Floats
    high: Floats
    rate: Floats
    at_start: Flags
    at_end: Flags
    runs: dict[Edge, Runs]
    above_bands: dict[int, Floats]
    thaws: Thaws | None
    method: str
    starts: Ints
    ends: Ints
    gaps: Flags | None = None
    places: Ints | None = None

    @property
    def above(self) -> dict[int, Floats]:
        """ms strictly above each limit."""
        return {e.centi: runs.ms for e, runs in self.runs.items() if e.side == "above" and not e.inclusive}


def readings(times_ms: ArrayLike, centi: ArrayLike, max_gap_ms: ArrayLike) -> tuple[Ints, Ints, Floats]:
    """Times, values and gap limits without sensor errors: the pair around one is never a piece."""
    t, c = np.asarray(times_ms, dtype=np.int64), np.asarray(centi, dtype=np.int64)
    if t.shape != c.shape or t.ndim != 1:
        raise ValueError("as many times as temperatures are needed")
    if np.any(np.diff(t) <= 0):
        raise ValueError("readings are not in time order")
    gap = np.broadcast_to(np.asarray(max_gap_ms, dtype=np.float64), t.shape)
    wrong = c == SENSOR_ERROR
    if not wrong.any():
        return t, c, gap
    gap = np.where(np.append(wrong[1:], False), -1.0, gap)
    return t[~wrong], c[~wrong], gap[~wrong]


def arrhenius(centi: ArrayLike) -> Floats:
    """exp(-dH/(R T)) of temperatures in centi; no unit. At least 1 K above absolute zero is expected."""
    kelvin = np.asarray(centi, dtype=np.float64) / 100 + KELVIN
    return np.asarray(np.exp(-DH_OVER_R / kelvin), dtype=np.float64)
