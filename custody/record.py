"""THE writer. Every event of the ledger comes through `record`.

Promises: one transaction, all of it or nothing; the head row is locked first, so writers queue and
numbers have no gaps; the touched tubes are folded anew from their whole history in that transaction;
the same event again is the same event, not a second one.
"""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db import connection, transaction

from custody import checkpoints, refold, triggers
from custody.core import amend, canon, kinds, tree
from custody.core.event import Act
from custody.core.refusal import Refused
from custody.models import Event, Head, Line

MOST_LINES = 1_000  # more in one item would fill the disk
LONGEST_BODY = 20_000
BACK_MS = 2 * 60_000  # a clock that is set right by seconds is no news; common practice, no source
log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Recorded:
    """An event that is in the ledger. `new` is False when it was there already."""

    seq: int
    id: str
    kind: str
    new: bool = True


@dataclass(frozen=True)
class Written:
    """An act as the texts that will be hashed.

    exact  it came as texts: the same id is the same event only when the very texts are the same
    """

    act: Act
    body: str
    texts: list[str]
    salt: bytes
    signature: bytes | None = None
    exact: bool = False


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
    strict  a live screen: an act that breaks an invariant is refused, also when it is an amendment that
            makes something else impossible; what was wrong before is no reason. False: it is kept, and
            becomes a finding (what comes from the field is never dropped)
    before  reference rows that must stand or fall with the events; runs in the same transaction
    Refused with a code of `kinds`, `effects`, `canon`, or: key_reused, slot_taken, event_unknown,
    unit_inside_itself, too_many_lines.
    """
    return append([_write(act) for act in acts], login=login, via=via, strict=strict, before=before)


def append(
    written: Sequence[Written],
    *,
    login: str,
    via: str,
    strict: bool,
    before: Callable[[], None] | None = None,
) -> list[Recorded]:
    """`record`, for texts that are written already (`custody.sync` has them from a device)."""
    acts = [one.act for one in written]
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
        subjects = _subjects(acts) | (set() if strict else _answers(done))
        problems = refold.touch(subjects, [one.id for one in done], refuse_contest=strict)
        if strict and (first := next(iter([*wrong, *problems]), None)):
            raise Refused(first[0], first[1], first[2])
        checkpoints.promise(act.kind for act in acts)
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
    now = time.time_ns() // 1_000_000
    if head.recorded_ms > now + BACK_MS:
        log.warning("The server's clock is %s s behind the newest event.", (head.recorded_ms - now) // 1000)
    head.recorded_ms = max(head.recorded_ms, now)
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
        if event is None or not _same(event.body, one) or texts[one.act.id] != one.texts:
            if one.exact:
                raise Refused(
                    "key_reused", "Another event with this id is there, and it says something else."
                )
            raise Refused("key_reused", "This form was sent before with other content. Open the page again.")
    return [Recorded(event.seq, key, event.kind, new=False) for key, event in there.items()]


def _same(body: str, one: Written) -> bool:
    return body == one.body if one.exact else _meaning(body) == _meaning(one.body)


def _meaning(body: str) -> dict[str, object]:
    said = canon.read(body)
    return {name: said.get(name) for name in ("kind", "by", "org", "data", "ref")}


def _append(head: Head, one: Written, now: int, login: str, via: str) -> Recorded:
    act = one.act
    of = _target(act) if act.kind in kinds.AMENDING else None
    if of and act.kind == "corrected":
        _still_an_event(of, act)
    if (n := act.extra.get("n")) is not None:
        _number_is_free(act.dev, n)
    event = Event.objects.create(
        event_id=act.id, seq=head.size, kind=act.kind, at_ms=act.at_ms, by=act.by, org=act.org, ref=act.ref,
        of=of, device=act.dev, device_n=n, recorded_ms=now, login=login, via=via,
        body=one.body, salt=one.salt, signature=one.signature,
        leaf=canon.leaf(tree.entry(now, login, one.body, via)),
    )  # fmt: skip
    key = Line._meta.get_field("event").get_db_prep_save(event.pk, connection)
    refold.insert(
        Line,
        (
            {"event_id": key, "n": n, "what": "t" if "t" in line else "u",
             "subject": line.get("t") or line["u"], "text": text}
            for n, (line, text) in enumerate(zip(act.lines, one.texts, strict=True))
        ),
    )  # fmt: skip
    head.size += 1
    return Recorded(event.seq, act.id, act.kind)


def _number_is_free(device: str, n: int) -> None:
    if Event.objects.filter(device=device, device_n=n).exists():
        raise Refused("device_number_once", f"Another event has number {n} of the device {device} already.")


def _answers(done: Sequence[Recorded]) -> set[tuple[str, str]]:
    """Subjects of events that answer these and came before them: their place in a history follows from it."""
    ids = Event.objects.filter(ref__in=[one.id for one in done]).values_list("event_id", flat=True)
    return refold.subjects_of([str(one) for one in ids])


def _target(act: Act) -> UUID:
    try:
        of = UUID(str(act.data["of"]))
    except ValueError as why:
        raise Refused("event_unknown", "There is no such event to amend.") from why
    if not Event.objects.filter(event_id=of).exists():
        raise Refused("event_unknown", "There is no such event to amend.")
    return of


def _still_an_event(of: UUID, act: Act) -> None:
    """A correction is read at every fold, so one that cannot be read is refused, strict or not."""
    said = canon.read(Event.objects.values_list("body", flat=True).get(event_id=of))
    lines = [canon.read(text) for text in refold.line_texts([str(of)])[str(of)]]
    amend.check(said, lines, act.data["set"])


def _subjects(acts: Iterable[Act]) -> set[tuple[str, str]]:
    named = {("t", line["t"]) if "t" in line else ("u", line["u"]) for act in acts for line in act.lines}
    amended = [str(act.data["of"]) for act in acts if act.kind in kinds.AMENDING]
    return named | refold.subjects_of(amended)


def _event_wrongs(written: Iterable[Written]) -> list[tuple[str, str, str | None]]:
    return [(code, sentence, None) for one in written for code, sentence in kinds.whole(one.act)]
