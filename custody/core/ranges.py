"""Results over any stretch of a long row of numbers: largest, smallest, sum.

Promises: built once, then two look-ups for any stretch; nothing is ever taken away again, so a sum over a
small stretch does not drown in what came before it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

BLOCK = 64  # values in one block


class Ranges:
    """`op` over any stretch of values, without ever taking anything away again.

    Blocks of 64 with running results from both sides; over the blocks, level k holds running results
    outward from the middle of every aligned stretch of 2^(k+1) blocks. Two look-ups answer any range.
    A block is a column, so that one step of `accumulate` goes over all blocks at once.
    """

    def __init__(self, op: np.ufunc, values: Floats, neutral: float) -> None:
        self._op, self._neutral = op, neutral
        self._blocks = np.full((max(1, -(-len(values) // BLOCK)), BLOCK), neutral)
        self._blocks.ravel()[: len(values)] = values
        columns = np.ascontiguousarray(self._blocks.T)
        self._from_left = op.accumulate(columns, axis=0)
        self._from_right = op.accumulate(columns[::-1], axis=0)[::-1]
        self._totals = self._from_left[-1].copy()
        self._levels = self._outward()

    def _outward(self) -> Floats:
        levels = max(1, (len(self._totals) - 1).bit_length())
        padded = np.full(1 << levels, self._neutral)
        padded[: len(self._totals)] = self._totals
        out = np.empty((levels, len(padded)))
        for level in range(levels):
            halves = padded.reshape(-1, 2, 1 << level)
            row = out[level].reshape(-1, 2, 1 << level)
            row[:, 0] = self._op.accumulate(halves[:, 0, ::-1], axis=1)[:, ::-1]
            row[:, 1] = self._op.accumulate(halves[:, 1], axis=1)
        return out

    def over(self, first: Ints, last: Ints) -> Floats:
        """The result over values[first..last], both included; the neutral value where last < first."""
        out = np.full(len(first), self._neutral)
        block_a, block_b = first // BLOCK, last // BLOCK
        near = np.flatnonzero((last >= first) & (block_a == block_b))
        for chunk in np.array_split(near, len(near) // 65_536 + 1):  # 64 values each: bounded memory
            out[chunk] = self._within(first[chunk], last[chunk])
        far = np.flatnonzero((last >= first) & (block_a < block_b))
        a, b = first[far], last[far]
        out[far] = self._op(self._from_right[a % BLOCK, a // BLOCK], self._from_left[b % BLOCK, b // BLOCK])
        between = far[block_b[far] - block_a[far] > 1]
        out[between] = self._op(out[between], self._blocks_over(block_a[between] + 1, block_b[between] - 1))
        return out

    def _within(self, first: Ints, last: Ints) -> Floats:
        place = np.arange(BLOCK)
        wanted = (place >= (first % BLOCK)[:, None]) & (place <= (last % BLOCK)[:, None])
        values = np.where(wanted, self._blocks[first // BLOCK], self._neutral)
        return np.asarray(self._op.reduce(values, axis=1), dtype=np.float64)

    def _blocks_over(self, a: Ints, b: Ints) -> Floats:
        level = np.frexp((a ^ b).astype(np.float64))[1] - 1  # place of the highest bit that differs
        level = np.maximum(level, 0)
        both = self._op(self._levels[level, a], self._levels[level, b])
        return np.asarray(np.where(a == b, self._totals[a], both), dtype=np.float64)
