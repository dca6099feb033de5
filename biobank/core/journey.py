"""A shipment's way: when it arrives, when it can be taken in, whether it stays cold, when it must leave.

Promises: moments in UTC ms, hold times in minutes; nothing here reads a clock. What is not known (how long a
coolant holds, when the receiver is open) is "cannot_tell" and never good. Opening hours are local times of a
zone that is given: in the night when clocks change only what is surely open counts.

A filling of coolant goes on over the legs until one that begins with fresh coolant; each must last until the
next begins, the last one until the parcel is taken in. What travels without coolant has none to run out.
A dry shipper that may lie on its side holds for `lying_min` alone: what was measured upright says nothing of
it. (An example and no default: one maker gives 20 days upright and 4 days lying for the same shipper; read in
that maker's sheet for one model.)
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from typing import Literal

MINUTE = 60_000
DAY = 24 * 60 * MINUTE
LOOK_DAYS = 60  # so far ahead an opening is looked for
TO_MIDNIGHT = time(23, 59)  # closing then or later is closing at midnight
Answer = Literal["pass", "fail", "cannot_tell"]


@dataclass(frozen=True)
class Leg:
    """One stretch of the way.

    fresh      its coolant is put in when it begins; else that of the leg before goes on
    hold_min   how long the coolant holds from its beginning, by somebody who says so; None: not known
    lying_min  the same of a dry shipper that lies on its side
    """

    n: int
    leaves_ms: int
    arrives_ms: int
    coolant: str = "none"
    hold_min: int | None = None
    upright: bool = True
    lying_min: int | None = None
    fresh: bool = True

    @property
    def holds_min(self) -> int | None:
        lies = self.coolant == "dry_shipper" and not self.upright
        return self.lying_min if lies else self.hold_min


@dataclass(frozen=True)
class Opening:
    """When a receiver takes parcels: local stretches of each weekday (0 Monday), but not on closed days."""

    zone: tzinfo
    week: Mapping[int, Sequence[tuple[time, time]]]
    closed: frozenset[date] = frozenset()

    def stretches(self, from_ms: int, to_ms: int) -> list[tuple[int, int]]:
        """From and to (no longer open), UTC ms, that touch the asked range; those that touch are one."""
        day, last = self._day(from_ms) - timedelta(1), self._day(to_ms) + timedelta(1)
        found: list[tuple[int, int]] = []
        while day <= last:
            for start, end in sorted(self._of(day)):
                if found and start <= found[-1][1]:
                    found[-1] = (found[-1][0], max(end, found[-1][1]))
                elif start < end:
                    found.append((start, end))
            day += timedelta(1)
        return [(start, end) for start, end in found if end > from_ms and start <= to_ms]

    def _of(self, day: date) -> Iterable[tuple[int, int]]:
        if day in self.closed:
            return
        for opens, closes in self.week.get(day.weekday(), ()):
            until = (day + timedelta(1), time(0)) if closes >= TO_MIDNIGHT else (day, closes)
            yield max(self._moments(day, opens)), min(self._moments(*until))

    def _moments(self, day: date, at: time) -> list[int]:
        """The moments that a local time may be: two in the hour that comes twice or never."""
        both = [datetime.combine(day, at.replace(fold=fold), self.zone) for fold in (0, 1)]
        return [round(one.timestamp() * 1000) for one in both]

    def _day(self, at_ms: int) -> date:
        return datetime.fromtimestamp(at_ms / 1000, self.zone).date()

    def taken(self, arrives_ms: int) -> int | None:
        """The first moment from then on at which it is open; None: not within LOOK_DAYS."""
        ahead = self.stretches(arrives_ms, arrives_ms + LOOK_DAYS * DAY)
        return max(ahead[0][0], arrives_ms) if ahead else None


def wrong(legs: Sequence[Leg]) -> list[tuple[str, str]]:
    """What makes legs impossible, as code and sentence: legs_missing, leg_backwards, legs_overlap."""
    if not legs:
        return [("legs_missing", "There is no leg yet: say how it travels, from when to when.")]
    found = [
        ("leg_backwards", f"Leg {one.n} arrives before it leaves.")
        for one in legs
        if one.arrives_ms <= one.leaves_ms
    ]
    return found + [
        ("legs_overlap", f"Leg {then.n} leaves before leg {one.n} has arrived.")
        for one, then in pairwise(legs)
        if then.leaves_ms < one.arrives_ms
    ]


@dataclass(frozen=True)
class Hold:
    """One filling of coolant: the legs it must last for, when it ends, and until when it is needed.

    None: not known. spare_min is negative when it ends too early.
    """

    legs: tuple[int, ...]
    coolant: str
    from_ms: int
    ends_ms: int | None
    needed_ms: int | None

    @property
    def spare_min(self) -> int | None:
        if self.ends_ms is None or self.needed_ms is None:
            return None
        return (self.ends_ms - self.needed_ms) // MINUTE

    @property
    def answer(self) -> Answer:
        if self.ends_ms is None or self.needed_ms is None:
            return "cannot_tell"
        return "pass" if self.ends_ms >= self.needed_ms else "fail"


@dataclass(frozen=True)
class Gap:
    """Between two legs somebody has it: after leg `n`, for so many minutes."""

    n: int
    from_ms: int
    minutes: int


@dataclass(frozen=True)
class Journey:
    """What follows from the legs. taken_ms: when the receiver can first take it in; None: nobody can tell.

    until_ms  when the first rule about what is inside runs out; None: none does
    """

    leaves_ms: int
    arrives_ms: int
    taken_ms: int | None
    until_ms: int | None
    gaps: tuple[Gap, ...] = ()
    holds: tuple[Hold, ...] = ()
    bare: tuple[int, ...] = field(default=())  # legs without coolant

    @property
    def waits_ms(self) -> int | None:
        return None if self.taken_ms is None else self.taken_ms - self.arrives_ms

    @property
    def failing(self) -> Hold | None:
        """The filling of coolant that ends too early, the first one on the way."""
        return next((one for one in self.holds if one.answer == "fail"), None)

    @property
    def in_time(self) -> Answer:
        """Is it taken in before a rule runs out? It cannot be before it has arrived."""
        if self.until_ms is None or (self.taken_ms is not None and self.taken_ms <= self.until_ms):
            return "pass" if self.taken_ms is not None else "cannot_tell"
        return "fail" if self.taken_ms is not None or self.arrives_ms > self.until_ms else "cannot_tell"

    @property
    def answer(self) -> Answer:
        """Cold and in time; one certain no is enough, one doubt is no yes."""
        said = {self.in_time, *(one.answer for one in self.holds)}
        return "fail" if "fail" in said else "cannot_tell" if "cannot_tell" in said else "pass"


def travel(legs: Sequence[Leg], opening: Opening | None, until_ms: int | None = None) -> Journey:
    """The way as it is planned. opening None: nobody has said when the receiver is open. Legs are in order
    and possible (`wrong` says nothing)."""
    arrives = legs[-1].arrives_ms
    taken = opening.taken(arrives) if opening else None
    gaps = tuple(
        Gap(one.n, one.arrives_ms, (then.leaves_ms - one.arrives_ms) // MINUTE)
        for one, then in pairwise(legs)
        if then.leaves_ms > one.arrives_ms
    )
    bare = tuple(one.n for one in legs if one.coolant == "none")
    return Journey(legs[0].leaves_ms, arrives, taken, until_ms, gaps, _holds(legs, taken), bare)


def _holds(legs: Sequence[Leg], taken_ms: int | None) -> tuple[Hold, ...]:
    fillings: list[list[Leg]] = []
    for leg in legs:
        if fillings and not leg.fresh and leg.coolant == fillings[-1][-1].coolant:
            fillings[-1].append(leg)
        else:
            fillings.append([leg])
    needed = [one[0].leaves_ms for one in fillings[1:]] + [taken_ms]
    return tuple(
        Hold(tuple(leg.n for leg in one), one[0].coolant, one[0].leaves_ms, _ends(one), until)
        for one, until in zip(fillings, needed, strict=True)
        if one[0].coolant != "none"
    )


def _ends(filling: Sequence[Leg]) -> int | None:
    """When it has gone: the hold time of its first leg, or an earlier end that a later leg gives. A dry
    shipper that lies down on a later leg must be said to hold so."""
    ends = []
    for k, leg in enumerate(filling):
        lies = leg.coolant == "dry_shipper" and not leg.upright
        if leg.holds_min is not None:
            ends.append(leg.leaves_ms + leg.holds_min * MINUTE)
        elif k == 0 or lies:
            return None
    return min(ends)


def shifted(legs: Sequence[Leg], by_ms: int) -> list[Leg]:
    """The same way, begun so much later."""
    return [replace(one, leaves_ms=one.leaves_ms + by_ms, arrives_ms=one.arrives_ms + by_ms) for one in legs]


Window = tuple[int, int]


@dataclass(frozen=True)
class Departures:
    """When the first leg may leave so that all stays cold and no rule runs out.

    windows  first and last safe moment of each stretch in the range that was looked at
    last_ms  the last safe departure: the end of the stretch in which it is planned, else the last safe moment
             before the planned one; None: there is none, or nobody can tell
    next_ms  when the planned departure is not safe: the first safe one after it
    after    the way if it left a minute after `last_ms`, which says what limits it; None: nothing did in the
             range that was looked at
    known    False: a hold time or the opening hours are not known
    """

    windows: tuple[Window, ...] = ()
    last_ms: int | None = None
    next_ms: int | None = None
    after: Journey | None = None
    known: bool = True


def departures(
    legs: Sequence[Leg], opening: Opening | None, until_ms: int | None, from_ms: int, to_ms: int
) -> Departures:
    """Safe departures between these moments (UTC ms, both inclusive), when the legs keep their lengths."""
    way = travel(legs, opening, until_ms)
    if opening is None or any(one.ends_ms is None for one in way.holds):
        return Departures(known=False)
    early = [one for one in way.holds if legs[-1].n not in one.legs]
    if any(one.answer == "fail" for one in early):
        return Departures()  # leaving earlier or later changes nothing of this
    planned = legs[0].leaves_ms
    windows = _windows(way, opening, legs, from_ms, to_ms)
    last, then = _last(windows, planned)
    late = None if last is None or last >= to_ms else shifted(legs, last + MINUTE - planned)
    return Departures(windows, last, then, travel(late, opening, until_ms) if late else None)


def _windows(
    way: Journey, opening: Opening, legs: Sequence[Leg], from_ms: int, to_ms: int
) -> tuple[Window, ...]:
    """It may wait as long as its last coolant holds: so it arrives at most that long before an opening, or
    while it is open, and is taken in before the rule runs out."""
    takes = way.arrives_ms - way.leaves_ms
    stays = next((one.ends_ms - way.arrives_ms for one in way.holds
                  if legs[-1].n in one.legs and one.ends_ms is not None), None)  # fmt: skip
    first, last = from_ms + takes, to_ms + takes  # arrivals
    found: list[Window] = []
    closed_since = first - LOOK_DAYS * DAY
    for opens, closes in opening.stretches(closed_since, last + LOOK_DAYS * DAY):
        begin = closed_since if stays is None else max(closed_since, opens - stays)
        # as in `taken`, nobody waits for longer than is looked ahead
        begin = max(begin, opens - LOOK_DAYS * DAY, first)
        end = min(closes - MINUTE, last, *(() if way.until_ms is None else (way.until_ms,)))
        closed_since = closes
        impossible = (stays is not None and stays < 0) or (way.until_ms is not None and way.until_ms < opens)
        if begin <= end and not impossible:
            found.append((begin - takes, end - takes))
    return _joined(found)


def _joined(found: Sequence[Window]) -> tuple[Window, ...]:
    joined: list[Window] = []
    for start, end in found:
        if joined and start <= joined[-1][1] + MINUTE:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return tuple(joined)


def _last(windows: Sequence[Window], planned: int) -> tuple[int | None, int | None]:
    """The last safe departure, and the next one when the planned one is not safe."""
    if mine := next((end for start, end in windows if start <= planned <= end), None):
        return mine, None
    before = [end for _, end in windows if end < planned]
    after = [start for start, _ in windows if start > planned]
    return max(before, default=None), min(after, default=None)
