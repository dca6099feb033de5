"""THE writer. Every event of the ledger comes through `record`.

Promises: one transaction, all of it or nothing; the head row is locked first, so writers queue and
numbers have no gaps; the touched tubes are folded anew from their whole history in that transaction;
the same event again is the same event, not a second one.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db import transaction

from custody import refold, triggers
from custody.core import canon, kinds, tree
from custody.core.event import Act
from custody.core.refusal import Refused
from custody.models import Event, Head, Line

MOST_LINES = 1_000  # ledger.md section 7, threat 27
LONGEST_BODY = 20_000


@dataclass(frozen=True)
class Recorded:
    """An event that is in the ledger. `new` is False when it was there already."""

    seq: int
    id: str
    kind: str
    new: bool = True


@dataclass(frozen=True)
class Written:
    """An act as the texts that will be hashed."""

    act: Act
    body: str
    texts: list[str]
    salt: bytes


def record(
    acts: Sequence[Act],
    *,
    login: str,
    via: str = "live",
    strict: bool = True,
    before: Callable[[], None] | None = None,
) -> list[Recorded]:
    """Append events in the order given and refold what they touch, or raise Refused and write nothing.

    login   who was signed in; via  how it came: live, sync, paper, bundle, import:<what>
    strict  a live screen: an act that breaks an invariant is refused. False: it is kept, and becomes
            a finding (what comes from the field is never dropped)
    before  reference rows that must stand or fall with the events; runs in the same transaction
    Refused with a code of `kinds`, `effects`, `canon`, or: key_reused, slot_taken, event_unknown,
    unit_inside_itself, too_many_lines.
    """
    written = [_write(act) for act in acts]
    triggers.require()
    with transaction.atomic(durable=True):
        head, now = _take_head()
        if there := _known(written):
            return there
        if before:
            before()
        done = [_append(head, one, now, login, via) for one in written]
        head.save(update_fields=["size", "recorded_ms"])
        wrong = _event_wrongs(written) if strict else []
        amending = any(act.kind in kinds.AMENDING for act in acts)
        problems = refold.touch(_subjects(acts), [one.id for one in done], refuse_contest=strict)
        if strict and not amending and (first := next(iter([*wrong, *problems]), None)):
            raise Refused(first[0], first[1], first[2])
    return done


def known(event_id: str) -> bool:
    """Whether this event is in the ledger."""
    return Event.objects.filter(event_id=event_id).exists()


def _write(act: Act) -> Written:
    kinds.check(act)
    if len(act.lines) > MOST_LINES:
        raise Refused("too_many_lines", f"One event may name {MOST_LINES} tubes, not more.")
    texts = [canon.text(dict(line)) for line in act.lines]
    salt = os.urandom(16)
    body = canon.text(act.header(tree.lines_root(salt, texts).hex()))
    if len(body) > LONGEST_BODY:
        raise Refused("event_too_long", "This event says more than one event may say.")
    return Written(act, body, texts, salt)


def _take_head() -> tuple[Head, int]:
    """Lock the head first, always; recorded time never goes back."""
    Head.objects.get_or_create(id=1)
    head = Head.objects.select_for_update().get(id=1)
    head.recorded_ms = max(head.recorded_ms, time.time_ns() // 1_000_000)
    return head, head.recorded_ms


def _known(written: Sequence[Written]) -> list[Recorded]:
    """The events as they were recorded when they all are there; Refused when an id says something else."""
    ids = [one.act.id for one in written]
    there = {str(event.event_id): event for event in Event.objects.filter(event_id__in=ids)}
    if not there:
        return []
    texts = refold.line_texts(there)
    for one in written:
        event = there.get(one.act.id)
        if event is None or _meaning(event.body) != _meaning(one.body) or texts[one.act.id] != one.texts:
            raise Refused("key_reused", "This form was sent before with other content. Open the page again.")
    return [Recorded(event.seq, key, event.kind, new=False) for key, event in there.items()]


def _meaning(body: str) -> dict[str, object]:
    said = canon.read(body)
    return {name: said.get(name) for name in ("kind", "by", "org", "data", "ref")}


def _append(head: Head, one: Written, now: int, login: str, via: str) -> Recorded:
    act = one.act
    of = _target(act) if act.kind in kinds.AMENDING else None
    event = Event.objects.create(
        event_id=act.id, seq=head.size, kind=act.kind, at_ms=act.at_ms, by=act.by, org=act.org, ref=act.ref,
        of=of, device=act.dev, device_n=act.extra.get("n"), recorded_ms=now, login=login, via=via,
        body=one.body, salt=one.salt, leaf=canon.leaf(tree.entry(now, login, one.body, via)),
    )  # fmt: skip
    Line.objects.bulk_create(
        Line(
            event=event, n=n, what="t" if "t" in line else "u", subject=line.get("t") or line["u"], text=text
        )
        for n, (line, text) in enumerate(zip(act.lines, one.texts, strict=True))
    )
    head.size += 1
    return Recorded(event.seq, act.id, act.kind)


def _target(act: Act) -> UUID:
    try:
        of = UUID(str(act.data["of"]))
    except ValueError as why:
        raise Refused("event_unknown", "There is no such event to amend.") from why
    if not Event.objects.filter(event_id=of).exists():
        raise Refused("event_unknown", "There is no such event to amend.")
    return of


def _subjects(acts: Iterable[Act]) -> set[tuple[str, str]]:
    named = {("t", line["t"]) if "t" in line else ("u", line["u"]) for act in acts for line in act.lines}
    amended = [str(act.data["of"]) for act in acts if act.kind in kinds.AMENDING]
    return named | refold.subjects_of(amended)


def _event_wrongs(written: Iterable[Written]) -> list[tuple[str, str, str | None]]:
    return [(code, sentence, None) for one in written for code, sentence in kinds.whole(one.act)]
