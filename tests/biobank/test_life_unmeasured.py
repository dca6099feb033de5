"""An hour that nobody measured never counts as good, anywhere: not as measured, not as within a limit, and
not in a verdict. Random lives against a witness that knows nothing of tables, phases or trees.

The witness goes minute by minute: it walks through the acts to say where the tube was, up the units to say
which logger governed, and through the readings to say whether there is a line over that minute. Everything
happens on whole minutes, so a count of minutes is exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from biobank.checks.facts import Link
from biobank.core.acts_of_life import words
from biobank.temperature import blocks, life_plan, life_sum, warmed
from biobank.temperature.corrections import Correction
from biobank.temperature.life_inputs import FREEZE, THAW
from biobank.temperature.places import NEVER, Placed, Tree
from custody.core.facts import Facts, Moment
from custody.core.judge import KINDS
from custody.core.rule import Rule
from custody.core.spec import Spec
from custody.core.state import Happening, UnitStay

MINUTE = 60_000
DAY = 240  # minutes that are looked at
BOXES, TOPS = ["b1", "b2", "b3"], ["freezer", "fridge", "cooler", None]
LIMITS = (-6000, -2000, 0, 800)
TUBE = "K7R2M003X"


@dataclass
class World:
    """What was drawn: times in minutes, temperatures in hundredths of °C."""

    acts: list[tuple[int, str, str]]  # minute, kind, unit
    moves: dict[str, list[tuple[int, str | None]]]  # box: from this minute in that top
    nominals: dict[str, int]
    placed: dict[str, list[tuple[int, int, int]]]  # unit: from, to, logger
    readings: dict[int, dict[int, int]]  # logger: minute -> centi
    gap: int
    excluded: dict[int, list[tuple[int, int]]] = field(default_factory=dict)


minutes = st.integers(0, DAY)
centi = st.sampled_from([-8000, -6000, -5999, -2000, -500, 0, 1, 400, 800, 801, 2500])


@st.composite
def worlds(draw):
    acts, at, status = [(draw(st.integers(0, 20)), "drawn", "")], 0, "out"
    at = acts[0][0]
    for step in draw(st.lists(st.integers(1, 60), max_size=6)):
        at += step
        kind = draw(st.sampled_from(["put_away", "spun"] if status == "out" else ["moved", "pulled", "spun"]))
        status = {"put_away": "in", "pulled": "out"}.get(kind, status)
        acts.append((at, kind, draw(st.sampled_from(BOXES)) if kind in ("put_away", "moved") else ""))
    if draw(st.booleans()):
        acts.append((at + 10, "discarded", ""))
    moves = {
        b: [(m, draw(st.sampled_from(TOPS))) for m in sorted(draw(st.sets(minutes, max_size=3)))]
        for b in BOXES
    }
    units = [*BOXES, "freezer", "fridge", "cooler"]
    nominals = {u: draw(st.sampled_from([-8000, 400, 2000])) for u in units if draw(st.booleans())}
    placed, readings = {}, {}
    for logger in range(1, draw(st.integers(1, 4))):
        edges = sorted(draw(st.lists(minutes, min_size=2, max_size=2, unique=True)))
        placed.setdefault(draw(st.sampled_from(units)), []).append((*edges, logger))
        stretch = draw(st.lists(st.tuples(minutes, st.integers(1, 40), st.integers(2, 12)), max_size=3))
        said = {m for a, n, step in stretch for m in range(a, a + n * step, step)}
        readings[logger] = {m: draw(centi) for m in sorted(said)[:60]}
    spans = st.tuples(minutes, st.integers(1, 40)).map(lambda s: (s[0], s[0] + s[1]))
    excluded = {logger: draw(st.lists(spans, max_size=2)) for logger in readings}
    return World(acts, moves, nominals, placed, readings, draw(st.integers(3, 15)), excluded)


# --- the witness ----------------------------------------------------------------------------------


def unit_at(world: World, minute: int) -> str | None:
    here = None
    for at, kind, unit in world.acts:
        if at <= minute:
            here = unit if kind in ("put_away", "moved") else None if kind == "pulled" else here
    return here


def around(world: World, unit: str | None, minute: int) -> list[str]:
    found = []
    while unit is not None:
        found.append(unit)
        top = [to for at, to in world.moves.get(unit, []) if at <= minute]
        unit = top[-1] if top else None
    return found


def governs(world: World, minute: int) -> tuple[int | None, int | None]:
    """Which logger, and which set point, for this minute."""
    path = around(world, unit_at(world, minute), minute)
    last = [[n for a, b, n in world.placed.get(u, []) if a <= minute < b][-1:] for u in path]
    nominal = [world.nominals[u] for u in path if u in world.nominals]
    return next((n[0] for n in last if n), None), (nominal or [None])[0]


def line_at(world: World, logger: int, minute: int) -> tuple[float, float] | None:
    """The temperatures at the two ends of this minute; None: there is no line over it."""
    out = world.excluded.get(logger, [])
    good = [m for m in sorted(world.readings[logger]) if not any(a <= m < b for a, b in out)]
    for a, b in pairwise(good):
        crossed = any(x < b and y > a for x, y in out)
        if a <= minute < b and b - a <= world.gap and not crossed:
            x, y = world.readings[logger][a], world.readings[logger][b]
            return tuple(x + (y - x) * (m - a) / (b - a) for m in (minute, minute + 1))
    return None


@dataclass
class Witness:
    measured: int = 0
    assumed: int = 0
    unknown: int = 0
    surely: dict[int, float] = field(default_factory=lambda: dict.fromkeys(LIMITS, 0.0))


def witness(world: World, start: int, end: int) -> Witness:
    seen = Witness()
    for minute in range(start, end):
        logger, nominal = governs(world, minute)
        ends = line_at(world, logger, minute) if logger is not None else None
        if ends is not None:
            seen.measured += 1
            for limit in LIMITS:
                seen.surely[limit] += share_above(*ends, limit)
        elif logger is None and nominal is not None:
            seen.assumed += 1
        else:
            seen.unknown += 1
    return seen


def share_above(x: float, y: float, limit: int) -> float:
    if min(x, y) >= limit:
        return float(max(x, y) > limit)
    return max(0.0, (max(x, y) - limit) / (max(x, y) - min(x, y))) if max(x, y) > limit else 0.0


# --- the same by the project's own code -----------------------------------------------------------


def happened(world: World) -> tuple[Happening, ...]:
    printed = {"t": TUBE, "role": "new", "label": "Red", "matrix": "BLD"}
    label = Happening(0, "label", "label_printed", -MINUTE, "P1", "TFL", printed)
    return label, *(
        Happening(
            n,
            f"{n:04d}",
            kind,
            at * MINUTE,
            "P1",
            "TFL",
            {"t": TUBE, "role": "subj"} | ({"unit": unit} if unit else {}),
        )
        for n, (at, kind, unit) in enumerate(world.acts, 1)
    )


def ends(moves):
    return [*(at for at, _ in moves[1:]), None][: len(moves)]


def plan_of(world: World) -> life_plan.Plan:
    stays = {
        box: [UnitStay(to, at * MINUTE, None if after is None else after * MINUTE)
              for (at, to), after in zip(moves, ends(moves), strict=True)]
        for box, moves in world.moves.items()
    }  # fmt: skip
    placed = {u: [Placed(a * MINUTE, b * MINUTE, n) for a, b, n in some] for u, some in world.placed.items()}
    rows = [life_plan._Home(code, code, None, None) for code in ("freezer", "fridge", "cooler")]
    homes = Tree(stays, {}, {row.code: [Placed(-NEVER, NEVER, k)] for k, row in enumerate(rows)})
    nothing = warmed.Warmed({}, {})
    world_ = life_plan._World(Tree(stays, world.nominals, placed), homes, rows, nothing, frozenset(LIMITS))
    return life_plan._plan(TUBE, [Link(TUBE, None, happened(world))], world_)


def found_of(world: World, parts):
    series = {}
    for logger, said in world.readings.items():
        held = blocks.of([m * MINUTE for m in said], list(said.values()), world.gap * MINUTE)
        known = Correction(excluded=tuple((a * MINUTE, b * MINUTE, "out") for a, b in world.excluded[logger]))
        series[logger] = blocks.usable(known.apply(held).held, []).series()
    spec = Spec(LIMITS, thaw=(FREEZE, THAW))
    return [
        (series[p.logger].measure(np.array([p.start]), np.array([p.end]), spec), 0)
        if p.logger is not None
        else None
        for p in parts
    ]


def upto(plan, end):
    from biobank.temperature.life import _upto

    return _upto(plan, end)


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(worlds(), st.sampled_from(LIMITS), st.integers(0, 120))
def test_what_was_not_measured_never_counts_as_good(world, edge, allowed):
    start = world.acts[0][0]
    end = next((at for at, kind, _ in world.acts if kind == "discarded"), max(DAY, world.acts[-1][0]) + 5)
    plan = upto(plan_of(world), end * MINUTE)
    assert (plan.start, plan.end) == (start * MINUTE, end * MINUTE)
    spans = [(one.start_ms, one.end_ms) for one in plan.phases]
    spec = Spec(LIMITS, thaw=(FREEZE, THAW))
    phases, whole = life_sum.add_up(plan.parts, found_of(world, plan.parts), spans, spec, {})
    seen = witness(world, start, end)

    assert (whole.measured_ms, whole.assumed_ms, whole.no_data_ms) == (
        seen.measured * MINUTE, seen.assumed * MINUTE, seen.unknown * MINUTE)  # fmt: skip
    for one, phase in zip(phases, plan.phases, strict=True):
        assert words(phase)
        here = witness(world, one.start_ms // MINUTE, one.end_ms // MINUTE)
        assert one.measured_ms == here.measured * MINUTE and one.no_data_ms == here.unknown * MINUTE
        assert one.measured_ms + one.assumed_ms + one.no_data_ms == one.end_ms - one.start_ms
        for limit in LIMITS:
            over, under = one.above.get(limit, 0), one.below.get(limit, 0)
            assert (
                over + under <= one.measured_ms + one.assumed_ms + 1
            )  # no hour of the rest is on either side
            assert over >= here.surely[limit] * MINUTE - 1
            assert over <= (here.surely[limit] + here.assumed) * MINUTE + 1

    alone = tuple(one for one, phase in zip(phases, plan.phases, strict=True) if not phase.within)
    facts = Facts(TUBE, end * MINUTE, acts={"drawn": Moment(start * MINUTE)}, phases=alone)
    rule = Rule(
        code="r", kind="temperature", severity="stop", evidence="human", source="a test", phase="any",
        side="above", limit_centi=edge, allowed_s=allowed * 60,
    )  # fmt: skip
    answer = KINDS["temperature"](rule, facts).answer
    event(answer)
    worst = seen.surely[edge] + seen.assumed + seen.unknown  # every unmeasured minute may have been above
    if answer == "pass":
        assert worst <= allowed + 1e-3
    if answer == "fail":
        assert seen.surely[edge] > allowed - 1e-3  # and nobody is blamed for an hour that nobody measured
    if seen.surely[edge] + 1e-3 < allowed < worst - 1e-3:
        assert answer == "cannot_tell"
