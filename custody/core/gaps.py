"""Custody without gaps, or the gaps, one sentence each.

Promises: pure; walks a tube's effective history with the same steps as the fold and never guesses: what the
ledger does not say is a gap or is said to be unsaid. The limits are common practice, no source.

When is a sample in custody? US EPA Region V, Manual of Custody and Non-Custody Sample Handling Procedures
(1978, 905R78115), in our words: in somebody's possession; in view; locked up by the holder; in a secured area
with restricted access; or under a custody seal that opening breaks.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from custody.core.effects import IN_HAND, Wrong, clock
from custody.core.fold import begun, in_order
from custody.core.kinds import KINDS
from custody.core.state import Happening, TubeState

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
SENDING = {"handed_off", "shipped"}
CLOSED = {"sealed", "locked"}  # a late parcel that was neither is the worse for it
FOREIGN = {"not_the_custodian", "giver_was_custodian", "receiver_was_addressed"}
HOW_WORDS = {
    "hand": "in somebody's possession",
    "view": "in view",
    "locked": "locked up by the holder",
    "secured": "in a secured area with restricted access",
    "sealed": "under a custody seal that opening breaks",
    "unit": "in a storage unit; whether it is locked is not said",
}


@dataclass(frozen=True)
class Limits:
    """What is let pass. unplaced_h: hours held outside any unit; transit_h: hours on the way when no time was
    agreed; late_min: minutes until an act is typed; clock_s: seconds of doubt about a change."""

    unplaced_h: int = 12
    transit_h: int = 24
    late_min: int = 30
    clock_s: int = 60


LIMITS = Limits()


@dataclass(frozen=True)
class Gap:
    """Where custody is not shown, UTC ms; to_ms None: still. `worse`: nothing closed the tube off then."""

    tube: str
    code: str
    sentence: str
    from_ms: int
    to_ms: int | None
    event: str
    worse: bool = False


@dataclass(frozen=True)
class Hold:
    """For how long one agency answered for a tube in one way: a key of HOW_WORDS."""

    tube: str
    org: str
    how: str
    where: str
    start_ms: int
    end_ms: int | None
    off_min: int = 0
    tz: str = "UTC"

    @property
    def words(self) -> str:
        return HOW_WORDS[self.how]


@dataclass(frozen=True)
class Custody:
    """The whole line of a tube, oldest ancestor first."""

    holds: tuple[Hold, ...]
    gaps: tuple[Gap, ...]

    @property
    def late(self) -> list[Gap]:
        """Acts that were only typed late: a matter of memory, not of whose hands."""
        return [gap for gap in self.gaps if gap.code == "typed_late"]

    @property
    def open(self) -> list[Gap]:
        """All the others."""
        return [gap for gap in self.gaps if gap.code != "typed_late"]


@dataclass(frozen=True)
class Step:
    """One happening with the states before and after it, and what was wrong with it."""

    before: TubeState
    said: Happening
    after: TubeState
    wrong: Wrong

    @property
    def full(self) -> bool:
        """An empty tube is nobody's evidence: custody starts with its content."""
        return self.before.has_content or self.after.has_content

    @property
    def when(self) -> str:
        return clock(self.said.at_ms, self.said.off_min)

    @property
    def words(self) -> str:
        return KINDS[self.said.kind].words


def walk(tube: str, said: Iterable[Happening]) -> list[Step]:
    """The steps of a history, in order; voided acts are not among them."""
    told = list(said)
    state, steps = begun(tube, told), []
    for one in in_order(told):
        after, wrong = KINDS[one.kind].step(state, one)
        steps.append(Step(state, one, after, wrong))
        state = after
    return steps


def through(line: Sequence[tuple[str, Sequence[Happening]]], now_ms: int, limits: Limits = LIMITS) -> Custody:
    """Custody of a tube and, until it was made, of what it was made from: (code, history), youngest first."""
    holds: list[Hold] = []
    found: list[Gap] = []
    until = now_ms
    for tube, said in line:
        known = [one for one in said if one.at_ms <= until]
        holds = [*holding(tube, known, until, now_ms), *holds]
        found = [*gaps(tube, known, until, limits), *found]
        until = next((one.at_ms for one in known if _made(one)), until)
    return Custody(tuple(holds), tuple(found))


def _made(one: Happening) -> bool:
    return one.kind == "aliquoted" and one.line["role"] == "to" and not one.voided


