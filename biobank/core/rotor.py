"""Which tubes can spin together, in which run, and where each stands in the rotor.

Promises: no run has more tubes and balance tubes than the rotor has places; tubes whose plan asks for another
force or other minutes never share a run; opposite places hold tubes of one size and nearly one fill, or a
balance tube; every tube is either placed or left out with a sentence. Up to EXACT tubes the order of the
runs is searched whole: no other order makes fewer tubes late. With more, the most urgent goes first, which
is good and not proven best (`Runs.exact` says which). Common practice, no source: NEAR.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations

EXACT = 6
NEAR = 10  # opposite tubes differ by at most this part of their size, %
MINUTE = 60_000
BALANCE = ""  # what stands in a place that no tube of ours takes


@dataclass(frozen=True)
class Rotor:
    """places: even, each has one opposite; max_g: the most that it may do, None: not known."""

    name: str
    places: int
    max_g: int | None = None

    def __post_init__(self) -> None:
        if self.places < 2 or self.places % 2:
            raise ValueError("a rotor has an even number of places, at least 2")


@dataclass(frozen=True)
class Wanted:
    """A tube that waits for its spin.

    from_ms  the spin may start from here on (UTC ms); None: at once
    by_ms    the spin starts at the latest here; None: no limit
    g, minutes  as planned; None: the plan says nothing
    size_ul, fill_ul  microlitres; a fill that is not known counts as full
    """

    tube: str
    from_ms: int | None
    by_ms: int | None
    g: int | None
    minutes: int | None
    size_ul: int
    fill_ul: int | None = None

    @property
    def spin(self) -> tuple[int | None, int | None]:
        return self.g, self.minutes

    @property
    def fill(self) -> int:
        return self.size_ul if self.fill_ul is None else self.fill_ul


@dataclass(frozen=True)
class Run:
    """One run: tubes, most urgent first; `seats` are pairs of opposite places, BALANCE for a balance tube."""

    start_ms: int
    g: int
    minutes: int
    tubes: tuple[Wanted, ...]
    seats: tuple[tuple[str, str], ...]
    late: tuple[str, ...]
    sentences: tuple[str, ...]

    @property
    def pairs(self) -> list[tuple[Wanted, str]]:
        """Each tube with why it is in this run."""
        return list(zip(self.tubes, self.sentences, strict=True))

    @property
    def balances(self) -> int:
        return sum(pair.count(BALANCE) for pair in self.seats)


@dataclass(frozen=True)
class Runs:
    """Runs in order, and (tube, sentence) for each tube that is left out."""

    runs: tuple[Run, ...]
    left_out: tuple[tuple[str, str], ...]
    exact: bool


def runs(rotor: Rotor, tubes: Iterable[Wanted], now_ms: int, between_min: int = 0) -> Runs:
    """One rotor's runs from now on, `between_min` minutes of loading between two of them."""
    asked = sorted(tubes, key=_urgency)
    out = [(one.tube, why) for one in asked if (why := _unfit(rotor, one))]
    fit = [one for one in asked if not _unfit(rotor, one)]
    exact = len(fit) <= EXACT
    order = (
        _searched(rotor, fit, now_ms, between_min)
        if exact
        else _urgent_first(rotor, fit, now_ms, between_min)
    )
    return Runs(tuple(_timed(order, now_ms, between_min)), tuple(out), exact)


def seats(tubes: Iterable[Wanted]) -> tuple[tuple[str, str], ...]:
    """Pairs for opposite places: the same size and nearly the same fill, else a balance tube."""
    waiting = sorted(tubes, key=lambda one: (one.size_ul, one.fill, one.tube))
    pairs = []
    while waiting:
        one = waiting.pop(0)
        other = waiting.pop(0).tube if waiting and balanced(one, waiting[0]) else BALANCE
        pairs.append((one.tube, other))
    return tuple(pairs)


def balanced(one: Wanted, other: Wanted) -> bool:
    return one.size_ul == other.size_ul and abs(one.fill - other.fill) * 100 <= NEAR * one.size_ul


def fits(rotor: Rotor, tubes: Iterable[Wanted]) -> bool:
    """Whether one run can hold them all: one spin, and places for them and their balance tubes."""
    some = list(tubes)
    return len({one.spin for one in some}) == 1 and 2 * len(seats(some)) <= rotor.places


