"""A field day whose temperatures are worked by hand, for the tests of lives: said to the ledger directly.

Everything is in minutes after the draw; the invented survey of Skarvik Bay.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import pairwise

from biobank.acting import ms, perform
from biobank.core import codes
from biobank.models import Logger, LoggerPlacement, ReadingBlock, Unit
from biobank.temperature import blocks
from custody.core.event import new_id
from tests import people as builders

BLOOD, SERUM, DEEPER = (codes.make("K7R2M", n) for n in (3, 101, 102))
DRAWN = builders.moment(9, 0)
MINUTE = 60_000
HOUR = 60 * MINUTE


def at(minutes: float) -> int:
    """UTC ms."""
    return ms(DRAWN) + round(minutes * MINUTE)


@dataclass
class Field:
    """`say` an act, `place` a logger, `feed` it readings."""

    people: builders.People
    loggers: dict[str, Logger] = field(default_factory=dict)

    def say(
        self,
        kind: str,
        when: float,
        tubes=(),
        *,
        who="labtech",
        lines=None,
        line=None,
        ref=None,
        strict=True,
        **data,
    ) -> str:
        key = new_id()
        lines = lines or [{"t": code, "role": "subj"} | (line or {}) for code in tubes]
        moment = DRAWN + timedelta(minutes=when)
        perform(
            self.people.actor(who), kind, key=key, at=moment, data=data, lines=lines, ref=ref, strict=strict
        )
        return key

    def printed(self, tubes: dict[str, str]) -> None:
        for code, matrix in tubes.items():
            line = {"t": code, "role": "new", "label": matrix, "matrix": matrix, "ul": 1000}
            self.say("label_printed", -600, lines=[line], set="K7R2M", plan="SEAL", copy=0)

    def aliquot(self, minutes: float, parent: str = BLOOD, child: str = SERUM, ul: int = 500) -> str:
        lines = [{"t": parent, "role": "from", "ul": ul},
                 {"t": child, "role": "to", "of": parent, "ul": ul, "matrix": "SER"}]  # fmt: skip
        return self.say("aliquoted", minutes, lines=lines)

    def put(
        self,
        minutes: float,
        tube: str,
        unit: str,
        kind: str = "put_away",
        who: str = "labtech",
        row: int | None = None,
    ) -> str:
        slot = {} if row is None else {"row": row, "col": 1}
        return self.say(kind, minutes, [tube], who=who, line={"unit": unit} | slot)

    def unit(self, code: str, kind: str, nominal: int | None, parent: str = "") -> Unit:
        made = Unit.objects.create(
            code=code, kind=kind, name=code.title(), agency=self.people.tfl, nominal_centi=nominal,
            **({"rows": 9, "cols": 9} if kind == "box" else {}),
        )  # fmt: skip
        if parent:
            self.move_unit(-600, code, parent)
        return made

    def move_unit(self, minutes: float, unit: str, to: str, who: str = "curator") -> str:
        return self.say("moved", minutes, who=who, lines=[{"u": unit, "role": "subj", "to": to}])

    def logger(
        self, code: str, unit: str, start: float = -1000, end: float | None = None, medium: str = "buffered"
    ) -> Logger:
        if code not in self.loggers:
            self.loggers[code] = Logger.objects.create(code=code, agency=self.people.nlb, interval_s=600)
        LoggerPlacement.objects.create(
            logger=self.loggers[code], unit=Unit.objects.get(code=unit), from_ms=at(start),
            to_ms=None if end is None else at(end), medium=medium,
        )  # fmt: skip
        return self.loggers[code]


def feed(
    logger: Logger, first: int, last: int, value: Callable[[int], float], step: int = 10, gap: int = 30
) -> int:
    """Readings from one minute to another, both included, in °C; a newer revision where a day has one.
    Returns
    how many."""
    minutes = range(first, last + 1, step)
    said = blocks.of([at(m) for m in minutes], [round(value(m) * 100) for m in minutes], gap * MINUTE)
    for day, held in blocks.by_day(said):
        row = ReadingBlock.objects.filter(logger=logger, day=day, current=True).first()
        if row is not None:
            before = blocks.decode(day, row.n, row.codec, bytes(row.payload))
            held = blocks.merge(before, held).held
            ReadingBlock.objects.filter(pk=row.pk).update(current=False)
        blocks.block(logger.pk, logger.code, day, held, row.revision + 1 if row else 1, None).save()
    return len(minutes)


def line(*corners: tuple[int, float]) -> Callable[[int], float]:
    """A value for every minute on straight lines between corners (minute, °C), level outside."""

    def value(minute: int) -> float:
        if minute <= corners[0][0]:
            return corners[0][1]
        for (a, x), (b, y) in pairwise(corners):
            if minute <= b:
                return x + (y - x) * (minute - a) / (b - a)
        return corners[-1][1]

    return value


def story(field: Field) -> None:
    """From the beach to the freezer, hour by hand worked in tests/biobank/test_life.py.

    0 drawn; 10 into the cooler, which is opened for a while; 110 out of it; 120 spun; 160 aliquoted; 170
    the vial into the shipper, 180 sent; 540 received warm; 570 into freezer 1, which fails from 1200 on and
    whose logger is silent from 2400 to 2520; 6000 moved into freezer 2, which has no logger.
    """
    field.printed({BLOOD: "BLD", SERUM: "SER", DEEPER: "SER"})
    field.unit("COOL", "cooler", 400)
    field.unit("SHIP", "shipper", None)
    field.unit("F2", "freezer", -8000)
    field.unit("B2", "box", None, "F2")
    feed(field.logger("T-C", "COOL"), -60, 300, line((50, 4), (60, 10), (80, 10), (90, 4)))
    feed(field.logger("T-S", "SHIP", medium="air"), 100, 540, line((480, -70), (540, -10)))
    freezer = field.logger("T-F", "NLB-F1")
    failing = line((1200, -80), (1380, 10), (1440, 10), (1620, -80))
    feed(freezer, 500, 2400, failing)
    feed(freezer, 2520, 6600, failing)
    field.say("drawn", 0, [BLOOD], line={"ul": 1000})
    field.put(10, BLOOD, "COOL")
    field.say("pulled", 110, [BLOOD], why="spin")
    field.say("spun", 120, [BLOOD], g=2000, minutes=10)
    field.aliquot(160)
    field.put(170, SERUM, "SHIP")
    sent = field.say("shipped", 180, [SERUM], to="NLB", how="secured")
    field.say("received", 540, [SERUM], who="curator", line={"result": "warm"}, ref=sent)
    field.put(570, SERUM, "NLB-B001", who="curator", row=1)
    field.put(6000, SERUM, "B2", kind="moved", who="curator", row=1)
