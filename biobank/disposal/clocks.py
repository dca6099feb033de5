"""What is out of the cold now, how long it may still be, and what came back too late.

Promises: everything is worked out from the ledger at the moment of asking; a fixed number of queries however
much is out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from biobank.checks.verdicts import clock_in
from biobank.core.out import LIMITS, MINUTE_MS, NO_SOURCE, Away, Limit
from biobank.disposal.spans import Places, Spot, Trip, box_aways, places, trips
from biobank.models import ExposureLimit, Programme
from biobank.models.disposal import BANDS
from biobank.store.queries import LOOSE, slot_name
from biobank.templatetags.words import when
from custody import queries as ledger
from custody.core.state import TubeState

DAY_MS = 86_400_000
KEPT = ("held", "stored")
Now = tuple[int, str]  # this moment, UTC ms, and the zone in which it is read


def limits_of(programme: Programme) -> dict[str, Limit]:
    """Class -> limit: the programme's own, or the usual one. 1 query."""
    usual = {band: Limit(minutes, NO_SOURCE) for band, minutes in LIMITS.items()}
    own = ExposureLimit.objects.filter(programme=programme).values_list("band", "minutes", "source")
    return usual | {band: Limit(minutes, source) for band, minutes, source in own}


@dataclass(frozen=True)
class Clock:
    """A box that is out, or the tubes that left one place at one time.

    whole  the box itself is out; mover  the unit that was moved (the box, or a rack that it stands in)
    unit   the box, or the place that the tubes left; back  where the mover, or the tubes, came from
    slot   the first slot that the tubes left; where  where the box stands, or the tubes are
    """

    unit: str
    whole: bool
    mover: str
    back: str
    slot: str
    tubes: tuple[str, ...]
    count: int
    where: str
    since_ms: int
    band: str
    limit: Limit
    now_ms: int
    tz: str

    @property
    def left(self) -> int:
        """Whole minutes left; below nought when over. The last second of the time allowed is 0."""
        return self.limit.left_ms(self.since_ms, self.now_ms) // MINUTE_MS

    @property
    def out_ms(self) -> int:
        return self.now_ms - self.since_ms

    @property
    def word(self) -> str:
        return self.limit.word(self.since_ms, self.now_ms)

    @property
    def big(self) -> tuple[int, str]:
        """The large number with its unit, as on the countdown board."""
        minutes = abs(self.left)
        return (minutes, "min") if minutes < 600 else (minutes // 60, "h")

    @property
    def since(self) -> str:
        return self._clock(self.since_ms)

    @property
    def until(self) -> str:
        return self._clock(self.since_ms + self.limit.minutes * MINUTE_MS)

    def _clock(self, at_ms: int) -> str:
        """Hours and minutes; a day or more away with the date."""
        return when(at_ms, self.tz) if self.old else clock_in(self.tz)(at_ms)

    @property
    def old(self) -> bool:
        """Out for more than a day: no hurry mends that any more."""
        return self.out_ms > DAY_MS


@dataclass(frozen=True)
class Out:
    """`clocks`: those that are running, the most urgent first; `old`: out for more than a day, the newest
    first; `thawed`: so many tubes are out whose thaw is counted."""

    clocks: list[Clock]
    old: list[Clock]
    thawed: int
    limits: Mapping[str, Limit]

    @property
    def bands(self) -> list[tuple[str, Limit]]:
        return [(words, self.limits[band]) for band, words in BANDS]


def out(org: str, programme: Programme, now_ms: int) -> Out:
    """What of this agency is out now."""
    known, limits = places(), limits_of(programme)
    now = (now_ms, programme.tz)
    warm = [code for code in known.units if not known.cold(code)]
    mine = [code for code in warm if known.units[code].agency == org and known.units[code].kind == "box"]
    counts = ledger.contents(warm)
    spans = box_aways(known, mine)
    clocks = [
        _of_box(known, code, ones[-1], counts[code], limits, now)
        for code, ones in spans.items()
        if ones and ones[-1].until_ms is None and counts.get(code)
    ]
    never = [code for code, ones in spans.items() if not ones]
    loose = [code for code in warm if known.units[code].kind in LOOSE]
    some = _of_tubes(org, known, [*never, *loose])
    clocks += _grouped(known, [one for one in some if not one[0].thawed], limits, now)
    clocks.sort(key=lambda one: (one.left, one.unit, one.since_ms))
    thawed = sum(one[0].thawed for one in some)
    old = [one for one in reversed(clocks) if one.old]
    return Out([one for one in clocks if not one.old], old, thawed, limits)


def _of_box(known: Places, code: str, away: Away, count: int, limits: Mapping[str, Limit], now: Now) -> Clock:
    path = known.path(code)
    moved = [up for up in path if any(stay.start_ms == away.since_ms for stay in known.stays.get(up, []))]
    mover = moved[0] if moved else code
    before = [stay.parent for stay in known.stays.get(mover, []) if stay.start_ms < away.since_ms]
    where = " in ".join(path[1:]) or "in no unit"
    return Clock(
        code, True, mover, (before[-1] if before else "") or "", "", (), count, where, away.since_ms,
        away.band, limits[away.band], *now,
    )  # fmt: skip


def _of_tubes(org: str, known: Places, units: Iterable[str]) -> list[tuple[Trip, str]]:
    """Tubes in hand, or in one of these units, that are out now and hold something, and where they are."""
    states = [*ledger.find(custodian=org, status="held")]
    states += ledger.find(custodian=org, status="stored", unit__in=list(units))
    where = {one.tube: one.unit or "in hand" for one in states if one.volume_ul != 0}
    return [(one, where[one.tube]) for one in trips(known, where) if one.away.until_ms is None]


def _grouped(
    known: Places, some: Iterable[tuple[Trip, str]], limits: Mapping[str, Limit], now: Now
) -> list[Clock]:
    groups: dict[tuple[str, int, str], list[Trip]] = {}
    for trip, where in some:
        groups.setdefault((trip.unit, trip.away.since_ms, where), []).append(trip)
    return [
        _of_group(known.units.get(unit), unit, since_ms, where, ones, limits, now)
        for (unit, since_ms, where), ones in groups.items()
    ]


def _of_group(
    spot: Spot | None,
    unit: str,
    since_ms: int,
    where: str,
    ones: list[Trip],
    limits: Mapping[str, Limit],
    now: Now,
) -> Clock:
    ones = sorted(ones, key=lambda one: (one.row or 0, one.col or 0, one.tube))
    first = ones[0]
    slot = slot_name(spot.grid if spot else None, TubeState("", row=first.row, col=first.col))
    return Clock(
        unit, False, "", unit, slot, tuple(one.tube for one in ones), len(ones), where, since_ms,
        first.away.band, limits[first.away.band], *now,
    )  # fmt: skip
