"""How a person's click becomes an event: the one step between actions and the ledger.

Promises: the clock is read once per write, here; `by`, agency and zone come from who is signed in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.utils import timezone

from biobank.access import person
from biobank.models import Person
from custody.core.canon import nfc
from custody.core.event import Act, Value
from custody.record import Recorded, record


@dataclass(frozen=True)
class Actor:
    """Somebody who acts, as the ledger knows them.

    typist  who types for somebody that has no login, from a paper for example; via: how it came
    """

    person: Person
    login: str
    typist: Person | None = None
    via: str = "live"

    @classmethod
    def of(cls, user: Any) -> Actor:
        return cls(person(user), user.get_username())

    @property
    def code(self) -> str:
        return self.person.code

    @property
    def org(self) -> str:
        return self.person.agency.code

    @property
    def tz(self) -> str:
        return self.person.programme.tz

    def typed(self, when: datetime, now: datetime) -> datetime:
        """When an act that happened at `when` is typed: now."""
        return now


def ms(at: datetime) -> int:
    """UTC milliseconds of an aware moment."""
    return round(at.timestamp() * 1000)


def act(
    actor: Actor,
    kind: str,
    *,
    key: str,
    at: datetime | None = None,
    data: Mapping[str, Value] | None = None,
    lines: Sequence[Mapping[str, Value]] = (),
    ref: str | None = None,
    unc_s: int = 0,
    tz: str | None = None,
) -> Act:
    """One act, said now, that happened at `at` (aware; empty means now)."""
    now = timezone.now()
    zone = tz or actor.tz
    when = at or now
    offset = when.astimezone(ZoneInfo(zone)).utcoffset()
    typist = actor.typist or actor.person
    return Act(
        kind=kind, at_ms=ms(when), by=actor.code, org=actor.org, id=key, tz=zone, unc_s=unc_s,
        off_min=round(offset.total_seconds() / 60) if offset else 0,
        data=nfc(dict(data or {})), lines=nfc(list(lines)), ref=ref, rec_by=typist.code,
        rec_at=ms(actor.typed(when, now)),
    )  # fmt: skip


def perform(
    actor: Actor, kind: str, *, before: Callable[[], None] | None = None, strict: bool = True, **said: Any
) -> Recorded:
    """Write one event now, or raise Refused and write nothing. Takes what `act` takes."""
    return perform_all(actor, [act(actor, kind, **said)], actor.via, before=before, strict=strict)[0]


def perform_all(
    actor: Actor,
    acts: Sequence[Act],
    via: str = "live",
    before: Callable[[], None] | None = None,
    strict: bool = True,
) -> list[Recorded]:
    """Write several events in one transaction, all or none, after `before` in that same transaction.

    strict False: somebody was told that this breaks an invariant and keeps it; it becomes a finding.
    """
    return record(acts, login=actor.login, via=via, before=before, strict=strict)


@contextmanager
def saving(user: Any, reason: str, *objects: Any) -> Iterator[None]:
    """Give these reference rows their history's who and why, for the saves inside the block."""
    for row in objects:
        row._history_user = user
        row._change_reason = reason
    yield
