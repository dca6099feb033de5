"""Recompute everything that was hashed and compare it with what is stored.

Promises: any change of a stored byte of an event, of a line, of a salt or of a number in the log is
named. A change that was made consistently through all hashes is named when a checkpoint from before it is
still there: in the database, beside the key, or in a file that somebody brings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from django.db.models import CharField
from django.db.models.functions import Cast

from custody import devices
from custody.core import canon, tree
from custody.core.kinds import AMENDING
from custody.models import Event, Head, Line
from custody.witness import Watch, Witness, kept_here

CHUNK = 500


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


def verify(held: Iterable[Witness] = (), seen: Callable[[], object] = lambda: None) -> Report:
    """The whole log, oldest first, in slices of 500 events (2 queries each).

    held  checkpoints that were brought from outside; seen  called after each event
    """
    watch = Watch([*kept_here(), *held])
    report, frontier = Report(checkpoints=watch.checkpoints, witnesses=watch.names), tree.Tiled()
    report.wrong += watch.grown(frontier, [])
    last, keys = 0, devices.keyring()
    for event, lines in _log():
        leaf = canon.leaf(event.entry)
        for trouble in _troubles(event, leaf, lines, report.events, last, keys):
            report.wrong.append(f"event {event.seq} ({_uuid(event.id)}): {trouble}")
        report.wrong += watch.grown(frontier, frontier.add(leaf))
        last = event.recorded_ms
        report.events += 1
        report.lines += len(lines)
        seen()
    report.root = frontier.root().hex()
    report.wrong += watch.ended(report.events)
    report.wrong += _head_troubles(report.events, last)
    return report


def _log() -> Iterator[tuple[EventRow, list[LineRow]]]:
    done = -1
    # ids as text: making a UUID of each would take longer than hashing the event
    ids = {f"{name}_text": Cast(name, CharField()) for name in ("event_id", "ref", "of")}
    columns = ["seq", *ids, *EventRow._fields[4:]]
    rows = Event.objects.annotate(**ids).order_by("seq").values_list(*columns)
    while events := [EventRow(*row) for row in rows.filter(seq__gt=done)[:CHUNK]]:
        lines = _lines(events[0].seq, events[-1].seq)
        for one in events:
            yield one, lines.get(one.seq, [])
        done = events[-1].seq


def _lines(first: int, last: int) -> dict[int, list[LineRow]]:
    """The lines of the events with these numbers, in order."""
    found: dict[int, list[LineRow]] = {}
    lines = Line.objects.filter(event__seq__gte=first, event__seq__lte=last).order_by("event__seq", "n")
    for seq, *line in lines.values_list("event__seq", *LineRow._fields):
        found.setdefault(seq, []).append(LineRow(*line))
    return found


def _troubles(
    event: EventRow, leaf: bytes, lines: list[LineRow], expected_seq: int, last: int,
    keys: dict[str, devices.Check],
) -> Iterator[str]:  # fmt: skip
    if event.seq != expected_seq:
        yield f"number {expected_seq} was expected; the log has a gap"
    if event.recorded_ms < last:
        yield "recorded before the event ahead of it"
    if "\n" in event.login or "\n" in event.via:
        yield "the login or the way it came holds a line end"
    elif leaf != bytes(event.leaf):
        yield "its text, time or login does not match its hash"
    try:
        yield from _inside(event, canon.read(event.body), lines)
    except (ValueError, KeyError, TypeError, AttributeError):
        yield "its text cannot be read"
    yield from _signature(event, keys)


def _signature(event: EventRow, keys: dict[str, devices.Check]) -> list[str]:
    """About a tenth of a millisecond for each event of a device that signs."""
    kept = None if event.signature is None else bytes(event.signature)
    trouble = devices.trouble(keys, event.device, event.via, event.body, kept)
    return [trouble] if trouble else []


def _inside(event: EventRow, said: dict[str, Any], lines: list[LineRow]) -> Iterator[str]:
    if tree.lines_root(bytes(event.salt), [line.text for line in lines]).hex() != said["lines"]["root"]:
        yield "its lines or their salt do not match the root in its text"
    if [line.n for line in lines] != list(range(said["lines"]["n"])):
        yield f"{said['lines']['n']} lines were written, {len(lines)} are there"
    of = said["data"].get("of") if said["kind"] in AMENDING else None
    told = (
        said["id"], said.get("ref"), of, said["kind"], said["at"], said["by"], said["org"], said["dev"],
        said.get("n"),
    )  # fmt: skip
    stored = (_uuid(event.id), _uuid(event.ref), _uuid(event.of), *event[4:10])
    if told != stored:
        yield from _columns_that_differ(told, stored)
    for line in lines:
        if canon.read(line.text).get("t" if line.what == "t" else "u") != line.subject:
            yield f"line {line.n} is filed under {line.subject}"


def _columns_that_differ(told: tuple[Any, ...], stored: tuple[Any, ...]) -> Iterator[str]:
    for name, ours, theirs in zip(("event_id", *EventRow._fields[2:10]), told, stored, strict=True):
        if ours != theirs:
            yield f"column {name} differs from its text"


def _uuid(found: str | None) -> str | None:
    """An id as the database writes it, as the ledger writes it: SQLite keeps the digits alone."""
    if found is None or len(found) != 32:
        return found
    return f"{found[:8]}-{found[8:12]}-{found[12:16]}-{found[16:20]}-{found[20:]}"


def _head_troubles(size: int, last: int) -> Iterator[str]:
    head = Head.objects.filter(id=1).first()
    if (head.size if head else 0) != size:
        yield f"the head counts {head.size if head else 0} events, the log holds {size}"
    elif head and head.recorded_ms < last:
        yield "the head's time is before the newest event"
