"""Loggers that send by themselves: their passwords, what they sent, and the sealing of days that are over.

Promises: the same reading sent twice is one; a day is sealed into a block once it has been over for some
hours, in the same transaction that lets go of its single readings; another value for a moment is a
conflict, never a change.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from biobank.acting import Actor, ms, saving
from biobank.models import AlarmSetting, AlarmWatch, LiveReading, Logger, LoggerToken
from biobank.models.loggers import DAY_MS
from biobank.temperature import blocks, sealing, stale
from custody.core.refusal import Refused
from custody.core.thermal import GAP_FACTOR

SEAL_AFTER = timedelta(
    hours=6
)  # late readings of a day usually come within hours. Common practice, no source
LOOKED_AFTER = timedelta(minutes=10)  # a reading may have been on its way when a round of alarms ran
USED_EVERY = timedelta(minutes=5)  # how exactly the last use of a password is noted

Sent = Sequence[tuple[int, int]]  # UTC ms, hundredths of °C or blocks.ERROR


# --- passwords ------------------------------------------------------------------------------------


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


@transaction.atomic
def give_token(actor: Actor, logger: Logger, name: str, reason: str = "A logger sends by itself") -> str:
    """A new password for this logger. It is told once and only its hash is kept."""
    secret = secrets.token_urlsafe(32)
    token = LoggerToken(logger=logger, name=name, sha256=_hash(secret), by=actor.person)
    with saving(actor.person.user, reason, token):
        token.save()
    return secret


@transaction.atomic
def revoke_token(actor: Actor, token: LoggerToken, reason: str) -> None:
    """The password counts no longer. Again: nothing. Refused `reason_required`."""
    if not reason.strip():
        raise Refused("reason_required", "Say why this password shall count no longer.")
    if token.revoked is not None:
        return
    token.revoked, token.revoked_by = timezone.now(), actor.person
    with saving(actor.person.user, reason, token):
        token.save()


def logger_of(secret: str, now: datetime) -> Logger:
    """Whose password this is. Refused `token_unknown`, `logger_retired`."""
    token = LoggerToken.objects.select_related("logger").filter(sha256=_hash(secret), revoked=None).first()
    if token is None:
        raise Refused("token_unknown", "This password is unknown or counts no longer.")
    if token.logger.retired:
        raise Refused("logger_retired", f"{token.logger.code} is retired; nothing more is taken from it.")
    if token.used is None or now - token.used > USED_EVERY:
        LoggerToken.objects.filter(pk=token.pk).update(used=now)
    return token.logger


# --- readings -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Taken:
    """What became of the readings that were sent."""

    new: int
    already: int
    conflicts: int


@transaction.atomic
def take(logger: Logger, sent: Sent, now: datetime) -> Taken:
    """Keep readings that a logger sent, and seal its days that are over."""
    Logger.objects.select_for_update().get(pk=logger.pk)
    said = dict(sent)
    rows = LiveReading.objects.filter(logger=logger, at_ms__gte=min(said), at_ms__lte=max(said))
    known = dict(rows.values_list("at_ms", "centi"))
    fresh = [
        LiveReading(logger=logger, at_ms=at, centi=centi) for at, centi in said.items() if at not in known
    ]
    LiveReading.objects.bulk_create(fresh, batch_size=500)
    differs = [
        sealing.Conflict(at, known[at], centi)
        for at, centi in said.items()
        if at in known and known[at] != centi
    ]
    sealing.keep(logger, sealing.unsaid(logger, differs), None)
    seal(logger, now)
    return Taken(len(fresh), len(said) - len(fresh) - len(differs), len(differs))


@transaction.atomic
def seal(logger: Logger, now: datetime) -> int:
    """Days of this logger that have been over for some hours become blocks; how many readings these held.

    What came since the last round of alarms waits for the next. Refused `reading_seal_broken`: then its
    single readings stay.
    """
    Logger.objects.select_for_update().get(pk=logger.pk)
    today = ms(now - SEAL_AFTER) // DAY_MS * DAY_MS
    over = LiveReading.objects.filter(_looked_at(), logger=logger, at_ms__lt=today)
    said = list(over.order_by("at_ms").values_list("at_ms", "centi"))
    if not said:
        return 0
    held = blocks.of([at for at, _ in said], [centi for _, centi in said], GAP_FACTOR * logger.interval_ms)
    days = sealing.days(logger, held)
    sealing.write(logger, [day for day in days if day.changes], None)
    differs = [one for day in days for one in day.conflicts()]
    sealing.keep(logger, sealing.unsaid(logger, differs), None)
    over.delete()
    stale.touched([logger.pk], said[0][0], said[-1][0], "readings were added")
    return len(said)


def _looked_at() -> Q:
    """Which readings may be sealed: those at which the alarms have looked, where anything is watched. A
    round finds what came late among the single readings alone. 2 queries."""
    ran = AlarmWatch.objects.values_list("ran", flat=True).first()
    if ran is None or not AlarmSetting.objects.filter(active=True).exists():
        return Q()
    return Q(got__lt=ran - LOOKED_AFTER)


def seal_all(now: datetime) -> dict[str, int | str]:
    """For each logger that has sent: how many readings were sealed, or why none could be."""
    found: dict[str, int | str] = {}
    for logger in Logger.objects.filter(live__isnull=False).distinct():
        try:
            found[logger.code] = seal(logger, now)
        except Refused as no:
            found[logger.code] = no.sentence
    return found
