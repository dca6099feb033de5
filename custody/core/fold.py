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
from custody.core.kinds import KINDS, over
from custody.core.state import BLANK, Happening, Problem, Stay, TubeState, UnitState, UnitStay
from custody.core.state import replace as state_with

FUTURE_MS = 5 * 60_000  # a clock may run this far ahead of the server's before it is called wrong


@dataclass(frozen=True)
class Amendment:
    """An event that voids or corrects another. `set` is empty for a void."""

    seq: int
    id: str
    of: str
    kind: str
    set: Mapping[str, Any] = field(default_factory=dict)
    said_ms: int = 0  # when it was typed


Standing = tuple[set[str], dict[str, list[Amendment]]]  # what `standing` found


@dataclass(frozen=True)
class Folded:
    """A tube's state and what is wrong in its history."""

    state: TubeState
    problems: tuple[Problem, ...]


def effective(said: Iterable[Happening], amendments: Sequence[Amendment]) -> list[Happening]:
    """The happenings as they count today. Voided ones stay in the list, marked."""
    return as_amended(said, standing(amendments))


def as_amended(said: Iterable[Happening], known: Standing) -> list[Happening]:
    """The same, when it has been worked out what stands."""
    dead, live = known
    if not live:
        return list(said)
    amended = [_amended(one, live[one.id], one.id in dead) if one.id in live else one for one in said]
    moments = {one.id: one.at_ms for one in amended if one.corrected}
    return [_answering(one, moments) for one in amended] if moments else amended


def _answering(said: Happening, moments: Mapping[str, int]) -> Happening:
    """When what it answers was moved by a correction, it comes after the moment that counts."""
    moved = moments.get(said.ref) if said.ref else None
    return said if moved is None else said._replace(ref_at_ms=moved)


def standing(amendments: Sequence[Amendment]) -> Standing:
    """Ids of the events that are void (amendments among them), and what amends each event, newest first."""
    dead: set[str] = set()
    live: dict[str, list[Amendment]] = {}
    for amendment in sorted(amendments, key=lambda one: one.seq, reverse=True):  # newest first
        if amendment.id not in dead:
            live.setdefault(amendment.of, []).append(amendment)
            if amendment.kind == "voided":
                dead.add(amendment.of)
    return dead, live


def newest(live: Sequence[Amendment]) -> Mapping[str, Any]:
    """What the newest live correction sets; nothing when there is none."""
    fixes = [one for one in live if one.kind == "corrected"]
    # by when it was said, not by when it arrived: those of two phones may come in any order
    return max(fixes, key=lambda one: (one.said_ms, one.id)).set if fixes else {}


def _amended(said: Happening, live: list[Amendment], voided: bool) -> Happening:
    ids = tuple(one.id for one in reversed(live))
    said = said._replace(voided=voided, amended=ids)
    if not any(one.kind == "corrected" for one in live):
        return said
    return _corrected(said, newest(live))


def _corrected(said: Happening, fields: Mapping[str, Any]) -> Happening:
    """`set` may hold at, off, tz, unc_s, by, org, data (merged) and lines: [{"n": 0, …}] (merged)."""
    names = {"at": "at_ms", "off": "off_min", "tz": "tz", "unc_s": "unc_s", "by": "by", "org": "org"}
    plain: dict[str, Any] = {names[name]: value for name, value in fields.items() if name in names}
    line: dict[str, Any] = next((new for new in fields.get("lines", []) if new.get("n") == said.n), {})
    return said._replace(
        corrected=True, data={**said.data, **fields.get("data", {})},
        line={**said.line, **{name: value for name, value in line.items() if name != "n"}}, **plain,
    )  # fmt: skip


def order(said: Happening) -> tuple[int, int, int, str, int]:
    """When it happened; an answer never before what it answers; then what makes a tube comes first."""
    rank = KINDS[said.kind].rank
    if said.ref is None:
        return said.at_ms, 0, rank, said.id, said.n
    answered = said.at_ms if said.ref_at_ms is None else said.ref_at_ms
    return max(said.at_ms, answered), 1, rank, said.id, said.n


def in_order(said: Iterable[Happening]) -> list[Happening]:
    """What counts, in the order in which it happened."""
    return sorted([one for one in said if not one.voided], key=order)


def fold(tube: str, said: Sequence[Happening], overdrawn: Mapping[str, str] | None = None) -> Folded:
    """State of one tube from its whole effective history, in any order.

    overdrawn  what `unbalanced` found about the events among them
    """
    counts, problems = in_order(said), list[Problem]()
    state = state_with(BLANK, tube=tube) if len(counts) == len(said) else begun(tube, said)
    for one in counts:
        state, wrong = KINDS[one.kind].step(state, one)
        if wrong or overdrawn or one.at_ms > one.recorded_ms:
            wrong = [*wrong, *_future(one), *_overdrawn(one, overdrawn or {})]
            problems += [Problem(code, tube, one.id, sentence) for code, sentence in wrong]
    last_ms = counts[-1].at_ms if counts else None
    state = state_with(state, last_ms=last_ms, seq=max([one.seq for one in said], default=0))
    if not problems:
        return Folded(state, ())
    closed = {(one.data.get("finding"), one.data.get("code")) for one in said if _closes(one)}
    found = _explained(problems, state, said)
    return Folded(state, tuple(one for one in found if (one.event, one.code) not in closed))


def begun(tube: str, said: Iterable[Happening]) -> TubeState:
    """Before anything happened: unknown, or void when its label was printed and that does not count."""
    void = any(one.voided and one.kind == "label_printed" and one.line["role"] == "new" for one in said)
    return TubeState(tube, status="void") if void else TubeState(tube)


def _future(said: Happening) -> list[tuple[str, str]]:
    ahead = said.recorded_ms and said.at_ms > said.recorded_ms + FUTURE_MS
    return [("time_in_future", "This time lies in the future.")] if ahead else []


def _closes(said: Happening) -> bool:
    """Somebody looked at a finding and wrote down what is true (`data.finding` names its event)."""
    return said.kind == "discrepancy_resolved" and not said.voided and bool(said.data.get("finding"))


def unbalanced(said: Iterable[Happening]) -> dict[str, str]:
    """Aliquotings, given with all their lines, that gave more than they took: event id -> sentence."""
    events: dict[str, list[Happening]] = {}
    for one in said:
        if one.kind == "aliquoted" and not one.voided:
            events.setdefault(one.id, []).append(one)
    checked = {key: over([one.line for one in lines], lines[0].data) for key, lines in events.items()}
    return {key: sentence for key, sentence in checked.items() if sentence}


def _overdrawn(said: Happening, overdrawn: Mapping[str, str]) -> list[tuple[str, str]]:
    """Said once, about the parent."""
    known = said.id in overdrawn and said.line["role"] == "from"
    return [("aliquot_balances", overdrawn[said.id])] if known else []


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
    state = begun(tube, said)
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
