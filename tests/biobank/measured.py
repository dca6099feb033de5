"""Loggers with readings for the tests of pictures: sealed blocks as an import makes them, without a file."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np

from biobank.models import Logger, LoggerPlacement, ReadingBlock
from biobank.temperature import blocks
from tests import people as builders

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR


def utc(text: str) -> int:
    """UTC ms of `2026-05-03T09:12`."""
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def logger_in(
    people: builders.People, code: str, unit: str, start: int = 0, end: int | None = None,
    *, governing: bool = True, medium: str = "air",
) -> Logger:  # fmt: skip
    """A logger that stands in a unit."""
    made = Logger.objects.create(code=code, agency=people.nlb, interval_s=300, serial=f"SN-{code}")
    LoggerPlacement.objects.create(
        logger=made, unit=people.units[unit], from_ms=start, to_ms=end, governing=governing, medium=medium
    )
    return made


def measure(logger: Logger, times: list[int] | np.ndarray, centi: list[int] | np.ndarray) -> None:
    """Its readings, in sealed blocks; a silence of more than 15 minutes is no data."""
    held = blocks.of(times, centi, 15 * MINUTE)
    made = [blocks.block(logger.pk, logger.code, day, part, 1, None) for day, part in blocks.by_day(held)]
    ReadingBlock.objects.bulk_create(made, batch_size=500)


def every_5_min(
    logger: Logger, start: int, end: int, value: Callable[[int], int] = lambda at: -8000
) -> tuple[list[int], list[int]]:
    """A reading every five minutes in [start, end); value: from UTC ms to hundredths of °C."""
    times = list(range(start, end, 5 * MINUTE))
    centi = [value(at) for at in times]
    measure(logger, times, centi)
    return times, centi