def gaps(tube: str, said: Iterable[Happening], now_ms: int, limits: Limits = LIMITS) -> list[Gap]:
    """Every gap of one tube up to `now_ms`, oldest first."""
    steps = [step for step in walk(tube, said) if step.full]
    found = [
        *_without_handoff(steps), *_on_the_way(steps, now_ms, limits), *_seals(steps), *_missed(steps),
        *_unplaced(steps, now_ms, limits), *_unsure(steps, limits), *_typed_late(steps, limits),
    ]  # fmt: skip
    named = [replace(gap, tube=tube) for gap in found]
    return sorted(named, key=lambda gap: (gap.from_ms, gap.code, gap.event))


def _gap(step: Step, code: str, sentence: str, to_ms: int | None = None, worse: bool = False) -> Gap:
    end = step.said.at_ms if to_ms is None and code in AT_ONCE else to_ms
    return Gap("", code, sentence, step.said.at_ms, end, step.said.id, worse)


AT_ONCE = {"no_handoff", "seal_broken", "seal_not_checked", "clock_uncertain", "typed_late"}


def _without_handoff(steps: Sequence[Step]) -> Iterator[Gap]:
    """Somebody acted on a tube that another agency held, or custody changed by anything but a receipt."""
    for step in steps:
        org, held = step.said.org, step.before.custodian
        changed = step.before.has_content and step.after.custodian not in {held, None}
        if FOREIGN & {code for code, _ in step.wrong}:
            yield _gap(step, "no_handoff", f"{step.words} by {org} on {step.when}, while {held} answered for "
                                           f"the tube: no handoff to {org} is written down.")  # fmt: skip
        elif changed and step.said.kind != "received":
            yield _gap(step, "no_handoff", f"On {step.when} the tube passed from {held} to "
                                           f"{step.after.custodian} without a handoff.")  # fmt: skip


def _on_the_way(steps: Sequence[Step], now_ms: int, limits: Limits) -> Iterator[Gap]:
    """Between handed off and answered for longer than was agreed."""
    for n, step in enumerate(steps):
        if step.said.kind in SENDING and step.after.pending_ref == step.said.id:
            end = next((one for one in steps[n + 1 :] if one.after.pending_ref != step.said.id), None)
            yield from _late(step, end, now_ms, limits)


def _late(step: Step, end: Step | None, now_ms: int, limits: Limits) -> Iterator[Gap]:
    data = step.said.data
    due = data.get("due_ms")
    by = due if due is not None else step.said.at_ms + limits.transit_h * HOUR_MS
    at = end.said.at_ms if end else now_ms
    if at <= by:
        return
    agreed = (
        f"due by {clock(due, step.said.off_min)}"
        if due is not None
        else f"with no time agreed ({limits.transit_h} h are let pass)"
    )
    after = span(at - by)
    came = f"{end.words.lower()} {after} after that" if end else f"not received {after} after that"
    kept = HOW_WORDS.get(data["how"], str(data["how"]))
    worse = data["how"] not in CLOSED
    closed = f"It travelled {kept}: neither sealed nor locked." if worse else f"It travelled {kept}."
    sentence = f"Handed off to {data['to']} on {step.when}, {agreed}, {came}. {closed}"
    yield _gap(step, "handoff_late" if end else "handoff_open", sentence, at if end else None, worse)


def _seals(steps: Sequence[Step]) -> Iterator[Gap]:
    """A seal proves something only when somebody looked at it before it was opened."""
    sealed = {step.said.id: step.said for step in steps if step.said.data.get("how") == "sealed"}
    for step in steps:
        given = sealed.get(str(step.said.ref))
        if given is None or step.said.kind != "received" or step.wrong:
            continue
        seal, intact = given.data.get("seal") or "without a number", step.said.data.get("seal_intact")
        if intact is False:
            yield _gap(step, "seal_broken", f"The seal {seal} was not intact on {step.when}.", worse=True)
        elif intact is None:
            said = f"Received under seal {seal} on {step.when}; whether it was intact is not said."
            yield _gap(step, "seal_not_checked", said)


def _missed(steps: Sequence[Step]) -> Iterator[Gap]:
    """Not in the container when it was opened, until it came after all."""
    for n, step in enumerate(steps):
        result = step.said.line.get("result")
        if step.said.kind == "received" and result in {"missing", "unreadable"} and not step.wrong:
            end = next((one for one in steps[n + 1 :] if _came(one)), None)
            after = f"it was received on {end.when}" if end else "nothing says where it is since"
            sentence = f"{step.said.org} noted the tube as {result} on {step.when}; {after}."
            yield _gap(step, "not_found", sentence, end.said.at_ms if end else None, worse=True)