def _urgency(one: Wanted) -> tuple[bool, int, str]:
    return one.by_ms is None, one.by_ms or 0, one.tube


def _unfit(rotor: Rotor, one: Wanted) -> str:
    if not one.g or not one.minutes:
        return "Left out: its plan gives no force and minutes."
    if rotor.max_g is not None and one.g > rotor.max_g:
        return f"Left out: its plan asks for {one.g} × g, {rotor.name} does at most {rotor.max_g} × g."
    return ""


def _length(one: Wanted, between_min: int) -> int:
    return ((one.minutes or 0) + between_min) * MINUTE


def _start(tubes: Iterable[Wanted], at_ms: int) -> int:
    return max([at_ms, *(one.from_ms for one in tubes if one.from_ms is not None)])


def _late(tubes: Iterable[Wanted], start_ms: int) -> list[Wanted]:
    return [one for one in tubes if one.by_ms is not None and one.by_ms < start_ms]


Order = tuple[tuple[Wanted, ...], ...]
Cost = tuple[int, int, int]  # tubes late, milliseconds late and waited, runs


def _searched(rotor: Rotor, tubes: Sequence[Wanted], now_ms: int, between_min: int) -> Order:
    """The order with the fewest tubes late; among these the least waiting, then the fewest runs."""

    @cache
    def best(left: tuple[Wanted, ...], at_ms: int) -> tuple[Cost, Order]:
        if not left:
            return (0, 0, 0), ()
        return min((tried(left, some, at_ms) for some in _choices(rotor, left)), key=lambda one: one[0])

    def tried(left: tuple[Wanted, ...], some: tuple[Wanted, ...], at_ms: int) -> tuple[Cost, Order]:
        start = _start(some, at_ms)
        rest = tuple(one for one in left if one not in some)
        (late, waited, count), order = best(rest, start + _length(some[0], between_min))
        waited += sum(start - at_ms for _ in left) + _length(some[0], between_min) * len(rest)
        return (late + len(_late(some, start)), waited, count + 1), (some, *order)

    return best(tuple(tubes), now_ms)[1]


def _choices(rotor: Rotor, left: Sequence[Wanted]) -> Iterator[tuple[Wanted, ...]]:
    for size in range(len(left), 0, -1):
        yield from (some for some in combinations(left, size) if fits(rotor, some))


def _urgent_first(rotor: Rotor, tubes: Sequence[Wanted], now_ms: int, between_min: int) -> Order:
    """Of the tubes that may spin the most urgent leads a run; others of its spin ride along as they fit."""
    left, order, at_ms = list(tubes), [], now_ms
    while left:
        at_ms = max(at_ms, min(one.from_ms or 0 for one in left))
        some: list[Wanted] = []
        for one in sorted(left, key=lambda one: bool(_late([one], at_ms))):  # first who can be saved
            if (one.from_ms or 0) <= at_ms and fits(rotor, [*some, one]):
                some.append(one)
        order.append(tuple(some))
        left = [one for one in left if one not in some]
        at_ms += _length(some[0], between_min)
    return tuple(order)


def _timed(order: Order, now_ms: int, between_min: int) -> Iterator[Run]:
    at_ms = now_ms
    for tubes in order:
        start = _start(tubes, at_ms)
        late = [one.tube for one in _late(tubes, start)]
        pairs = seats(tubes)
        said = tuple(_why(one, start, pairs) for one in tubes)
        yield Run(start, tubes[0].g or 0, tubes[0].minutes or 0, tubes, pairs, tuple(late), said)
        at_ms = start + _length(tubes[0], between_min)


def _why(one: Wanted, start_ms: int, pairs: Sequence[tuple[str, str]]) -> str:
    left = None if one.by_ms is None else (one.by_ms - start_ms) // MINUTE
    if left is None:
        when = "no limit of time"
    else:
        when = f"{left} min to spare" if left >= 0 else f"{-left} min late"
    pair = next(pair for pair in pairs if one.tube in pair)
    other = "a balance tube" if BALANCE in pair else "a tube of its size and fill"
    return f"Same spin as the others, {when}; opposite {other}."
