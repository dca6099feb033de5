"""A logger's file of three years read: local time with its changes, beside the plainest correct way.

The other side is `csv`, `strptime` and `Fraction` for each row, and `zoneinfo` for each time. It does not
look at the order of rows and takes the first pass always: `told_apart` counts the rows of the second pass.
Seconds are those of the processor.
"""

from __future__ import annotations

import csv
import io
import random
import time
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from biobank.temperature.guess import guess
from biobank.temperature.parse import Mapping, parse

ROWS = 315_648  # three years, one reading every five minutes
ZONE, FORMAT = "Europe/Oslo", "%d.%m.%Y %H:%M:%S"


def run() -> dict[str, Any]:
    content = made()
    mapping = Mapping("time", "temp °C", FORMAT, ZONE, delimiter="semicolon", decimal=",")
    ours, took = timed(lambda: parse(content, mapping))
    plain, slow = timed(lambda: plainly(content))
    _, guessing = timed(lambda: guess(content))
    assert not ours.problems and len(ours.times) == ROWS
    assert ours.centi == [centi for _, centi in plain]
    differ = sum(a != b for a, (b, _) in zip(ours.times, plain, strict=True))
    return {
        "rows": ROWS, "parse_s": round(took, 2), "rows_per_s": round(ROWS / took),
        "guess_s": round(guessing, 2), "plain_s": round(slow, 2),
        "times_plain": round(slow / took, 1), "told_apart": differ,
    }  # fmt: skip


def timed(work: Any) -> tuple[Any, float]:
    start = time.process_time()
    return work(), time.process_time() - start


def made() -> bytes:
    dice, start, zone = random.Random(5), datetime(2023, 1, 1, tzinfo=UTC), ZoneInfo(ZONE)
    at = (start + timedelta(minutes=5 * k) for k in range(ROWS))
    rows = (
        f"{m.astimezone(zone):{FORMAT}};{dice.gauss(-80, 2):.2f}".replace(".", ",").replace(",", ".", 2)
        for m in at
    )
    return "\n".join(["time;temp °C", *rows]).encode()


def plainly(content: bytes) -> list[tuple[int, int]]:
    zone, found = ZoneInfo(ZONE), []
    for when, value in list(csv.reader(io.StringIO(content.decode()), delimiter=";"))[1:]:
        at = datetime.strptime(when, FORMAT).replace(tzinfo=zone)
        found.append((round(at.timestamp() * 1000), round(Fraction(value.replace(",", ".")) * 100)))
    return found