def _came(step: Step) -> bool:
    return step.said.kind == "received" and step.said.line.get("result") in IN_HAND and not step.wrong


def _unplaced(steps: Sequence[Step], now_ms: int, limits: Limits) -> Iterator[Gap]:
    """Held in hand, in no unit, for longer than people hold things. An emptied tube is let be."""
    start: Step | None = None
    for step in steps:
        loose = step.after.status == "held" and step.after.volume_ul != 0
        if start is not None and not loose:
            yield from _loose(start, step, step.said.at_ms, limits)
        start = (start or step) if loose else None
    if start is not None:
        yield from _loose(start, None, now_ms, limits)


def _loose(start: Step, end: Step | None, at: int, limits: Limits) -> Iterator[Gap]:
    if at - start.said.at_ms > limits.unplaced_h * HOUR_MS:
        until = f"until {end.words.lower()} on {end.when}" if end else "until now"
        sentence = (
            f"Held by {start.after.custodian} from {start.when} {until} ({span(at - start.said.at_ms)}): "
            f"no unit is named where it lay."
        )
        yield _gap(start, "no_place", sentence, at if end else None)


def _unsure(steps: Sequence[Step], limits: Limits) -> Iterator[Gap]:
    for step in steps:
        if step.said.unc_s > limits.clock_s and _where(step.before) != _where(step.after):
            sentence = (
                f"{step.words} on {step.when} is known only to ± {span(step.said.unc_s * 1000)}, "
                f"and who held the tube, or where, changed then."
            )
            yield _gap(step, "clock_uncertain", sentence)


def _where(state: TubeState) -> tuple[Any, ...]:
    return state.status, state.custodian, state.pending_to, state.unit, state.row, state.col


def _typed_late(steps: Sequence[Step], limits: Limits) -> Iterator[Gap]:
    for step in steps:
        late = step.said.rec_at - step.said.at_ms
        if step.said.rec_at and late > limits.late_min * MINUTE_MS:
            sentence = f"{step.words} on {step.when} was typed {span(late)} later, from memory or from paper."
            yield _gap(step, "typed_late", sentence)


def holding(tube: str, said: Iterable[Happening], until_ms: int, now_ms: int) -> list[Hold]:
    """Who answered for the tube, and how it was held, from when to when. Ends open when it still is."""
    holds: list[Hold] = []
    for step in walk(tube, said):
        here = _held(tube, step)
        if holds and holds[-1].end_ms is None and not _same(holds[-1], here):
            holds[-1] = replace(holds[-1], end_ms=step.said.at_ms)
        if here is not None and not (holds and _same(holds[-1], here)):
            holds.append(here)
    if holds and holds[-1].end_ms is None and until_ms < now_ms:
        holds[-1] = replace(holds[-1], end_ms=until_ms)
    return holds


def _held(tube: str, step: Step) -> Hold | None:
    """How it is held after this step; None when it holds nothing or is gone."""
    state, one = step.after, step.said
    if not state.has_content:
        return None
    how, where = "hand", ""
    if state.status == "stored":
        how, where = "unit", str(state.unit)
    elif state.status == "in_transit":
        sent = one.data if one.id == state.pending_ref else {}
        how, where = str(sent.get("how", "")), f"on the way to {state.pending_to}"
    return Hold(tube, str(state.custodian), how, where, one.at_ms, None, one.off_min, one.tz)


def _same(old: Hold, new: Hold | None) -> bool:
    """An act on the way (a tube noted as missing) does not change how it travels."""
    if new is None or old.end_ms is not None:
        return False
    return (old.org, old.where) == (new.org, new.where) and new.how in {old.how, ""}


def span(ms: int) -> str:
    """A length of time in its two largest parts, cut: `45 min`, `2 h 41 min`, `3 d 4 h`."""
    minutes = ms // MINUTE_MS
    if minutes < 60:
        return f"{minutes} min" if minutes else f"{ms // 1000} s"
    if minutes < 48 * 60:
        return _two(minutes // 60, "h", minutes % 60, "min")
    return _two(minutes // 1440, "d", minutes % 1440 // 60, "h")


def _two(first: int, name: str, second: int, other: str) -> str:
    return f"{first} {name} {second} {other}" if second else f"{first} {name}"
