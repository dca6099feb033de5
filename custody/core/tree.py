"""Merkle trees: one over the events of the log, a small salted one over the lines of each event.

Promises: the root says in 32 bytes what every leaf is and in which order (RFC 6962 hashing). A proof is
at most one hash for each doubling, and a changed one is refused. The salt makes a line's hash tell nothing
about the line to somebody who was not given it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence

from custody.core.canon import leaf, node

EMPTY = hashlib.sha256(b"").digest()  # root of the tree without leaves (RFC 6962 section 2.1)
TILE = 256  # leaves under a kept hash, kept hashes under one of the next level, and so on
Part = Callable[[int, int], bytes]  # root over the leaves from … up to, not including …


class Frontier:
    """A tree that grows at its end and keeps only the roots of its full subtrees.

    `peaks[i]` is the root of a full subtree of 2^i leaves, or None; one pass, memory log2(size).
    """

    def __init__(self) -> None:
        self.size = 0
        self.peaks: list[bytes | None] = []

    def add(self, hashed: bytes, level: int = 0) -> None:
        """Append one leaf hash (32 bytes), or the root of a full subtree of 2^level leaves.

        ValueError when such a subtree cannot stand here: the size must be a multiple of 2^level.
        """
        if self.size % (1 << level):
            raise ValueError(f"a subtree of 2^{level} leaves cannot stand after {self.size}")
        carry, at = hashed, level
        while len(self.peaks) < at:
            self.peaks.append(None)
        while at < len(self.peaks) and (peak := self.peaks[at]) is not None:
            carry, self.peaks[at] = node(peak, carry), None
            at += 1
        if at == len(self.peaks):
            self.peaks.append(None)
        self.peaks[at] = carry
        self.size += 1 << level

    def joined(self, right: bytes | None = None) -> bytes | None:
        """Root over all leaves so far and a smaller subtree to the right of them; None over nothing."""
        for peak in self.peaks:
            if peak is not None:
                right = peak if right is None else node(peak, right)
        return right

    def root(self) -> bytes:
        """Root over all leaves so far: smaller subtrees stand to the right."""
        return self.joined() or EMPTY


class Tiled:
    """A tree that grows at its end and tells of each tile when it is full: 256 leaves, 256 such tiles, …"""

    def __init__(self) -> None:
        self.size = 0
        self._rows = [Frontier()]

    def add(self, hashed: bytes) -> list[tuple[int, int, bytes]]:
        """Append one leaf hash; the tiles that it fills, as (level from 1, number from 0, root)."""
        self.size += 1
        self._rows[0].add(hashed)
        return self._filled(0, [])

    def add_tile(self, made: bytes) -> list[tuple[int, int, bytes]]:
        """Append 256 leaves by their root; the tiles that are full then, this one first.

        ValueError in the middle of a tile.
        """
        if self.size % TILE:
            raise ValueError(f"a tile cannot begin after {self.size} leaves")
        self.size += TILE
        return self._up(1, made, [])

    def _filled(self, level: int, full: list[tuple[int, int, bytes]]) -> list[tuple[int, int, bytes]]:
        if self._rows[level].size < TILE:
            return full
        made, self._rows[level] = self._rows[level].root(), Frontier()
        return self._up(level + 1, made, full)

    def _up(
        self, level: int, made: bytes, full: list[tuple[int, int, bytes]]
    ) -> list[tuple[int, int, bytes]]:
        if level == len(self._rows):
            self._rows.append(Frontier())
        self._rows[level].add(made)
        full.append((level, self.size // TILE**level - 1, made))
        return self._filled(level, full)

    def root(self) -> bytes:
        """Root over all leaves so far."""
        found: bytes | None = None
        for row in self._rows:
            found = row.joined(found)
        return found or EMPTY


def root(hashes: Iterable[bytes]) -> bytes:
    """Root over leaf hashes in their order, which are held all at once; `Frontier` is for very many.

    Joined by neighbours, level after level; the last of an odd number goes up as it is. That is the tree of
    RFC 6962, whose left half is the largest power of two.
    """
    row = list(hashes)
    while len(row) > 1:
        odd = row[-1:] if len(row) % 2 else []
        row = [node(left, right) for left, right in zip(row[::2], row[1::2], strict=False)] + odd
    return row[0] if row else EMPTY


def over(start: int, stop: int, tile: Callable[[int, int], bytes]) -> bytes:
    """Root over leaves start … stop-1 from the fewest kept hashes.

    tile(level, number) is the root over 256^level leaves; level 0 is a leaf's hash. `start` must be a
    multiple of the smallest power of two that is not below stop - start, as in every proof.
    """
    frontier, at = Frontier(), start
    while at < stop:
        level = 0
        while at % TILE ** (level + 1) == 0 and at + TILE ** (level + 1) <= stop:
            level += 1
        frontier.add(tile(level, at // TILE**level), 8 * level)
        at += TILE**level
    return frontier.root()


# --- proofs (RFC 6962 section 2.1.1 and 2.1.2; how to check them: RFC 9162 section 2.1.3.2 and 2.1.4.2) ---


def _split(size: int) -> int:
    """The largest power of two below size (size at least 2)."""
    return 1 << (size - 1).bit_length() - 1


def inclusion(index: int, size: int, part: Part) -> list[bytes]:
    """The hashes that lead from leaf `index` to the root over `size` leaves, the leaf's neighbour first.

    ValueError when there is no such leaf.
    """
    if not 0 <= index < size:
        raise ValueError(f"there is no leaf {index} in a tree of {size}")
    path, start, stop = [], 0, size
    while stop - start > 1:
        middle = start + _split(stop - start)
        if index < middle:
            path.append(part(middle, stop))
            stop = middle
        else:
            path.append(part(start, middle))
            start = middle
    return path[::-1]


def consistency(old: int, size: int, part: Part) -> list[bytes]:
    """The hashes that show that the tree over `old` leaves is the beginning of that over `size`.

    Empty when old is 0 or size. ValueError when old is larger than size.
    """
    if not 0 <= old <= size:
        raise ValueError(f"a tree of {old} is no beginning of one of {size}")
    path, start, stop, whole = [], 0, size, True
    while old not in (0, stop):
        middle = start + _split(stop - start)
        if old <= middle:
            path.append(part(middle, stop))
            stop = middle
        else:
            path.append(part(start, middle))
            start, whole = middle, False
    if old and not whole:  # the receiver has the root over all of `old` already
        path.append(part(start, stop))
    return path[::-1]


def includes(index: int, size: int, hashed: bytes, path: Sequence[bytes], root: bytes) -> bool:
    """Does this path lead from this leaf hash, as leaf `index` of `size`, to this root?"""
    if not 0 <= index < size or any(len(one) != 32 for one in (hashed, root, *path)):
        return False
    at, last, found = index, size - 1, hashed
    for other in path:
        if last == 0:
            return False
        if at & 1 or at == last:
            found = node(other, found)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            found = node(found, other)
        at, last = at >> 1, last >> 1
    return last == 0 and found == root


def continues(old: int, old_root: bytes, size: int, root: bytes, path: Sequence[bytes]) -> bool:
    """Does this path show that the tree over `size` begins with the tree over `old`?

    The empty tree is the beginning of every tree; its root must be the empty one all the same.
    """
    if not 0 <= old <= size or any(len(one) != 32 for one in (old_root, root, *path)):
        return False
    if old in (0, size):
        return not path and old_root == (EMPTY if old == 0 else root)
    whole = old & (old - 1) == 0
    steps = [old_root, *path] if whole else list(path)
    return bool(path) and _climb(old - 1, size - 1, steps) == (old_root, root)


def _climb(at: int, last: int, steps: Sequence[bytes]) -> tuple[bytes, bytes] | None:
    """Both roots from the hashes of a consistency proof; None when there are too many or too few."""
    while at & 1:
        at, last = at >> 1, last >> 1
    before = after = steps[0]
    for other in steps[1:]:
        if last == 0:
            return None
        if at & 1 or at == last:
            before, after = node(other, before), node(other, after)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            after = node(after, other)
        at, last = at >> 1, last >> 1
    return (before, after) if last == 0 else None


# --- lines and entries ----------------------------------------------------------------------------


def line_hash(salt: bytes, index: int, text: str) -> bytes:
    """Leaf of one line: 16 bytes that only holders of the salt can make, then the line's text.

    salt 16 bytes, index from 0 (below 2^32). Give a partner SHA-256(salt ‖ index)[:16] of a line and
    it can check that line and guess no other.
    """
    return leaf(line_salt(salt, index) + text.encode())


def line_salt(salt: bytes, index: int) -> bytes:
    return hashlib.sha256(salt + index.to_bytes(4, "big")).digest()[:16]


def lines_root(salt: bytes, texts: Sequence[str]) -> bytes:
    """Root over an event's lines; the empty root when it has none."""
    sha256, row = hashlib.sha256, []  # `line_hash` of each, spelled out: a million events have many lines
    for index, text in enumerate(texts):
        hidden = sha256(salt + index.to_bytes(4, "big")).digest()[:16]
        row.append(sha256(b"\x00" + hidden + text.encode()).digest())
    return row[0] if len(row) == 1 else root(row)


def entry(recorded_ms: int, login: str, body: str, via: str) -> bytes:
    """What the log hashes for one event: when and by whom it was recorded, the header's hash, how it came.

    Four lines of text, so `login` and `via` hold no line end (ValueError).
    """
    if "\n" in login or "\n" in via:
        raise ValueError("login and via are single lines")
    header = hashlib.sha256(body.encode()).hexdigest()
    return f"{recorded_ms}\n{login}\n{header}\n{via}".encode()
