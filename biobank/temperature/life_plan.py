"""What a tube lived through, before any reading is looked at: its phases, and what governed it in each
moment.

Promises: voided acts do not count and corrected ones count as corrected; an aliquot has the life of the tubes
it came from up to when it was made, and nothing of what became of them later; a tube that was never filled
has no life; a discarded one has no more of it. A plan reaches to the end of all time while the life goes on,
so that it changes when something becomes known and not because time goes by. The number of queries does not
grow with the number of tubes (only with how many times tubes were made from one another).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from biobank.checks.facts import Link, chain, lineage
from biobank.core.acts_of_life import Act, Phase, Spell, Trip, cut
from biobank.models import Rule, RuleSet, Unit
from biobank.temperature import warmed
from biobank.temperature.places import ALWAYS, NEVER, Placed, Tree, class_of
from biobank.temperature.queries import life, pieces_of, tree
from custody.core import fold
from custody.core.kinds import KINDS
from custody.core.state import Happening, Stay

# Borders that are looked at for every tube, hundredths of °C. 8, 25: ends of the pharmacopoeia's cold and
# room temperature (USP 659); 0: where water freezes; -20, -60: usual borders of freezers. Common practice, no
# source
BORDERS = (-6000, -2000, 0, 800, 2500)
HOMES = {"freezer", "tank", "fridge", "cooler", "shipper", "bench", "room"}
COLD_HOMES = {"freezer", "tank"}  # without a set point they are still no fridge

Marks = frozenset[int]


@dataclass(frozen=True)
class Part:
    """A stretch (UTC ms) in which nothing changes: logger, set point, thermal events, phases."""

    start: int
    end: int
    logger: int | None
    nominal: int | None
    marks: Marks = frozenset()


@dataclass(frozen=True)
class Plan:
    """One life. `end` is NEVER while it goes on (not `gone`).

    line    the tubes in which it was, from the drawn one on: (tube, from, to)
    parts   cut wherever anything changes, also a phase; phases as `acts_of_life.cut` gives them
    limits  all that is of interest for this tube, rising; units: those it stood in, and what these stood in
    """

    tube: str
    start: int
    end: int
    gone: bool
    line: tuple[tuple[str, int, int], ...]
    phases: tuple[Phase, ...]
    parts: tuple[Part, ...]
    limits: tuple[int, ...]
    units: tuple[str, ...]


@dataclass(frozen=True)
class Plans:
    """All plans by tube, the names of units, and the highest that each thermal event says."""

    by_tube: Mapping[str, Plan]
    names: Mapping[str, str]
    highest: Mapping[int, int | None]


@dataclass(frozen=True)
class _Home:
    code: str
    kind: str
    above: int | None
    below: int | None


@dataclass
class _World:
    """What is known of places. homes: in a Tree's logger the nearest freezer, cooler, bench …, in its set
    point the nearest unit with alarms, both as places in `rows`."""

    places: Tree
    homes: Tree
    rows: Sequence[_Home]
    events: warmed.Warmed
    limits: frozenset[int]
    above: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def outwards(self, unit: str) -> tuple[str, ...]:
        """The unit and everything that it ever stood in."""
        if unit not in self.above:
            found, todo = [], [unit]
            while todo:
                at = todo.pop()
                if at not in found:
                    found.append(at)
                    todo += [one.parent for one in self.places.stays.get(at, ()) if one.parent]
            self.above[unit] = tuple(found)
        return self.above[unit]


def plans_of(codes: Iterable[str]) -> Plans:
    """The plans of those tubes that ever held something. At most 16 queries, and 4 for each generation."""
    wanted = list(codes)
    told = lineage(wanted)
    places = tree({stay.unit for code, said in told.items() for stay in fold.stays(code, said)})
    world, names = _world(places)
    chains = {code: chain(code, told) for code in wanted}
    found = {code: _plan(code, links, world) for code, links in chains.items() if links}
    return Plans({code: plan for code, plan in found.items() if plan}, names, world.events.highest)


def _world(places: Tree) -> tuple[_World, dict[str, str]]:
    columns = ("code", "kind", "name", "alarm_above_centi", "alarm_below_centi")
    known = Unit.objects.order_by("code").values_list(*columns)
    if len(places.stays) <= 400:
        known = known.filter(code__in=list(places.stays))
    rows, names, placed, alarms = [], {}, {}, {}
    for k, (code, kind, name, above, below) in enumerate(known):
        rows.append(_Home(code, kind, above, below))
        names[code] = name
        if kind in HOMES:
            placed[code] = [Placed(ALWAYS, NEVER, k)]
        if above is not None or below is not None:
            alarms[code] = k
    asked = Rule.objects.filter(rule_set__status=RuleSet.Status.IN_FORCE, limit_centi__isnull=False)
    limits = frozenset(asked.order_by().values_list("limit_centi", flat=True)) | set(BORDERS)
    return _World(places, _plain(places, alarms, placed), rows, warmed.load(places.stays), limits), names


def _plain(places: Tree, nominals: Mapping[str, int], placed: Mapping[str, Sequence[Placed]]) -> Tree:
    return Tree(places.stays, nominals, placed)


# --- one tube -------------------------------------------------------------------------------------


@dataclass
class _Lived:
    """What is gathered on the way through the line of one tube."""

    line: list[tuple[str, int, int]] = field(default_factory=list)
    acts: list[Act] = field(default_factory=list)
    spells: list[Spell] = field(default_factory=list)
    trips: list[Trip] = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)
    limits: set[int] = field(default_factory=set)
    units: dict[str, None] = field(default_factory=dict)


def _plan(code: str, links: Sequence[Link], world: _World) -> Plan | None:
    lived = _Lived()
    for link in links:
        _through(link, lived, world)
    if not lived.line or lived.line[-1][0] != code:
        return None
    start, end = lived.line[0][1], lived.line[-1][2]
    phases = cut(lived.acts, lived.spells, lived.trips, start, end, gone=end != NEVER)
    edges = sorted({edge for one in phases for edge in (one.start_ms, one.end_ms)})
    return Plan(
        code, start, end, end != NEVER, tuple(lived.line), tuple(phases),
        tuple(_at_edges(lived.parts, edges)), tuple(sorted(world.limits | lived.limits)),
        tuple(sorted(lived.units)),
    )  # fmt: skip


def _through(link: Link, lived: _Lived, world: _World) -> None:
    """One tube of the line: nothing before the one before it, nothing after the next was made."""
    horizon = NEVER if link.until is None else link.until.at_ms
    span = life(link.said, horizon)
    if span is None:
        return
    start, end = span[0] if not lived.line else max(span[0], lived.line[-1][2]), span[1]
    if start >= end:
        return
    if (
        lived.line and start > lived.line[-1][2]
    ):  # the parent was gone before: nothing is known of the time between
        lived.parts.append(Part(lived.line[-1][2], start, None, None))
    lived.line.append((link.tube, start, end))
    lived.acts += _acts(link)
    stays = fold.stays(link.tube, link.said)
    _stood(stays, start, end, lived, world)
    lived.trips += _trips(link.tube, link.said, end)
    pieces = pieces_of(link.tube, link.said, world.places, horizon)
    for piece, marks in world.events.mark(pieces, stays):
        a, b = max(piece.start, start), min(piece.end, end)
        if a < b:
            lived.parts.append(Part(a, b, piece.logger, piece.nominal, marks))


def _acts(link: Link) -> list[Act]:
    """What counts of this tube. Its being made stands in its own history; it is the first of its acts."""
    found = []
    for one in link.said:
        if one.kind == "aliquoted":
            found.append(Act("aliquoted", one.at_ms, made=one.line.get("role") == "to"))
        elif one.kind in ("drawn", "spun", "thawed"):
            found.append(Act(one.kind, one.at_ms))
    return found


def _stood(stays: Iterable[Stay], start: int, end: int, lived: _Lived, world: _World) -> None:
    """Its stays as spells in one freezer, cooler …; the alarms there; every unit around it."""
    for stay in stays:
        a, b = max(stay.start_ms, start), min(NEVER if stay.end_ms is None else stay.end_ms, end)
        if a >= b:
            continue
        lived.units |= dict.fromkeys(world.outwards(stay.unit))
        nominals = world.places.over(stay.unit, a, b)
        for piece in world.homes.over(stay.unit, a, b):
            home = (
                world.rows[piece.logger] if piece.logger is not None else _Home(stay.unit, "unit", None, None)
            )
            if piece.nominal is not None:
                alarmed = world.rows[piece.nominal]
                lived.limits |= {one for one in (alarmed.above, alarmed.below) if one is not None}
            for one in nominals:
                c, d = max(one.start, piece.start), min(one.end, piece.end)
                if c < d:
                    lived.spells.append(Spell(c, d, home.code, home.kind, _frozen(one.nominal, home)))


def _frozen(nominal: int | None, home: _Home) -> bool:
    return class_of(nominal) == "frozen" or (nominal is None and home.kind in COLD_HOMES)


def _trips(tube: str, said: Sequence[Happening], end: int) -> list[Trip]:
    """Handed off, until it was answered: what the fold saw change."""
    found: list[Trip] = []
    state, since = fold.begun(tube, said), 0
    for one in fold.in_order(said):
        before = state
        state, _ = KINDS[one.kind].step(state, one)
        at = max(one.at_ms, one.ref_at_ms or one.at_ms)
        if before.pending_ref and before.pending_ref != state.pending_ref:
            found.append(Trip(since, at, before.custodian or "", before.pending_to or ""))
        if state.pending_ref and before.pending_ref != state.pending_ref:
            since = at
    if state.pending_ref:
        found.append(Trip(since, end, state.custodian or "", state.pending_to or ""))
    return [one for one in found if one.start < one.end]


def _at_edges(parts: Iterable[Part], edges: Sequence[int]) -> Iterable[Part]:
    """Parts in order of time, cut at these moments too."""
    for part in sorted(parts, key=lambda one: one.start):
        inside = [edge for edge in edges if part.start < edge < part.end]
        for a, b in pairwise([part.start, *inside, part.end]):
            yield Part(a, b, part.logger, part.nominal, part.marks)
