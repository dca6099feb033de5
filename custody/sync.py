"""Batches of events that devices made while there was no network, and what became of each.

Promises: whatever an item holds, `take` answers with a verdict for it and goes on with the next; what is
taken is stored as the very texts that the device hashed, what is not is held as it was sent; the same item
again is the same event; the order of arrival is free (what amends an event that has not come yet waits).
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import DataError, IntegrityError

from custody import devices, held, refold
from custody.core import canon, kinds, received
from custody.core.fold import FUTURE_MS
from custody.core.received import Received
from custody.core.refusal import Refused
from custody.models import Device, Event, Held
from custody.record import Recorded, Written, append

MOST_ITEMS = 100
MOST_BYTES = 1_000_000  # of one batch
BROKEN = (
    ValueError, TypeError, LookupError, AttributeError, ArithmeticError, RecursionError, ValidationError,
    DataError, IntegrityError,
)  # fmt: skip
log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Verdict:
    """What became of one item: `new`, `have` (it was there), or `held` with a code and a sentence why.

    id  as the item calls itself, when that can be read; held  its number on the work list
    """

    word: str
    id: str | None = None
    code: str = ""
    why: str = ""
    held: int | None = None


def take(device: str, items: Sequence[Any], login: str) -> list[Verdict]:
    """A verdict for each item, in the order given. Items are those of `custody.core.received.read`.

    device  code of the device that is connected; login  who is signed in on it
    Refused, and nothing is looked at: batch_malformed, batch_too_large, held_too_many.
    """
    raws = _batch(device, items, login)
    known = devices.find(device)
    verdicts = [_one(device, known, item, raw, login) for item, raw in zip(items, raws, strict=True)]
    held.taken(device, [raw for raw, one in zip(raws, verdicts, strict=True) if one.word != "held"], login)
    stored = {one.id for one in verdicts if one.id and one.word == "new"}
    arrived = _arrived(stored | _came_meanwhile(verdicts))
    return [Verdict(arrived[one.held], one.id) if one.held in arrived else one for one in verdicts]


def let_in(pk: int, *, login: str, note: str) -> Recorded:
    """Take a held item after somebody looked at it; the entry says who did, and `review`.

    Refused: held_unknown, held_settled, and what is wrong with the item itself, which nobody can let in.
    """
    row = _open(pk)
    try:
        item = json.loads(row.raw)
    except ValueError as why:
        raise Refused("item_too_long", "This item was too long to be kept whole.") from why
    known = devices.find(row.device)
    one = _checked(row.device, known, item, held.DOUBTS)
    done = _stored(one, login, "review")
    held.settle(pk, "let_in", login, note)
    _arrived({done.id})
    return done


def set_aside(pk: int, *, login: str, note: str) -> None:
    """Close a held item without taking it. Refused: held_unknown, held_settled."""
    if not held.settle(_open(pk).pk, "set_aside", login, note):
        raise Refused("held_settled", "Somebody has settled this item already.")


def _open(pk: int) -> Held:
    row = held.open_row(pk)
    if row is None:
        raise Refused("held_unknown", "There is no such item.")
    if row.settled_as:
        raise Refused("held_settled", "Somebody has settled this item already.")
    return row


def _batch(device: Any, items: Any, login: str) -> list[str]:
    if not isinstance(device, str) or not isinstance(items, list | tuple):
        raise Refused("batch_malformed", "A batch is a list of items of one device.")
    if len(items) > MOST_ITEMS:
        raise Refused("batch_too_large", f"Send at most {MOST_ITEMS} items at once.")
    raws = [held.written(item) for item in items]
    if sum(map(len, raws)) > MOST_BYTES:
        raise Refused("batch_too_large", f"Send at most {MOST_BYTES // 1000} kB at once.")
    held.room(device, login)
    return raws


def _one(device: str, known: Device | None, item: Any, raw: str, login: str) -> Verdict:
    try:
        if len(raw) > received.LONGEST_ITEM:
            raise Refused("item_too_long", "This item is longer than one event may be.")
        one = _checked(device, known, item, frozenset())
        done = _stored(one, login, "sync")
    except Refused as no:
        return _held(raw, no, device, login, _waits_for(no, item))
    return Verdict("new" if done.new else "have", done.id)


def _held(raw: str, no: Refused, device: str, login: str, waits_for: str | None) -> Verdict:
    row = held.hold(raw, no, device, login, waits_for)
    return Verdict("held", str(row.event_id) if row.event_id else None, row.code, row.why, row.pk)


def _checked(device: str, known: Device | None, item: Any, forgiven: frozenset[str]) -> Received:
    """The item as an act that this device may say; Refused with the first thing that is wrong."""
    try:
        one = received.read(item)
        _zone(one.act.tz)
        if _there(one):
            return one
        for code, sentence in [*_doubts(device, known, one), *_amending_doubts(known, one)]:
            if code not in forgiven:
                raise Refused(code, sentence)
        return one if known and _proves(device, known, one) else replace(one, signature=None)
    except BROKEN as why:
        raise _puzzle(why) from why


def _proves(device: str, known: Device, one: Received) -> bool:
    """A signature that proves nothing is not kept beside the event (a held item keeps it, as it was sent)."""
    return bool(known.public_key) and one.act.dev == device and not _signature_doubts(known, one)


def _there(one: Received) -> bool:
    """It was taken before, and so was asked who may say it: a device that was revoked may send it again."""
    return Event.objects.filter(event_id=one.act.id, body=one.body).exists()


def _zone(name: str) -> None:
    try:
        ZoneInfo(name)
    except (ValueError, LookupError, OSError) as why:
        raise Refused("zone_unknown", "There is no such time zone.") from why


def _doubts(device: str, known: Device | None, one: Received) -> list[tuple[str, str]]:
    act = one.act
    if known is None:
        return [("device_unknown", "This device is not registered.")]
    found = [("device_revoked", "This device was revoked.")] if known.revoked_ms is not None else []
    if act.dev != device:
        found.append(("device_foreign", f"This was said by the device {act.dev}, and sent by another."))
    if "n" not in act.extra:
        found.append(("number_missing", "A device numbers what it says, from 1."))
    if act.org != known.org:
        found.append(("agency_foreign", f"This device speaks for {known.org}, not for {act.org}."))
    if known.person and act.rec_by != known.person:
        found.append(("person_foreign", f"On this device {known.person} writes, not {act.rec_by}."))
    return found + _signature_doubts(known, one)


def _signature_doubts(known: Device, one: Received) -> list[tuple[str, str]]:
    if not known.public_key:
        return []
    if one.signature is None:
        return [("signature_missing", "This device signs what it says, and here is no signature.")]
    if not devices.signed(known.public_key, one.body, one.signature):
        return [("signature_wrong", "The signature does not fit the text: one of them was changed.")]
    return []


def _amending_doubts(known: Device | None, one: Received) -> list[tuple[str, str]]:
    act = one.act
    if act.kind == "discrepancy_resolved" and act.data.get("finding"):
        return [("closes_finding", "A finding is closed by somebody who can see it.")]
    if act.kind not in kinds.AMENDING:
        return []
    of = Event.objects.filter(event_id=act.data["of"]).first()
    if of is None:
        raise Refused("event_unknown", "The event that this amends has not come yet.")
    if act.kind == "corrected":
        _fits(of, act.data["set"])
    found = []
    if act.rec_at is not None and act.rec_at > time.time_ns() // 1_000_000 + FUTURE_MS:
        found.append(
            ("amends_in_future", "This was typed in the future, so it would overrule what is said now.")
        )
    if known is not None and (of.org != known.org or _new_org(act.data) not in (None, known.org)):
        found.append(
            ("amends_foreign", f"This amends what {of.org} said; the device speaks for {known.org}.")
        )
    return found


def _new_org(data: Any) -> Any:
    return (data.get("set") or {}).get("org")


def _fits(of: Event, fields: Any) -> None:
    lines = [canon.read(text) for text in refold.line_texts([str(of.event_id)])[str(of.event_id)]]
    received.corrected(canon.read(of.body), lines, fields)
    if "tz" in fields:
        _zone(fields["tz"])


def _stored(one: Received, login: str, via: str) -> Recorded:
    written = Written(one.act, one.body, one.texts, one.salt, one.signature, exact=True)
    try:
        return append([written], login=login, via=via, strict=False)[0]
    except BROKEN as why:
        raise _puzzle(why) from why


def _puzzle(why: Exception) -> Refused:
    """Nobody thought of this item: it is held like any other, and the log of the server says what broke."""
    log.error("an item of a device could not be read", exc_info=why)
    return Refused("item_not_understood", "This item could not be read; it is kept as it came.")


def _waits_for(no: Refused, item: Any) -> str | None:
    return received.read(item).act.data["of"] if no.code == "event_unknown" else None


def _came_meanwhile(verdicts: list[Verdict]) -> set[str]:
    """What items of this batch wait for and another request has brought since they were looked at."""
    pks = [one.held for one in verdicts if one.code == "event_unknown"]
    ids = Held.objects.filter(pk__in=pks, settled_as="").values_list("waits_for", flat=True) if pks else []
    there = Event.objects.filter(event_id__in=list(ids)) if pks else []
    return {str(one.event_id) for one in there}


def _arrived(ids: set[str]) -> dict[int | None, str]:
    """Take what waited for these events, and what waited for that; those rows, and `new` or `have`."""
    done: dict[int | None, str] = {}
    while ids:
        rows, ids = held.waiting_for(ids), set()
        for row in rows:
            try:
                one = _checked(row.device, devices.find(row.device), json.loads(row.raw), frozenset())
                stored = _stored(one, row.login, "sync")
            except Refused as no:
                if no.code != "event_unknown":
                    held.another_reason(row, no)
            else:
                held.settle(row.pk, "arrived", row.login)
                ids.add(stored.id)
                done[row.pk] = "new" if stored.new else "have"
    return done
