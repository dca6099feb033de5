"""Recompute everything that was hashed and compare it with what is stored.

Promises: any change of a stored byte of an event, of a line, of a salt or of a number in the log is
named. A change that was made consistently through all hashes needs an outside copy of a root to be seen.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from custody.core import canon, tree
from custody.models import Event, Head, Line

CHUNK = 500


@dataclass
class Report:
    """What was found. `root` is the hex root over all events as they are stored now."""

    events: int = 0
    lines: int = 0
    root: str = ""
    wrong: list[str] = field(default_factory=list)


def verify() -> Report:
    """The whole log, oldest first, in slices of 500 events (2 queries each)."""
    report, frontier = Report(), tree.Frontier()
    last = 0
    for event, lines in _log():
        for trouble in _troubles(event, lines, report.events, last):
            report.wrong.append(f"event {event.seq} ({event.event_id}): {trouble}")
        frontier.add(canon.leaf(tree.entry(event.recorded_ms, event.login, event.body, event.via)))
        last = event.recorded_ms
        report.events += 1
        report.lines += len(lines)
    report.root = frontier.root().hex()
    report.wrong += _head_troubles(report.events, last)
    return report


def _log() -> Iterator[tuple[Event, list[Line]]]:
    done = -1
    while events := list(Event.objects.filter(seq__gt=done).order_by("seq")[:CHUNK]):
        lines: dict[Any, list[Line]] = {one.event_id: [] for one in events}
        for line in Line.objects.filter(event_id__in=list(lines)).order_by("event_id", "n"):
            lines[line.event_id].append(line)
        for one in events:
            yield one, lines[one.event_id]
        done = events[-1].seq


def _troubles(event: Event, lines: list[Line], expected_seq: int, last: int) -> Iterator[str]:
    if event.seq != expected_seq:
        yield f"number {expected_seq} was expected; the log has a gap"
    if event.recorded_ms < last:
        yield "recorded before the event ahead of it"
    if "\n" in event.login + event.via:
        yield "the login or the way it came holds a line end"
    elif canon.leaf(tree.entry(event.recorded_ms, event.login, event.body, event.via)) != bytes(event.leaf):
        yield "its text, time or login does not match its hash"
    try:
        yield from _inside(event, canon.read(event.body), lines)
    except (ValueError, KeyError, TypeError, AttributeError):
        yield "its text cannot be read"


def _inside(event: Event, said: dict[str, Any], lines: list[Line]) -> Iterator[str]:
    texts = [line.text for line in lines]
    if tree.lines_root(bytes(event.salt), texts).hex() != said["lines"]["root"]:
        yield "its lines or their salt do not match the root in its text"
    if [line.n for line in lines] != list(range(said["lines"]["n"])):
        yield f"{said['lines']['n']} lines were written, {len(lines)} are there"
    of = said["data"].get("of") if said["kind"] in {"voided", "corrected"} else None
    told = {
        "event_id": said["id"], "kind": said["kind"], "at_ms": said["at"], "by": said["by"],
        "org": said["org"], "ref": said.get("ref"), "of": of, "device": said["dev"],
        "device_n": said.get("n"),
    }  # fmt: skip
    for name, value in told.items():
        stored = getattr(event, name)
        if (str(stored) if name in {"event_id", "ref", "of"} and stored else stored) != value:
            yield f"column {name} differs from its text"
    for line in lines:
        named = canon.read(line.text)
        if named.get("t" if line.what == "t" else "u") != line.subject:
            yield f"line {line.n} is filed under {line.subject}"


def _head_troubles(size: int, last: int) -> Iterator[str]:
    head = Head.objects.filter(id=1).first()
    if (head.size if head else 0) != size:
        yield f"the head counts {head.size if head else 0} events, the log holds {size}"
    elif head and head.recorded_ms < last:
        yield "the head's time is before the newest event"
