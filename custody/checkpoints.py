"""Checkpoints: what the log was at some size, signed, for others to keep.

Promises: two checkpoints never say different things of one history: nothing is signed that does not continue
the newest one that was signed before. Making one after an event never fails the event: it is logged, and the
next checkpoint covers it too. This is also the door through which papers ask for one.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial

from django.db import transaction

from custody import keys
from custody.core import note
from custody.models import Checkpoint, Head, Tile
from custody.tiles import Stored

KINDS = ("handed_off", "received", "shipped", "discarded")  # custody changes, or a tube is gone
HOUR_MS = 3_600_000
log = logging.getLogger(__name__)


class NotAContinuation(Exception):
    """The ledger is not the one that was signed before: cut, changed, or restored from a backup."""


@dataclass(frozen=True)
class Made:
    """A checkpoint as it is handed out. `words` is for eyes, `short` for a QR code."""

    size: int
    root: str
    note: str
    reason: str
    made_ms: int

    @property
    def words(self) -> str:
        return note.Checkpoint("", self.size, bytes.fromhex(self.root)).words()

    @property
    def short(self) -> str:
        return note.compact(self.note)


def make(reason: str) -> Made:
    """Sign what the log is now; the checkpoint of this size when there is one already.

    Raises NotAContinuation, ImproperlyConfigured (no key), or what the database raises.
    """
    secret = keys.secret()
    with transaction.atomic(durable=True):
        Head.objects.get_or_create(id=1)
        size = Head.objects.select_for_update().get(id=1).size
        if there := Checkpoint.objects.filter(size=size).first():
            return _made(there)
        stored = Stored()
        Tile.objects.bulk_create(stored.missing(size))
        _must_continue(size, stored)
        said = note.Checkpoint(secret.name, size, stored.part(0, size))
        signed = note.sign(said.text(), secret)
        row = Checkpoint.objects.create(
            size=size, root=said.root, note=signed, reason=reason, made_ms=time.time_ns() // 1_000_000
        )
        keys.keep_newest(signed)  # before the commit: better kept and not stored than the other way round
    return _made(row)


def _must_continue(size: int, stored: Stored) -> None:
    """What was signed last must be a beginning of what is signed now."""
    if not (kept := keys.newest()):
        return
    last = note.checkpoint(note.parts(kept)[0])
    if last.size > size:
        raise NotAContinuation(
            f"A checkpoint over {last.size} events was signed before; this ledger holds {size}. It was cut, "
            "or an older backup was put back."
        )
    if stored.part(0, last.size) != last.root:
        raise NotAContinuation(
            f"The first {last.size} events of this ledger are not those that were signed before."
        )


def promise(kinds: Iterable[str]) -> None:
    """Make a checkpoint once the running transaction is committed, if one of these events calls for it."""
    if reason := next((kind for kind in kinds if kind in KINDS), None):
        transaction.on_commit(partial(attempt, reason))


def attempt(reason: str) -> Made | None:
    """A checkpoint, or None with the trouble in the log: whoever asks goes on without one."""
    try:
        return make(reason)
    except Exception:
        log.exception("No checkpoint could be made (%s). The next one will cover these events too.", reason)
        return None


def newest() -> Made | None:
    row = Checkpoint.objects.order_by("-size").first()
    return _made(row) if row else None


def covering(seq: int) -> Made | None:
    """The newest checkpoint, if event number `seq` is under it. 1 query."""
    found = newest()
    return found if found and found.size > seq else None


def for_paper(seq: int) -> Made | None:
    """A checkpoint to print on a paper about event `seq`, made now when none covers it."""
    return covering(seq) or attempt("manifest")


def hourly(now_ms: int) -> Made | None:
    """A checkpoint when something is new and the last one is an hour old; None when there is no need."""
    last, head = newest(), Head.objects.filter(id=1).first()
    if head is None or (last and (last.size == head.size or now_ms - last.made_ms < HOUR_MS)):
        return None
    return make("hourly")


def change_key(*, new_origin: bool = False) -> str:
    """A new key, signed by the old one; its public line. The ledger is checked against the old one first."""
    with transaction.atomic(durable=True):
        Head.objects.get_or_create(id=1)
        size = Head.objects.select_for_update().get(id=1).size
        if not new_origin:
            _must_continue(size, Stored())
        return keys.change(new_origin=new_origin, size=size).public.text()


def forget_key() -> None:
    """For a demo that starts over: its next log has a key and a name of its own."""
    keys.forget()


def ready() -> str:
    """Make the key at the first start; its public line. ImproperlyConfigured when it cannot be used."""
    return keys.secret().public.text()


def _made(row: Checkpoint) -> Made:
    return Made(row.size, bytes(row.root).hex(), row.note, row.reason, row.made_ms)
