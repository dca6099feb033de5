"""Recompute everything that was hashed and compare it with what is stored.

Promises: any change of a stored byte of an event, of a line, of a salt or of a number in the log is
named. A change that was made consistently through all hashes is named when a checkpoint from before it is
still there: in the database, beside the key, or in a file that somebody brings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from django.db.models import CharField, Subquery
from django.db.models.functions import Cast

from custody import devices, spread, stored
from custody.core import canon, tree
from custody.core.kinds import AMENDING
from custody.models import Event, Head, Line
from custody.witness import Watch, Witness, kept_here

CHUNK = 2_000  # events read at once
STRETCH = 32 * tree.TILE  # events that one process hashes at once
HASH = 32
NONE: list[Any] = []
BACK = "recorded before the event ahead of it"


@dataclass
class Report:
    """What was found. `root` is the hex root over all events as they are stored now.

    checkpoints  how many of the ledger's own were compared; witnesses  whose copies were, by name
    """

    events: int = 0
    lines: int = 0
    checkpoints: int = 0
    witnesses: list[str] = field(default_factory=list)
    root: str = ""
    wrong: list[str] = field(default_factory=list)


class EventRow(NamedTuple):
    """An event as it is stored. A million of these are read, so they are no model objects."""

    seq: int
    id: str
    ref: str | None
    of: str | None
    kind: str
    at_ms: int
    by: str
    org: str
    device: str
    device_n: int | None
    recorded_ms: int
    login: str
    via: str
    body: str
    salt: bytes
    leaf: bytes
    signature: bytes | None

    @property
    def name(self) -> str:
        return f"event {self.seq} ({_uuid(self.id)})"

    @property
    def entry(self) -> bytes:
        """What the log hashed. A line end in the login or way, which nobody could have written, fits none."""
        try:
            return tree.entry(self.recorded_ms, self.login, self.body, self.via)
        except ValueError:
            return b""


class LineRow(NamedTuple):
    n: int
    what: str
    subject: str
    text: str
    event__seq: int


class Stretch(NamedTuple):
    """A stretch of the log as one process found it. leaves: hashes of 32 bytes, one after the other.

    began, name  of its first event; ended: number after its last; tiles: roots over each full 256 leaves
    """

    began: int
    ended: int
    name: str
    leaves: bytes
    tiles: list[bytes]
    lines: int
    began_ms: int
    ended_ms: int
    wrong: list[str]

    @property
    def events(self) -> int:
        return len(self.leaves) // HASH


def verify(held: Iterable[Witness] = (), seen: Callable[[int], object] = lambda n: None) -> Report:
    """The whole log as it is when this begins, oldest first; a large one on all processors.

    held  checkpoints that were brought from outside; seen  called with the number of events of each stretch
    """
    watch = Watch([*kept_here(), *held])
    report, frontier = Report(checkpoints=watch.checkpoints, witnesses=watch.names), tree.Tiled()
    report.wrong += watch.grown(frontier, [])
    size = _end()
    expected = last = 0
    for one in spread.each(stretch, devices.keyring, _pieces(size), spread.worth_it(size)):
        report.wrong += [*_seam(one, expected, last), *one.wrong, *_grown(one, frontier, watch)]
        if one.events:
            expected, last = one.ended, one.ended_ms
        report.events += one.events
        report.lines += one.lines
        seen(one.events)
    report.root = frontier.root().hex()
    report.wrong += watch.ended(report.events)
    report.wrong += _head_troubles(last)
    return report


def _end() -> int:
    """The number after the newest event."""
    newest = Event.objects.order_by("-seq").values_list("seq", flat=True).first()
    return 0 if newest is None else newest + 1


def _pieces(stop: int) -> Iterator[tuple[int, int]]:
    """Numbers from … up to, not including …, with as many events in each: a number that somebody made huge
    makes no more pieces. 1 query each."""
    start, numbers = 0, Event.objects.filter(seq__lt=stop).order_by("seq").values_list("seq", flat=True)
    while beyond := numbers.filter(seq__gte=start)[STRETCH : STRETCH + 1]:
        yield start, beyond[0]
        start = beyond[0]
    yield start, stop


def _seam(one: Stretch, expected: int, last: int) -> Iterator[str]:
    """What is wrong between this stretch and what came before it."""
    if one.events and expected != one.began:
        yield f"{one.name}: {_gap(expected)}"
    if one.events and one.began_ms < last:
        yield f"{one.name}: {BACK}"


def _grown(one: Stretch, frontier: tree.Tiled, watch: Watch) -> Iterator[str]:
    """The tree grows by a stretch: by whole tiles, where nobody has a word about a size inside."""
    for first in range(0, one.events, tree.TILE):
        start, number = frontier.size, first // tree.TILE
        whole = number < len(one.tiles) and start % tree.TILE == 0
        if whole and not watch.within(start, start + tree.TILE):
            yield from watch.grown(frontier, frontier.add_tile(one.tiles[number]))
            continue
        part = one.leaves[first * HASH : (first + tree.TILE) * HASH]
        for at in range(0, len(part), HASH):
            yield from watch.grown(frontier, frontier.add(part[at : at + HASH]))


def stretch(keys: dict[str, devices.Check], piece: tuple[int, int]) -> Stretch:
    """Hashes the events with these numbers (up to, not including, the second) anew."""
    start, stop = piece
    leaves, wrong, many = [], [], 0
    first = before = None
    for event, lines in _log(start, stop):
        leaf = canon.leaf(event.entry)
        if trouble := _troubles(event, before, leaf, lines, keys):
            wrong += [f"{event.name}: {one}" for one in trouble]
        first, before = first or event, event
        leaves.append(leaf)
        many += len(lines)
    if first is None or before is None:
        return Stretch(start, stop, "", b"", [], 0, 0, 0, wrong)
    tiles = [tree.root(leaves[n : n + tree.TILE]) for n in range(0, len(leaves) - tree.TILE + 1, tree.TILE)]
    times = first.recorded_ms, before.recorded_ms
    return Stretch(first.seq, before.seq + 1, first.name, b"".join(leaves), tiles, many, *times, wrong)


def _log(start: int, stop: int) -> Iterator[tuple[EventRow, list[LineRow]]]:
    # ids as text: making a UUID of each would take longer than hashing the event
    ids = {f"{name}_text": Cast(name, CharField()) for name in ("event_id", "ref", "of")}
    rows = Event.objects.filter(seq__lt=stop).annotate(**ids).order_by("seq")
    rows = rows.values_list("seq", *ids, *EventRow._fields[4:])
    while events := spread.raw(rows.filter(seq__gte=start)[:CHUNK]):
        lines = _lines(events[0][0], events[-1][0])
        for row in events:
            yield EventRow(*row), lines.get(row[0], NONE)
        start = events[-1][0] + 1


def _lines(first: int, last: int) -> dict[int, list[LineRow]]:
    """The lines of the events with these numbers, in order."""
    found: dict[int, list[LineRow]] = {}
    lines = Line.objects.filter(event__seq__gte=first, event__seq__lte=last)
    rows = lines.order_by("event__seq", "n").values_list(*LineRow._fields)
    for row in spread.raw(rows):
        found.setdefault(row[-1], []).append(LineRow(*row))
    return found


def _gap(expected: int) -> str:
    return f"number {expected} was expected; the log has a gap"


def _troubles(
    event: EventRow,
    before: EventRow | None,
    leaf: bytes,
    lines: list[LineRow],
    keys: dict[str, devices.Check],
) -> list[str]:
    """before: None for the first of a stretch; whoever knows the stretch before it looks at their order."""
    found = []
    if before is not None and event.seq != before.seq + 1:
        found.append(_gap(before.seq + 1))
    if before is not None and event.recorded_ms < before.recorded_ms:
        found.append(BACK)
    if "\n" in event.login or "\n" in event.via:
        found.append("the login or the way it came holds a line end")
    elif leaf != event.leaf and leaf != bytes(event.leaf):
        found.append("its text, time or login does not match its hash")
    try:
        found += _inside(event, stored.header(event.body), lines)
    except (ValueError, AttributeError):
        found.append("its text cannot be read")
    if event.signature is not None or event.device in keys:
        found += _signature(event, keys)
    return found


def _signature(event: EventRow, keys: dict[str, devices.Check]) -> list[str]:
    """About a tenth of a millisecond for each event of a device that signs."""
    kept = None if event.signature is None else bytes(event.signature)
    trouble = devices.trouble(keys, event.device, event.via, event.body, kept)
    return [trouble] if trouble else []


def _inside(event: EventRow, said: stored.Header, lines: list[LineRow]) -> Iterator[str]:
    root = tree.lines_root(bytes(event.salt), [line.text for line in lines])
    if root.hex() != said.lines.root:
        yield "its lines or their salt do not match the root in its text"
    if said.lines.n != len(lines) or [line.n for line in lines] != [*range(len(lines))]:
        yield f"{said.lines.n} lines were written, {len(lines)} are there"
    of = stored.read(said.data).get("of") if said.kind in AMENDING else None
    told = (said.id, said.ref, of, said.kind, said.at, said.by, said.org, said.dev, said.n)
    kept = (_uuid(event.id), event.ref and _uuid(event.ref), event.of and _uuid(event.of), *event[4:10])
    if told != kept:
        yield from _columns_that_differ(told, kept)
    for line in lines:
        about = stored.named(line.text)
        if (about.t if line.what == "t" else about.u) != line.subject:
            yield f"line {line.n} is filed under {line.subject}"


def _columns_that_differ(told: tuple[Any, ...], stored: tuple[Any, ...]) -> Iterator[str]:
    for name, ours, theirs in zip(("event_id", *EventRow._fields[2:10]), told, stored, strict=True):
        if ours != theirs:
            yield f"column {name} differs from its text"


def _uuid(found: str) -> str:
    """An id as the database writes it, as the ledger writes it: SQLite keeps the digits alone."""
    if len(found) != 32:
        return found
    return f"{found[:8]}-{found[8:12]}-{found[12:16]}-{found[16:20]}-{found[20:]}"


def _head_troubles(last: int) -> Iterator[str]:
    """The head and the newest event, read at one moment: both go on while a large log is hashed."""
    newest = Event.objects.order_by("-seq").values("seq")[:1]
    head = Head.objects.filter(id=1).annotate(newest=Subquery(newest)).first()
    size = (0 if head.newest is None else head.newest + 1) if head else _end()
    if (head.size if head else 0) != size:
        yield f"the head counts {head.size if head else 0} events, the log holds {size}"
    elif head and head.recorded_ms < last:
        yield "the head's time is before the newest event"
