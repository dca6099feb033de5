"""What somebody holds of the log, compared with the log as it is now.

Promises: a checkpoint that was handed out is a witness: a log that was changed, cut or exchanged below it is
named. Reads a checkpoint as a file, as the text of its QR code, or inside a proof file.
"""

from __future__ import annotations

import json
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from custody import keys
from custody.core import note, tree
from custody.models import Checkpoint, Tile


@dataclass(frozen=True)
class Witness:
    """A checkpoint and who holds it. `trouble`: why it cannot be believed, or nothing."""

    name: str
    size: int
    root: bytes
    trouble: str = ""


def from_file(path: Path, known: Iterable[note.PublicKey]) -> Witness:
    """A witness from a file, its signature checked. ValueError when it holds no checkpoint."""
    known = list(known)
    signed = _note_in(path.read_text(encoding="utf-8"), known)
    said = note.checkpoint(note.parts(signed)[0])
    return Witness(path.name, said.size, said.root, _doubt(signed, said, known))


def _note_in(text: str, known: Iterable[note.PublicKey]) -> str:
    if text.startswith(note.WORDS):
        return note.expanded(text, known)
    if text.lstrip().startswith("{"):
        inside = json.loads(text)
        return str(inside["log"]["checkpoint"]) if isinstance(inside, dict) and "log" in inside else ""
    return text


def _doubt(signed: str, said: note.Checkpoint, known: Iterable[note.PublicKey]) -> str:
    try:
        _, by = note.opened(signed, known)
    except ValueError as why:
        return str(why)
    return "" if said.origin in {key.name for key in by} else "It is a checkpoint of another log."


def kept_here() -> Iterator[Witness]:
    """The newest checkpoint beside the key: outside the database, though not outside the server."""
    if signed := keys.newest():
        name = "the newest checkpoint beside the key"
        try:
            said = note.checkpoint(note.parts(signed)[0])
        except ValueError as why:
            yield Witness(name, 0, tree.EMPTY, str(why))
        else:
            yield Witness(name, said.size, said.root)


class Watch:
    """Looks on while the log is read from its beginning, and says what does not agree."""

    def __init__(self, witnesses: Iterable[Witness]) -> None:
        self._by_size: dict[int, list[Witness]] = {}
        self.names: list[str] = []
        for one in witnesses:
            self._by_size.setdefault(one.size, []).append(one)
            self.names.append(one.name)
        self._own = {size: bytes(root) for size, root in Checkpoint.objects.values_list("size", "root")}
        self._tiles = {
            (level, idx): bytes(hashed)
            for level, idx, hashed in Tile.objects.values_list("level", "idx", "hash")
        }
        self.checkpoints, self._newest = len(self._own), max(self._own, default=0)
        self._sizes = sorted({*self._own, *self._by_size})

    def within(self, start: int, stop: int) -> bool:
        """Whether somebody has a word about a size after `start` and before `stop`."""
        return bisect_right(self._sizes, start) < bisect_left(self._sizes, stop)

    def grown(self, frontier: tree.Tiled, full: Iterable[tuple[int, int, bytes]]) -> Iterator[str]:
        """After each event, and once before the first: what the witnesses of this size say."""
        size = frontier.size
        for level, number, made in full:
            kept = self._tiles.pop((level, number), None)
            if kept != made and (kept is not None or size <= self._newest):
                yield f"kept hash {number} of level {level} is not that of its events"
        if size not in self._own and size not in self._by_size:
            return
        root = frontier.root()
        if self._own.pop(size, root) != root:
            yield f"the first {size} events are not those of the ledger's own checkpoint over {size}"
        for one in self._by_size.pop(size, []):
            if one.trouble:
                yield f"{one.name}: {one.trouble}"
            if one.root != root:
                yield f"{one.name}: the first {size} events are not those that it was signed over"

    def ended(self, size: int) -> Iterator[str]:
        """What the witnesses say that have waited in vain."""
        for there in sorted(self._own):
            yield f"the ledger's own checkpoint over {there} events stands, but only {size} are there"
        for level, number in sorted(self._tiles):
            yield f"kept hash {number} of level {level} stands over events that are not there"
        for waiting in self._by_size.values():
            for one in waiting:
                if one.trouble:
                    yield f"{one.name}: {one.trouble}"
                yield f"{one.name}: it was signed over {one.size} events, only {size} are there"


def wrong_notes() -> Iterator[str]:
    """Own checkpoints whose signature or text does not fit their row."""
    known = keys.public_keys()
    for row in Checkpoint.objects.order_by("size").iterator():
        try:
            said = note.checkpoint(note.opened(row.note, known)[0])
        except ValueError as why:
            yield f"the ledger's own checkpoint over {row.size}: {why}"
            continue
        if (said.size, said.root) != (row.size, bytes(row.root)):
            yield f"the ledger's own checkpoint over {row.size} says something else than its row"
