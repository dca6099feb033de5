"""From a shipment that is being prepared to what follows from it: its way, its dry ice, its deadline.

Promises: reads and writes nothing of the ledger; every answer is worked out by `core.journey`, `core.dry_ice`
and the rules in force, at the moment that is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

from biobank.acting import ms
from biobank.checks.verdicts import verdicts_of
from biobank.core import dry_ice, journey
from biobank.core.journey import DAY, Departures, Journey, Opening
from biobank.core.places import WORDS, class_of, warmer
from biobank.models import Agency, Leg, Programme, Shipment
from biobank.store.classes import targets
from custody.core.rules import Finding

AHEAD = 21 * DAY  # so far departures are looked for
# How cold a coolant keeps what lies in it while it lasts, hundredths of °C. Water ice melts at 0 °C, dry ice
# sublimes at -78.5 °C (Linde's safety text); vapour below -135 °C and gel packs up to 10 °C: common practice,
# no source. A powered unit keeps its set point; nothing keeps nothing.
AMBIENT = 2000
KEEPS = {"gel": 1000, "wet_ice": 0, "dry_ice": -7850, "dry_shipper": -15000}


@dataclass(frozen=True)
class Deadline:
    """The first moment at which a rule about what is inside runs out."""

    at_ms: int
    tube: str
    rule: str
    sentence: str


@dataclass(frozen=True)
class Warm:
    """Tubes for which a leg is not cold enough, by the class in which their plan wants them stored."""

    leg: int
    coolant: str
    tubes: int
    wanted: str


@dataclass(frozen=True)
class Way:
    """The journey with what a page says of it. wrong: why there is none; deadline None: no rule runs out, or
    no analysis is named (`asked` False)."""

    wrong: list[tuple[str, str]]
    legs: list[journey.Leg]
    opening: Opening | None = None
    deadline: Deadline | None = None
    asked: bool = False
    journey: Journey | None = None
    departures: Departures | None = None
    now_ms: int = 0
    warm: tuple[Warm, ...] = ()

    @property
    def left_ms(self) -> int | None:
        """Until the last safe departure; negative when that has passed."""
        last = self.departures.last_ms if self.departures else None
        return None if last is None else last - self.now_ms

    @property
    def safe(self) -> bool:
        return self.journey is not None and self.journey.answer == "pass"


def way(shipment: Shipment, rows: Sequence[Leg], tubes: Sequence[str], now_ms: int) -> Way:
    """4 queries for the receiver's hours, and those of the verdicts when an analysis is named."""
    legs = legs_of(rows)
    wrong = journey.wrong(legs)
    opening = opening_of(shipment.receiver, shipment.programme)
    asked = shipment.assay is not None and bool(tubes)
    until = deadline(tubes, shipment.assay.code, now_ms) if asked and shipment.assay else None
    if wrong:
        return Way(wrong, legs, opening, until, asked, warm=too_warm(rows, tubes))
    until_ms = until.at_ms if until else None
    travelled = journey.travel(legs, opening, until_ms)
    first = min(now_ms, travelled.leaves_ms)
    last = max(now_ms, travelled.leaves_ms) + AHEAD
    found = journey.departures(legs, opening, until_ms, first, last)
    return Way(wrong, legs, opening, until, asked, travelled, found, now_ms, too_warm(rows, tubes))


def too_warm(rows: Sequence[Leg], tubes: Sequence[str]) -> tuple[Warm, ...]:
    """Legs of a warmer class than tubes are to be stored in. A leg without coolant is of room temperature; of
    a powered unit without a set point, and of a tube that no plan speaks of, nothing is said. 1 query."""
    wanted = targets(tubes) if tubes and rows else {}
    return tuple(one for row in rows for one in _warm(row, [centi for centi in wanted.values()]))


def _warm(row: Leg, wanted: Sequence[int | None]) -> list[Warm]:
    if row.coolant == "powered":
        keeps = row.unit.nominal_centi if row.unit else None
    else:
        keeps = KEEPS.get(row.coolant, AMBIENT)
    over = [centi for centi in wanted if centi is not None and warmer(keeps, centi)]
    if not over:
        return []
    return [Warm(row.n, row.get_coolant_display(), len(over), WORDS[class_of(min(over))])]


