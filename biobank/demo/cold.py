"""The demo's loggers: files as an instrument would write them, taken in by the real importer."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from random import Random

from biobank.acting import ms
from biobank.demo.world import World, key
from biobank.models import Unit
from biobank.temperature.actions import add_logger, draft, place, store
from biobank.temperature.parse import Mapping

MAPPING = Mapping(
    time_column="time", value_column="temperature", time_format="%Y-%m-%dT%H:%M:%S%z", zone="UTC", unit="C"
)
Curve = Callable[[datetime], float]


def readings(start: datetime, end: datetime, minutes: int, curve: Curve, dice: Random) -> bytes:
    """A file with one reading every so many minutes, a tenth of a degree of noise on the curve."""
    rows, at = ["time,temperature"], start
    while at <= end:
        rows.append(f"{at.isoformat(timespec='seconds')},{curve(at) + dice.gauss(0, 0.1):.2f}")
        at += timedelta(minutes=minutes)
    return "\n".join(rows).encode()


def swing(middle: float, size: float, hours: float) -> Curve:
    """A compressor's slow rise and fall."""
    return lambda at: middle + size * math.sin(at.timestamp() / 3600 / hours * 2 * math.pi)


def excursion(base: Curve, start: datetime, hours: float, peak: float) -> Curve:
    """The base, but warm for some hours: up in the first half, down again in the second."""

    def curve(at: datetime) -> float:
        part = (at - start) / timedelta(hours=hours)
        if not 0 <= part <= 1:
            return base(at)
        return base(at) + (peak - base(at)) * math.sin(part * math.pi)

    return curve


def chill(world: World, now: datetime) -> None:
    """Five loggers: cooler, field freezer, shipper, two freezers. Freezer 1 stood open six days ago; the
    field freezer, empty by now, was warm for an hour last night."""
    ajar = excursion(swing(-78.6, 1.1, 4), now - timedelta(hours=11), 1.5, -52.0)
    warm = excursion(swing(-79.5, 0.8, 3), world.at(6, "21:40"), 7.5, -38.0)
    fleet: list[tuple[str, str, str, int, Curve]] = [
        ("LG-01", "SSS-C1", "fieldtech", 10, swing(4.2, 0.9, 5)),
        ("LG-02", "TFL-F1", "labtech", 15, ajar),
        ("LG-03", "SHP-1", "labtech", 10, swing(-76.5, 0.4, 9)),
        ("LG-04", "NLB-F1", "curator", 15, warm),
        ("LG-05", "NLB-F2", "curator", 15, swing(-80.2, 0.7, 3.5)),
    ]
    start = world.at(12, "08:00")
    for code, unit, role, minutes, curve in fleet:
        actor = world.actor(role)
        logger = add_logger(actor, code, minutes * 60, name=f"Logger {code[-2:]}", serial=f"SN-90{code[-2:]}")
        place(actor, logger, Unit.objects.get(code=unit), ms(start), medium="air", reason="demo")
        content = readings(start, now, minutes, curve, Random(code))
        held = draft(actor, logger, MAPPING, f"{code.lower()}.csv", content, save_as="Field logger, CSV")
        store(actor, held, key(f"readings {code}"))
