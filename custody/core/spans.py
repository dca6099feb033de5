"""Stretches of time that do not overlap (a logger's covered time, its time above a limit), asked about many
windows at once: how long, how many, and how long the longest.

Promises: built once from sorted starts and ends; any window is answered by two look-ups. Times are float
milliseconds since the logger's first reading, windows half-open [a, b).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .ranges import Ranges

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Runs:
    """The excursions past one edge in each of many stretches; times in ms, one place for each stretch.

    ms, count, longest  all of them, cut at the ends of the stretch
    lead_in, run_out    the one that is under way as the stretch begins, and as it ends; over a whole
                        stretch they are the same one. 0: none
    inner               the longest that is neither
    lead_open, out_open whether the lead-in ends, or the run-out begins, at a gap
    inner_open          whether a longest inner one begins or ends at a gap
    """

    ms: Floats
    count: Ints
    longest: Floats
    lead_in: Floats
    run_out: Floats
    inner: Floats
    lead_open: Flags
    out_open: Flags
    inner_open: Flags


@dataclass(frozen=True)
class Spans:
    """Sorted, disjoint stretches.

    at_start, at_end      whether the condition holds at that very edge (false: it was crossed or touched)
    open_start, open_end  whether a gap stands there, so that it may have been longer
    """

    start: Floats
    end: Floats
    at_start: Flags
    at_end: Flags
    open_start: Flags
    open_end: Flags

    @classmethod
    def plain(cls, start: Floats, end: Floats) -> Spans:
        """Stretches of which only the length matters."""
        yes = np.ones(len(start), np.bool_)
        return cls(start, end, yes, yes, yes, yes)

    @cached_property
    def _before(self) -> Floats:
        return np.append(0.0, np.cumsum(self.end - self.start))

    @cached_property
    def _lengths(self) -> Ranges:
        return Ranges(np.maximum, self.end - self.start, 0.0)

    @cached_property
    def _open_lengths(self) -> Ranges | None:
        some = self.open_start | self.open_end
        return Ranges(np.maximum, np.where(some, self.end - self.start, 0.0), 0.0) if some.any() else None

    def find(self, a: Floats, b: Floats) -> tuple[Ints, Ints, Flags]:
        """First and last stretch that meet each window, and whether any does; 0 and 0 where none does."""
        first = np.searchsorted(self.end, a, side="right").astype(np.int64)
        last = np.searchsorted(self.start, b, side="left").astype(np.int64) - 1
        some = (first <= last) & (b > a)
        return np.where(some, first, 0), np.where(some, last, 0), some

    def time(self, a: Floats, b: Floats) -> Floats:
        """ms of each window."""
        if not len(self.start):
            return np.zeros(len(a))
        i, j, some = self.find(a, b)
        return self._sum(i, j, some, *self._cut(i, j, a, b))

    def _cut(self, i: Ints, j: Ints, a: Floats, b: Floats) -> tuple[Floats, Floats]:
        head = np.minimum(self.end[i], b) - np.maximum(self.start[i], a)
        tail = np.minimum(self.end[j], b) - np.maximum(self.start[j], a)
        return head, tail

    def _sum(self, i: Ints, j: Ints, some: Flags, head: Floats, tail: Floats) -> Floats:
        between = self._before[j] - self._before[np.minimum(i + 1, j)]
        return np.asarray(np.where(some, head + np.where(i == j, 0.0, tail + between), 0.0))

    def runs(self, a: Floats, b: Floats) -> Runs:
        """Everything about the stretches in each window."""
        if not len(self.start):
            none, no = np.zeros(len(a)), np.zeros(len(a), np.bool_)
            return Runs(none, np.zeros(len(a), np.int64), none, none, none, none, no, no, no)
        i, j, some = self.find(a, b)
        head, tail = self._cut(i, j, a, b)
        lead = some & ((self.start[i] < a) | (self.at_start[i] & (self.start[i] == a)))
        out = some & ((self.end[j] > b) | (self.at_end[j] & (self.end[j] == b)))
        inner, inner_open = self._inner(i + lead, np.where(some, j - out, -1))
        lead_in, run_out = np.where(lead, head, 0.0), np.where(out, tail, 0.0)
        return Runs(
            self._sum(i, j, some, head, tail), np.where(some, j - i + 1, 0),
            np.maximum(inner, np.maximum(lead_in, run_out)), lead_in, run_out, inner,
            self.open_end[i], self.open_start[j], inner_open,
        )  # fmt: skip

    def _inner(self, first: Ints, last: Ints) -> tuple[Floats, Flags]:
        longest = self._lengths.over(first, last)
        if self._open_lengths is None:
            return longest, np.zeros(len(first), np.bool_)
        return longest, (longest > 0) & (self._open_lengths.over(first, last) == longest)