def legs_of(rows: Sequence[Leg]) -> list[journey.Leg]:
    """Coolant is fresh where its mass is said, where it is another one, and on the first leg. What was said
    of a shipper that may lie on its side was asked for lying (`LegForm`)."""
    made: list[journey.Leg] = []
    for row in rows:
        fresh = not made or row.coolant_g is not None or row.coolant != made[-1].coolant
        lying = None if row.upright else row.hold_min
        made.append(journey.Leg(
            row.n, ms(row.leaves), ms(row.arrives), row.coolant, row.hold_min, row.upright, lying, fresh,
        ))  # fmt: skip
    return made


def opening_of(agency: Agency, programme: Programme) -> Opening | None:
    """When it takes parcels, in the programme's zone; None when nobody has said. 2 queries."""
    week: dict[int, list[tuple[time, time]]] = {}
    for weekday, opens, closes in agency.hours.values_list("weekday", "opens", "closes"):
        week.setdefault(weekday, []).append((opens, closes))
    if not week:
        return None
    closed = frozenset(agency.closed_days.values_list("day", flat=True))
    return Opening(ZoneInfo(programme.tz), week, closed)


def deadline(tubes: Sequence[str], assay: str, now_ms: int) -> Deadline | None:
    """What runs out first of the rules that weigh for this analysis, asked now. About 25 queries."""
    found = [
        (finding.by_ms, code, finding)
        for code, verdicts in verdicts_of(tubes, now_ms, None, [assay]).items()
        for verdict in verdicts
        for finding in verdict.findings
        if finding.by_ms is not None and _weighs(finding)
    ]
    if not found:
        return None
    at_ms, code, finding = min(found, key=lambda one: (one[0], one[1]))
    return Deadline(at_ms, code, finding.rule.code, finding.sentence)


def _weighs(finding: Finding) -> bool:
    return finding.rule.severity != "note" and finding.answer != "fail"


@dataclass(frozen=True)
class Ice:
    """The dry ice of one filling. carried: in kg terms what is on the box; left and lasts None: mass not
    said."""

    legs: tuple[int, ...]
    form: str
    minutes: int
    grams: int | None
    need: dry_ice.Need
    left: dry_ice.Between | None
    lasts: dry_ice.Between | None

    @property
    def answer(self) -> str:
        """Against what a careful packer would take: enough, surely too little, or nobody can tell."""
        if self.grams is None:
            return "cannot_tell"
        if self.grams < self.need.least_g:
            return "fail"
        enough = self.need.pack_g is not None and self.grams >= self.need.pack_g
        return "pass" if enough else "cannot_tell"


def ices(way_: Way, rows: Sequence[Leg], keep_g: int) -> list[Ice]:
    """For each filling of dry ice, from when it is put in until it is no longer needed (if nobody can tell
    that: until it arrives)."""
    if way_.journey is None:
        return []
    by_n, ends = {row.n: row for row in rows}, {leg.n: leg.arrives_ms for leg in way_.legs}
    found = []
    for one in way_.journey.holds:
        if one.coolant == "dry_ice":
            until = ends[one.legs[-1]] if one.needed_ms is None else one.needed_ms
            first = by_n[one.legs[0]]
            minutes = max(0, (until - one.from_ms) // journey.MINUTE)
            found.append(_ice(one.legs, first.ice_form or "pellets", minutes, first.coolant_g, keep_g))
    return found


def _ice(legs: tuple[int, ...], form: str, minutes: int, grams: int | None, keep_g: int) -> Ice:
    left = None if grams is None else dry_ice.left(grams, form, minutes)
    lasts = None if grams is None else dry_ice.lasts(grams, form, keep_g)
    return Ice(legs, form, minutes, grams, dry_ice.need(minutes, form, keep_g), left, lasts)


def ice_g(rows: Sequence[Leg]) -> int | None:
    """Net mass of dry ice on the outside when it leaves: what is put in for the first leg."""
    return rows[0].coolant_g if rows and rows[0].coolant == "dry_ice" else None


def expected(way_: Way) -> datetime | None:
    """When the receiver should have it: when it can be taken in, or else when it arrives."""
    if way_.journey is None:
        return None
    at = way_.journey.arrives_ms if way_.journey.taken_ms is None else way_.journey.taken_ms
    return datetime.fromtimestamp(at / 1000, UTC)
