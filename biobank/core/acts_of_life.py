"""A tube's life cut into phases by what was done to it: draw to spin, spin to aliquot, stored, on the way,
out.

Promises: pure. The phases that stand for themselves cover the whole life without gap or overlap, so their
times add up to it; a phase `within` another (a trip on the way from aliquot to freezer, an hour in a fridge
before the spin) is said beside it and is not to be added. Work goes on from a draw or an aliquoting until the
tube is in a freezer; without a freezer until it is put away for good. From then on it is stored, on the way
or out of storage, until something new is made of it.

An aliquot's life begins with the draw of what it was made from: the acts given here are those of the whole
line.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

CARRIERS = {"cooler", "shipper"}  # what stands in one of these is on the way
STORES = {"freezer", "tank", "fridge", "cabinet"}
BETWEEN = {
    "cooler",
    "shipper",
    "bench",
    "room",
    "",
}  # no storage: a tube stands there while something is done
MILESTONES = ("drawn", "spun", "aliquoted")

WORK, STORED, TRIP, OUT, THAW = "work", "stored", "trip", "out", "thaw"
NOUN = {"drawn": "draw", "spun": "spin", "aliquoted": "aliquot", "frozen": "freezer", "put_away": "put away",
        "gone": "end"}  # fmt: skip


@dataclass(frozen=True)
class Act:
    """Something done, at a moment (UTC ms). kind: drawn, spun, aliquoted, thawed.

    made  an aliquoting by which the next tube of the line came to be
    """

    kind: str
    at_ms: int
    made: bool = False


@dataclass(frozen=True)
class Spell:
    """The tube stood in one place from start to end. home: the freezer, fridge, cooler … that it was in.

    kind    the kind of that unit; frozen: its set point is at or below -18 °C
    """

    start: int
    end: int
    home: str
    kind: str
    frozen: bool = False

    @property
    def keeps(self) -> bool:
        """It is put away there: a fridge, a freezer, any unit that is no bench and no carrier."""
        return self.kind not in BETWEEN

    @property
    def carried(self) -> bool:
        return self.kind in CARRIERS


@dataclass(frozen=True)
class Trip:
    """Handed off to somebody, until it was answered."""

    start: int
    end: int
    giver: str = ""
    to: str = ""


@dataclass(frozen=True)
class Phase:
    """One phase (UTC ms, half-open). kind: WORK, STORED, TRIP, OUT or THAW.

    since, until  of work: the acts between which it lies; until empty: it still goes on
    home          where it was, when it was in one place or carrier only; else empty
    giver, to     of a trip: who handed it off to whom
    within        it lies within the phase before it
    """

    kind: str
    start_ms: int
    end_ms: int
    since: str = ""
    until: str = ""
    home: str = ""
    frozen: bool = False
    giver: str = ""
    to: str = ""
    within: bool = False


def cut(
    acts: Sequence[Act],
    spells: Sequence[Spell],
    trips: Sequence[Trip],
    start: int,
    end: int,
    gone: bool = True,
) -> list[Phase]:
    """All phases of the life from start to end, oldest first, each followed by those within it.

    spells and trips in any order; what lies outside the life is cut off. Two spells never overlap. gone: the
    life is over at the end; else it still goes on. An empty list when the life has no length.
    """
    if end <= start:
        return []
    parts = list(
        _joined(_parts(_clip_spells(spells, start, end), _trips(spells, trips, start, end), start, end))
    )
    work = sorted((one for one in acts if one.kind in MILESTONES and start <= one.at_ms < end), key=_first)
    thawed = sorted(one.at_ms for one in acts if one.kind == "thawed")
    found: list[Phase] = []
    todo: Sequence[Act] = work[1:]
    clock, since = start, work[0].kind if work else "drawn"
    while clock < end:
        step = _next(clock, since, todo, parts, end, gone)
        found += _work(clock, since, step, parts)
        if not step.stores:
            clock, since, todo = step.at, step.until, step.todo
            continue
        made = next((k for k, one in enumerate(step.todo) if one.made and one.at_ms >= step.at), None)
        until = end if made is None else step.todo[made].at_ms
        found += [_thaw(one, thawed) for one in _between(parts, step.at, until)]
        clock, since, todo = until, "aliquoted", [] if made is None else step.todo[made + 1 :]
    return found


def _first(act: Act) -> tuple[int, int]:
    return act.at_ms, MILESTONES.index(act.kind)


# --- what lies between two acts -------------------------------------------------------------------


@dataclass(frozen=True)
class _Step:
    """The work goes on until `at`, when it is `until` (empty: not over); then it is stored, or worked on."""

    at: int
    until: str
    stores: bool
    todo: Sequence[Act]


def _next(clock: int, since: str, todo: Sequence[Act], parts: Sequence[Phase], end: int, gone: bool) -> _Step:
    """What ends the work that began at `clock`."""
    k = next((k for k, one in enumerate(todo) if _counts(since, one)), None)
    act = todo[k] if k is not None else None
    limit = end if act is None else act.at_ms
    stores = [one for one in parts if one.kind == STORED and one.end_ms > clock and one.start_ms < limit]
    put = next((one for one in stores if one.frozen), None)
    if put is None and act is None and stores:
        put = stores[0]
    if put is not None:
        at = max(put.start_ms, clock)
        return _Step(at, "frozen" if put.frozen else "put_away", True, todo)
    if act is None or k is None:
        return _Step(end, "gone" if gone else "", False, ())
    return _Step(act.at_ms, act.kind, False, todo[k + 1 :])


def _counts(since: str, act: Act) -> bool:
    """The first spin and the first aliquoting count; the making of the next tube always does."""
    return act.made or MILESTONES.index(act.kind) > MILESTONES.index(since)


def _work(clock: int, since: str, step: _Step, parts: Sequence[Phase]) -> Iterator[Phase]:
    if step.at <= clock:
        return
    inside = [one for one in _between(parts, clock, step.at) if one.kind in (STORED, TRIP)]
    alone = len(inside) == 1 and (inside[0].start_ms, inside[0].end_ms) == (clock, step.at)
    whole = Phase(WORK, clock, step.at, since, step.until)
    if alone:
        one = inside[0]
        yield replace(whole, home=one.home, frozen=one.frozen, giver=one.giver, to=one.to)
        return
    yield whole
    yield from (replace(one, within=True) for one in inside)


def _thaw(phase: Phase, thawed: Iterable[int]) -> Phase:
    """Time out of storage in which it was said to have been thawed."""
    if phase.kind == OUT and any(phase.start_ms <= at < phase.end_ms for at in thawed):
        return replace(phase, kind=THAW)
    return phase


# --- where it was ---------------------------------------------------------------------------------


def _clip_spells(spells: Iterable[Spell], start: int, end: int) -> list[Spell]:
    there = (one for one in spells if one.start < end and one.end > start and one.start < one.end)
    inside = (
        one if start <= one.start and one.end <= end
        else replace(one, start=max(one.start, start), end=min(one.end, end))
        for one in there
    )  # fmt: skip
    return sorted(inside, key=lambda one: one.start)


def _trips(spells: Iterable[Spell], trips: Iterable[Trip], start: int, end: int) -> list[Phase]:
    """Handed off, or in a carrier: what touches is one trip."""
    found = [
        Phase(TRIP, one.start, one.end, home=one.home, frozen=one.frozen) for one in spells if one.carried
    ]
    found += [Phase(TRIP, one.start, one.end, giver=one.giver, to=one.to) for one in trips]
    kept: list[Phase] = []
    for one in sorted(found, key=lambda one: (one.start_ms, one.end_ms)):
        if one.start_ms >= end or one.end_ms <= start:
            continue
        one = _within(one, start, end)
        if kept and one.start_ms <= kept[-1].end_ms:
            kept[-1] = _one_trip(kept[-1], one)
        else:
            kept.append(one)
    return kept


def _one_trip(a: Phase, b: Phase) -> Phase:
    homes = list(dict.fromkeys(name for one in (a, b) for name in one.home.split(", ") if name))
    return replace(
        a, end_ms=max(a.end_ms, b.end_ms), home=", ".join(homes), giver=a.giver or b.giver, to=b.to or a.to,
        frozen=(a.frozen or not a.home) and (b.frozen or not b.home) and bool(homes),
    )  # fmt: skip


def _parts(spells: Sequence[Spell], trips: Sequence[Phase], start: int, end: int) -> Iterator[Phase]:
    """The life cut into stored, on the way, and neither. A tube that stands in a store is no longer on the
    way."""
    edges = {start, end} | {edge for one in spells for edge in (one.start, one.end)}
    edges |= {edge for one in trips for edge in (one.start_ms, one.end_ms)}
    for a, b in pairwise(sorted(edges)):
        store = next((one for one in spells if one.keeps and one.start <= a and b <= one.end), None)
        if store is not None:
            yield Phase(STORED, a, b, home=store.home, frozen=store.frozen)
            continue
        trip = next((one for one in trips if one.start_ms <= a and b <= one.end_ms), None)
        yield replace(trip, start_ms=a, end_ms=b) if trip is not None else Phase(OUT, a, b)


def _joined(parts: Iterable[Phase]) -> Iterator[Phase]:
    """Neighbours of one kind in one place are one phase: a box that was moved within its freezer."""
    held: Phase | None = None
    for one in parts:
        if held is not None and _like(one, held):
            held = replace(held, end_ms=one.end_ms)
            continue
        if held is not None:
            yield held
        held = one
    if held is not None:
        yield held


def _like(a: Phase, b: Phase) -> bool:
    return (a.kind, a.home, a.frozen, a.giver, a.to) == (b.kind, b.home, b.frozen, b.giver, b.to)


def _between(parts: Iterable[Phase], start: int, end: int) -> list[Phase]:
    if start >= end:  # two tubes of the line were made in one and the same millisecond
        return []
    return [_within(one, start, end) for one in parts if one.start_ms < end and one.end_ms > start]


def _within(one: Phase, start: int, end: int) -> Phase:
    if start <= one.start_ms and one.end_ms <= end:
        return one
    return replace(one, start_ms=max(one.start_ms, start), end_ms=min(one.end_ms, end))


# --- words ----------------------------------------------------------------------------------------


def words(phase: Phase, name_of: Mapping[str, str] | None = None) -> str:
    """`Aliquot to freezer`, `Stored in Freezer 1`, `On the way in Cooler 2, TFL to NLB`, `Out of storage`."""
    names = name_of or {}
    home = ", ".join(names.get(one, one) for one in phase.home.split(", ")) if phase.home else ""
    if phase.kind == WORK:
        since = NOUN[phase.since]
        return f"{since.capitalize()} to {NOUN[phase.until]}" if phase.until else f"Since {since}"
    if phase.kind == STORED:
        return f"Stored in {home}"
    if phase.kind == TRIP:
        way = f", {phase.giver} to {phase.to}" if phase.giver and phase.to else ""
        return f"On the way{' in ' + home if home else ''}{way}"
    return "Out of storage, thawed" if phase.kind == THAW else "Out of storage"
