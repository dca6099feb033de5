"""Merkle trees: one over the events of the log, a small salted one over the lines of each event.

Promises: the root says in 32 bytes what every leaf is and in which order (RFC 6962 hashing). The
salt makes a line's hash tell nothing about the line to somebody who was not given it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

from custody.core.canon import leaf, node

EMPTY = hashlib.sha256(b"").digest()  # root of the tree without leaves (RFC 6962 section 2.1)


class Frontier:
    """A tree that grows at its end and keeps only the roots of its full subtrees.

    `peaks[i]` is the root of a full subtree of 2^i leaves, or None; one pass, memory log2(size).
    """

    def __init__(self) -> None:
        self.size = 0
        self.peaks: list[bytes | None] = []

    def add(self, hashed: bytes) -> None:
        """Append one leaf hash (32 bytes)."""
        carry, level = hashed, 0
        while level < len(self.peaks) and (peak := self.peaks[level]) is not None:
            carry, self.peaks[level] = node(peak, carry), None
            level += 1
        if level == len(self.peaks):
            self.peaks.append(None)
        self.peaks[level] = carry
        self.size += 1

    def root(self) -> bytes:
        """Root over all leaves so far: smaller subtrees stand to the right."""
        found: bytes | None = None
        for peak in self.peaks:
            if peak is not None:
                found = peak if found is None else node(peak, found)
        return EMPTY if found is None else found


def root(hashes: Iterable[bytes]) -> bytes:
    """Root over leaf hashes in their order."""
    frontier = Frontier()
    for hashed in hashes:
        frontier.add(hashed)
    return frontier.root()


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
    return root(line_hash(salt, index, text) for index, text in enumerate(texts))


def entry(recorded_ms: int, login: str, body: str, via: str) -> bytes:
    """What the log hashes for one event: when and by whom it was recorded, the header's hash, how it came.

    Four lines of text, so `login` and `via` hold no line end (ValueError).
    """
    if "\n" in login or "\n" in via:
        raise ValueError("login and via are single lines")
    header = hashlib.sha256(body.encode()).hexdigest()
    return f"{recorded_ms}\n{login}\n{header}\n{via}".encode()
