"""What is known of the demo's loggers besides their readings, and its alarms. All of it is invented."""

from __future__ import annotations

from datetime import datetime, timedelta

from biobank.acting import ms
from biobank.alarms import actions as alarms
from biobank.alarms import rounds
from biobank.demo.world import World
from biobank.models import Alarm, Logger, Unit
from biobank.temperature import record_actions as records

MINUTE = 60_000
WATCHED = [  # unit, too warm above (hundredths of °C), too cold below, delay and silence in minutes
    ("NLB-F1", -6500, None, 30, 90),
    ("NLB-F2", -6500, None, 30, 90),
    ("TFL-F1", -6000, None, 30, 90),
]


def vouch(world: World, now: datetime) -> None:
    """Clock checks, a certificate, a defrost that does not count; who is on call, and one alarm that was
    seen."""
    clocks(world, now)
    certificate(world, now)
    defrost(world)
    watch(world, now)


def clocks(world: World, now: datetime) -> None:
    """Two of freezer 1's logger, a minute ahead by now; one of the cooler's, right to the second."""
    curator, field = world.actor("curator"), world.actor("fieldtech")
    for at, ahead_s in ((world.at(11, "09:00"), 4), (world.at(1, "09:00"), 64)):
        records.check_clock(curator, _logger("LG-04"), ms(at), ms(at) + ahead_s * 1000, "server")
    at = ms(world.at(10, "07:30"))
    records.check_clock(field, _logger("LG-01"), at, at, "radio")


def certificate(world: World, now: datetime) -> None:
    """Freezer 1's logger, at three temperatures that bracket its set point."""
    day = now.date()
    paper = records.Paper(
        number="K-2207", laboratory="Calibration room of the invented Tarn Field Laboratory",
        issued=day - timedelta(days=40), valid_from=day - timedelta(days=40), valid_to=day +
        timedelta(days=325), points=[(-8500, 12, 20), (-7500, 9, 20), (-2000, 3, 15)],
    )  # fmt: skip
    records.add_certificate(world.actor("curator"), _logger("LG-04"), paper)


def defrost(world: World) -> None:
    """Half an hour of freezer 2: one person says so, another approves. A second one waits for approval."""
    curator, lab = world.actor("curator"), world.actor("labtech")
    start = ms(world.at(4, "13:00"))
    said = records.exclude(
        lab,
        _logger("LG-05"),
        start,
        start + 30 * MINUTE,
        "out",
        "Probe held in the hand while the rack was changed",
    )
    records.approve(curator, said)
    later = ms(world.at(2, "10:00"))
    records.exclude(lab, _logger("LG-05"), later, later + 15 * MINUTE, "battery", "New battery")


def watch(world: World, now: datetime) -> None:
    """Freezers are watched, somebody is on call, and the field freezer's alarm was seen."""
    curator = world.actor("curator")
    for code, above, below, delay, silence in WATCHED:
        limits = alarms.Limits(above, below, delay, silence)
        alarms.set_limits(curator, Unit.objects.get(code=code), limits, "As the survey's plan says")
    for rank, role in enumerate(("curator", "labtech"), 1):
        person = world.actor(role).person
        mail = f"{role}@skarvik.example"
        alarms.put_on_call(curator, person, mail, rank, 30, now - timedelta(days=12), None, "Winter list")
    rounds.watch(now)
    for alarm in Alarm.objects.filter(unit__code="TFL-F1", seen=None):
        alarms.acknowledge(world.actor("labtech"), alarm, "Door found ajar and shut; the freezer was empty")


def _logger(code: str) -> Logger:
    return Logger.objects.get(code=code)
