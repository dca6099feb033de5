"""Readings of one logger in memory: times, values, how long a silence after each still counts as measured.

Promises: three arrays of one length; nothing here changes one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

ERROR = -32_768  # hundredths of °C: the sensor said that it could not measure; no temperature


@dataclass(frozen=True)
class Readings:
    """Times (UTC ms, rising), values (hundredths of °C or ERROR), and for each the longest silence after it
    that still counts as measured (ms). One length."""

    times: Ints
    centi: Ints
    gaps: Ints

    def __len__(self) -> int:
        return len(self.times)

    def part(self, wanted: Ints | NDArray[np.bool_] | slice) -> Readings:
        return Readings(self.times[wanted], self.centi[wanted], self.gaps[wanted])


NONE = Readings(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.int64))


def of(times: Iterable[int], centi: Iterable[int], gap_ms: int) -> Readings:
    """Readings of one download, which have one gap limit."""
    t, c = np.asarray(times, np.int64), np.asarray(centi, np.int64)
    return Readings(t, c, np.full(len(t), gap_ms, np.int64))
