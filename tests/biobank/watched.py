"""A freezer that is watched, with a logger that sends by itself, for the tests of alarms."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from biobank.acting import ms, saving
from biobank.models import AlarmSetting, LiveReading, Logger, LoggerPlacement, OnCall, Unit
from tests.people import People, moment

MIN = 60_000
NOON = moment(12)


def at(minutes: float) -> datetime:
    """So many minutes after noon of the field day."""
    return NOON + timedelta(minutes=minutes)


def logger_in(people: People, unit: Unit, code: str = "T-1", since=-60 * 24 * 30, until=None) -> Logger:
    """A logger that governs a unit; since, until: minutes from noon."""
    logger = Logger.objects.create(code=code, agency=people.nlb, interval_s=300)
    LoggerPlacement.objects.create(
        logger=logger, unit=unit, from_ms=ms(at(since)), to_ms=None if until is None else ms(at(until))
    )
    return logger


def watched(people: People, unit: Unit, delay_min=30, silence_min=60, since=-60 * 24) -> AlarmSetting:
    setting = AlarmSetting(unit=unit, delay_s=delay_min * 60, silence_s=silence_min * 60)
    setting._history_date = at(since)
    with saving(people.user("curator"), "watch it", setting):
        setting.save()
    return setting


def reads(logger: Logger, rows: Iterable[tuple[float, float]], got: datetime | None = None) -> None:
    """Readings that the logger sent: (minutes after noon, °C)."""
    LiveReading.objects.bulk_create(
        LiveReading(logger=logger, at_ms=ms(NOON) + round(t * MIN), centi=round(100 * c)) for t, c in rows
    )
    if got is not None:
        LiveReading.objects.filter(logger=logger).update(got=got)


def steady(start: float, stop: float, celsius: float, every: float = 5) -> list[tuple[float, float]]:
    """Readings of one temperature, from start to before stop, minutes after noon."""
    n = round((stop - start) / every)
    return [(start + k * every, celsius) for k in range(n)]


def call(people: People, role: str, rank=1, after_min=30, start=-60 * 24, stop=None) -> OnCall:
    return OnCall.objects.create(
        person=people.person(role), email=f"{role}@example.org", rank=rank, after_s=after_min * 60,
        from_ms=ms(at(start)), to_ms=None if stop is None else ms(at(stop)),
    )  # fmt: skip
