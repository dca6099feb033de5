"""From a history to a state, the same function live, in a rebuild and in a test.

Promises: the result depends on what happened, not on the order in which it was recorded. A void takes
an event out, a correction changes what it says; both are themselves subject to later voids.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from custody.core.effects import clock
from custody.core.kinds import KINDS
from custody.core.state import Happening, Problem, Stay, TubeState, UnitState, UnitStay

FUTURE_MS = 5 * 60_000  # a clock may run this far ahead of the server's before it is called wrong


@dataclass(frozen=True)
class Amendment:
    """An event that voids or corrects another. `set` is empty for a void."""

    seq: int
    id: str
    of: str
    kind: str
    set: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Folded:
    """A tube's state and what is wrong in its history."""

    state: TubeState
    problems: tuple[Problem, ...]


def effective(said: Iterable[Happening], amendments: Sequence[Amendment]) -> list[Happening]:
    """The happenings as they count today. Voided ones stay in the list, marked."""
    if not amendments:
        return list(said)
    dead: set[str] = set()
    live: dict[str, list[Amendment]] = {}
    for amendment in sorted(amendments, key=lambda one: one.seq, reverse=True):  # newest first
        if amendment.id not in dead:
            live.setdefault(amendment.of, []).append(amendment)
            if amendment.kind == "voided":
                dead.add(amendment.of)
    return [_amended(one, live.get(one.id, []), one.id in dead) for one in said]


def _amended(said: Happening, live: list[Amendment], voided: bool) -> Happening:
    if not live:
        return said
    ids = tuple(one.id for one in reversed(live))
    said = replace(said, voided=voided, amended=ids)
    fixes = [one for one in live if one.kind == "corrected"]
    if not fixes:
        return said
    return _corrected(said, max(fixes, key=lambda one: one.seq).set)


def _corrected(said: Happening, fields: Mapping[str, Any]) -> Happening:
    """`set` may hold at, off, tz, unc_s, by, org, data (merged) and lines: [{"n": 0, …}] (merged)."""
    names = {"at": "at_ms", "off": "off_min", "tz": "tz", "unc_s": "unc_s", "by": "by", "org": "org"}
    plain: dict[str, Any] = {names[name]: value for name, value in fields.items() if name in names}
    line: dict[str, Any] = next((new for new in fields.get("lines", []) if new.get("n") == said.n), {})
    return replace(
        said, corrected=True, data={**said.data, **fields.get("data", {})},
        line={**said.line, **{name: value for name, value in line.items() if name != "n"}}, **plain,
    )  # fmt: skip


def order(said: Happening) -> tuple[int, int, int, str, int]:
    """When it happened; an answer never before what it answers; then what makes a tube comes first."""
    answered = said.ref_at_ms if said.ref_at_ms is not None else said.at_ms
    return max(said.at_ms, answered), int(said.ref is not None), KINDS[said.kind].rank, said.id, said.n


def in_order(said: Iterable[Happening]) -> list[Happening]:
    """What counts, in the order in which it happened."""
    return sorted((one for one in said if not one.voided), key=order)


def fold(tube: str, said: Sequence[Happening]) -> Folded:
    """State of one tube from its whole effective history, in any order."""
    state, problems = TubeState(tube), []
    for one in in_order(said):
        state, wrong = KINDS[one.kind].step(state, one)
        state = replace(state, last_ms=one.at_ms)
        problems += [Problem(code, tube, one.id, sentence) for code, sentence in [*wrong, *_future(one)]]
    if state.status == "unknown" and said:
        state = replace(state, status="void") if any(_first_print(one) for one in said) else state
    state = replace(state, seq=max((one.seq for one in said), default=0))
    return Folded(state, tuple(_explained(problems, state, said)))


def _first_print(said: Happening) -> bool:
    return said.kind == "label_printed" and said.line["role"] == "new"


def _future(said: Happening) -> list[tuple[str, str]]:
    ahead = said.recorded_ms and said.at_ms > said.recorded_ms + FUTURE_MS
    return [("time_in_future", "This time lies in the future.")] if ahead else []


def _explained(problems: list[Problem], state: TubeState, said: Sequence[Happening]) -> Iterable[Problem]:
    """An act on a tube that was drawn, but later, is a matter of time, not of a missing draw."""
    by_id = {one.id: one for one in said}
    for problem in problems:
        one = by_id[problem.event]
        drawn = state.drawn_ms
        if problem.code == "tube_not_drawn" and drawn is not None and one.at_ms < drawn:
            sentence = f"This is before the tube was drawn on {clock(drawn, one.off_min)}."
            problem = replace(problem, code="time_before_parent", sentence=sentence)
        yield problem


def stays(tube: str, said: Sequence[Happening]) -> list[Stay]:
    """Where the tube stood, from when to when: what the fold saw change."""
    marks: list[tuple[int, tuple[str, int | None, int | None] | None]] = []
    state = TubeState(tube)
    for one in in_order(said):
        before = _place(state)
        state, _ = KINDS[one.kind].step(state, one)
        if _place(state) != before:
            marks.append((max(one.at_ms, one.ref_at_ms or one.at_ms), _place(state)))
    ends: list[int | None] = [start for start, _ in marks[1:]]
    return [
        Stay(*place, start, end)
        for (start, place), end in zip(marks, [*ends, None], strict=False)
        if place is not None
    ]


def _place(state: TubeState) -> tuple[str, int | None, int | None] | None:
    return (state.unit, state.row, state.col) if state.unit is not None else None


def fold_unit(unit: str, said: Sequence[Happening]) -> UnitState:
    """Where a unit stands."""
    state = UnitState(unit)
    for one in in_order(said):
        if one.line.get("to") != unit:  # into itself: kept in the log, without effect
            state = replace(state, parent=one.line.get("to"), by=one.by, last_ms=one.at_ms)
    return replace(state, seq=max((one.seq for one in said), default=0))


def unit_stays(said: Sequence[Happening]) -> list[UnitStay]:
    """In what a unit stood, from when to when, oldest first."""
    moves = in_order(said)
    closed = [UnitStay(one.line.get("to"), one.at_ms, then.at_ms) for one, then in pairwise(moves)]
    return [*closed, *(UnitStay(one.line.get("to"), one.at_ms, None) for one in moves[-1:])]


def contested(claims: Mapping[str, TubeState]) -> set[str]:
    """Tubes whose latest claim is a slot that another tube claims too."""
    slots: dict[tuple[str, int, int], list[str]] = {}
    for tube, state in claims.items():
        if state.unit is not None and state.row is not None and state.col is not None:
            slots.setdefault((state.unit, state.row, state.col), []).append(tube)
    return {tube for tubes in slots.values() if len(tubes) > 1 for tube in tubes}


def inside_itself(parent_of: Callable[[str], str | None], unit: str) -> bool:
    """Whether going up from a unit comes back to it."""
    seen, at = {unit}, parent_of(unit)
    while at is not None and at not in seen:
        seen.add(at)
        at = parent_of(at)
    return at is not None
