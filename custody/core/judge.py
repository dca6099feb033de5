"""How each kind of rule is answered from the facts of one tube.

Promises: a time that is not exact is an interval, which passes only if all of it passes and fails only
if all of it fails; what was not measured never counts as good. Each answer says the fact, the limit and
the events behind it in one sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from custody.core import rule_words as words
from custody.core.facts import NOW, Facts, Moment, Phase
from custody.core.kleene import Answer, at_least, at_most, both
from custody.core.rule import Rule

# A freezer at -80 °C, unopened, takes an hour at the very least to reach even -40 °C (weak: a mailing list),
# so what nobody measured hides no more than one thaw an hour.
TO_THAW_MS = 3_600_000


@dataclass(frozen=True)
class Said:
    """A rule's answer before it is joined with its rule."""

    answer: Answer
    sentence: str
    fact: str = ""
    limit: str = ""
    events: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Gap:
    """How long it was from one moment to another, in milliseconds: at least low, at most high."""

    low: int
    mid: int
    high: int

    @classmethod
    def between(cls, start: Moment, end: Moment) -> _Gap:
        give = (start.unc_s + end.unc_s) * words.SECOND
        mid = end.at_ms - start.at_ms
        return cls(mid - give, mid, mid + give)

    def text(self, limits: list[int]) -> str:
        low, high = (words.span_beside(max(ms, 0), limits) for ms in (self.low, self.high))
        return low if low == high else f"{low} to {high}"


def _events(*moments: Moment) -> tuple[str, ...]:
    return tuple(one.event for one in moments if one.event)


def _ms(seconds: int | None) -> int | None:
    return None if seconds is None else seconds * words.SECOND


def _limits(rule: Rule) -> list[int]:
    return [seconds * words.SECOND for seconds in (rule.at_least_s, rule.limit_s) if seconds is not None]


def _interval(rule: Rule, facts: Facts) -> Said:
    limit = words.limits(_ms(rule.at_least_s), _ms(rule.limit_s))
    start = facts.acts.get(rule.from_act)
    end = Moment(facts.asof_ms) if rule.to_act == NOW else facts.acts.get(rule.to_act)
    if start is None:
        said = f"The time of {words.NOUN[rule.from_act]} is not known; {limit}."
        return Said("cannot_tell", said, "", limit)
    if end is None:
        return _pending(rule, facts, start, limit)
    gap, events = _Gap.between(start, end), _events(start, end)
    if gap.mid < 0:
        said = f"The times contradict each other: {_done(rule.to_act)} before {words.NOUN[rule.from_act]}."
        return Said("cannot_tell", said, "", limit, events)
    fact = gap.text(_limits(rule))
    amended = " (a corrected time)" if start.corrected or end.corrected else ""
    sentence = f"{_happened(rule, fact)}{amended}; {limit}."
    return Said(_within(rule, gap), sentence, fact, limit, events)


def _within(rule: Rule, gap: _Gap) -> Answer:
    upper, lower = _ms(rule.limit_s), _ms(rule.at_least_s)
    return both(
        "pass" if upper is None else at_most(gap.low, gap.high, upper),
        "pass" if lower is None else at_least(gap.low, gap.high, lower),
    )


def _pending(rule: Rule, facts: Facts, start: Moment, limit: str) -> Said:
    """The second act has not happened: failed once its limit has surely passed, open until then."""
    gap, noun = _Gap.between(start, Moment(facts.asof_ms)), words.NOUN[rule.from_act]
    fact, upper = gap.text(_limits(rule)), _ms(rule.limit_s)
    late = upper is not None and gap.low > upper
    not_yet = f"Not {_done(rule.to_act)} yet, {fact} after {noun}; {limit}."
    return Said("fail" if late else "cannot_tell", not_yet, fact, limit, _events(start))


def _done(act: str) -> str:
    return words.DONE[act].lower()


def _happened(rule: Rule, fact: str) -> str:
    if rule.to_act == NOW:
        return f"{fact} since {words.NOUN[rule.from_act]}"
    return f"{words.DONE[rule.to_act]} {fact} after {words.NOUN[rule.from_act]}"


def _never(rule: Rule, facts: Facts) -> Said:
    done = facts.acts.get(rule.to_act)
    limit = f"never {_done(rule.to_act)}"
    if done is None:
        return Said("pass", f"Not {_done(rule.to_act)} so far.", "no", limit)
    sentence = f"{words.DONE[rule.to_act]}, which must never happen to a tube for this."
    return Said("fail", sentence, "yes", limit, _events(done))


def _temperature(rule: Rule, facts: Facts) -> Said:
    phases = [one for one in facts.phases if rule.phase in ("any", one.name)]
    edge, allowed = rule.limit_centi or 0, (rule.allowed_s or 0) * words.SECOND
    limit = f"{words.span(allowed)} {rule.side} {words.celsius(edge)}"
    if not phases and rule.phase != "any":
        return Said("pass", f"No time in {_phase_words(rule.phase)} so far.", "", limit)
    low = sum(_sure(one, rule.side, edge) for one in phases)
    possible = sum(_possible(one, rule.side, edge, facts.asof_ms) for one in phases)
    away = _elsewhere(phases, facts) if rule.phase == "any" else 0
    if away is None:
        said = f"The time of draw is not known, so neither is the time {rule.side} {words.celsius(edge)}."
        return Said("fail" if low > allowed else "cannot_tell", said, "", limit)
    high = possible + away
    known = words.span_beside(low, [allowed])
    sentence = (
        f"{known} {rule.side} {words.celsius(edge)} {_where(rule.phase)}; allowed {words.span(allowed)}"
    )
    sentence += f"; {words.span(high - low)} not measured." if high > low else "."
    return Said(at_most(low, high, allowed), sentence, known, limit)


def _times(phase: Phase, side: str, edge: int) -> int | None:
    table = phase.above if side == "above" else phase.below
    return table.get(edge) if table else None


def _length(phase: Phase, asof_ms: int) -> int:
    return max((phase.end_ms if phase.end_ms is not None else asof_ms) - phase.start_ms, 0)


def _sure(phase: Phase, side: str, edge: int) -> int:
    """Milliseconds surely on the wrong side: what was measured, without what a set point suggests."""
    return max((_times(phase, side, edge) or 0) - (phase.assumed_ms or 0), 0)


def _possible(phase: Phase, side: str, edge: int, asof_ms: int) -> int:
    """The most that it can have been: everything that was not measured may have been on the wrong side."""
    length, counted = _length(phase, asof_ms), _times(phase, side, edge)
    if counted is None:
        return length
    return min(length, counted + (phase.assumed_ms or 0) + (phase.no_data_ms or 0))


def _elsewhere(phases: Sequence[Phase], facts: Facts) -> int | None:
    """Milliseconds since draw in no place at all (in a hand, on the way); None: draw not known."""
    drawn = facts.acts.get("drawn")
    if drawn is None:
        return None
    alive = facts.asof_ms - drawn.at_ms + drawn.unc_s * words.SECOND
    return max(alive - sum(_length(one, facts.asof_ms) for one in phases), 0)


def _phase_words(phase: str) -> str:
    return {"frozen": "a freezer", "cold": "a fridge or cooler"}.get(phase, "a warm place")


def _where(phase: str) -> str:
    return "since draw" if phase == "any" else f"in {_phase_words(phase)}"


def _thaws(rule: Rule, facts: Facts) -> Said:
    """Recorded thaws are sure; those that loggers saw may be, and so may some while nobody measured."""
    most = rule.max_thaws or 0
    fact, limit = words.once(facts.thaws, "thaw"), f"at most {most}"
    hidden = facts.unseen_ms // TO_THAW_MS
    answer = at_most(facts.thaws, max(facts.thaws, facts.seen_thaws) + hidden, most)
    doubt = _doubt(facts, hidden) if answer == "cannot_tell" else ""
    return Said(answer, f"{fact} recorded; {limit}{doubt}.", fact, limit, facts.thaw_events)


def _doubt(facts: Facts, hidden: int) -> str:
    if hidden:
        unseen = words.span(facts.unseen_ms)
        return f"; {unseen} not measured since it was frozen, so it may have thawed unseen"
    return f"; by its loggers it may have thawed {words.once(facts.seen_thaws, 'time')}"


def _volume(rule: Rule, facts: Facts) -> Said:
    limit = f"at least {words.volume(rule.min_ul or 0)}"
    if facts.volume_ul is None:
        return Said("cannot_tell", f"The volume was not measured; {limit}.", "", limit)
    fact = words.volume(facts.volume_ul)
    answer = at_least(facts.volume_ul, facts.volume_ul, rule.min_ul or 0)
    return Said(answer, f"{fact} left; {limit}.", fact, limit)


def _fill(rule: Rule, facts: Facts) -> Said:
    limit = f"at least {rule.min_percent} % full"
    if facts.drawn_ul is None or not facts.nominal_ul:
        said = "Marked as a short draw, and how" if facts.short else "How"
        return Said("cannot_tell", f"{said} full it was is not known; {limit}.", "", limit)
    fact = f"{facts.drawn_ul * 100 // facts.nominal_ul} % full"
    enough = facts.drawn_ul * 100 >= (rule.min_percent or 0) * facts.nominal_ul
    detail = f"{words.volume(facts.drawn_ul)} of {words.volume(facts.nominal_ul)}"
    return Said("pass" if enough else "fail", f"Drawn {fact} ({detail}); {limit}.", fact, limit)


def _grade(rule: Rule, facts: Facts) -> Said:
    name, most = rule.grade_name.capitalize(), rule.max_grade or 0
    limit = f"at most {most}"
    grade = facts.grades.get(rule.grade_name)
    if grade is None:
        return Said("cannot_tell", f"{name} was not graded; {limit}.", "", limit)
    event = facts.grade_events.get(rule.grade_name)
    sentence = f"{name} grade {grade}; {limit}."
    return Said(at_most(grade, grade, most), sentence, f"grade {grade}", limit, (event,) if event else ())


def _spin(rule: Rule, facts: Facts) -> Said:
    limit = f"at least {rule.min_g} × g for {rule.min_minutes} min"
    spun = facts.acts.get("spun")
    if spun is None or facts.spin_g is None or facts.spin_minutes is None:
        said = "Not spun yet" if spun is None else "How it was spun is not known"
        return Said("cannot_tell", f"{said}; {limit}.", "", limit)
    force = at_least(facts.spin_g, facts.spin_g, rule.min_g or 0)
    time = at_least(facts.spin_minutes, facts.spin_minutes, rule.min_minutes or 0)
    fact = f"{facts.spin_g} × g for {facts.spin_minutes} min"
    return Said(both(force, time), f"Spun at {fact}; {limit}.", fact, limit, _events(spun))


def _container(rule: Rule, facts: Facts) -> Said:
    limit = f"kept in {rule.container_has}"
    if not facts.container:
        return Said("cannot_tell", f"What it is kept in was not noted; to be {limit}.", "", limit)
    has = rule.container_has.casefold() in facts.container.casefold()
    sentence = f"Kept in: {facts.container}; to be {limit}."
    return Said("pass" if has else "fail", sentence, facts.container, limit)


def _custody(rule: Rule, facts: Facts) -> Said:
    fact = f"open discrepancies: {facts.disputes or 'none'}"
    return Said(at_most(facts.disputes, facts.disputes, 0), f"{fact.capitalize()}.", fact, "none")


KINDS: dict[str, Callable[[Rule, Facts], Said]] = {
    "interval": _interval,
    "never": _never,
    "temperature": _temperature,
    "thaws": _thaws,
    "volume": _volume,
    "fill": _fill,
    "grade": _grade,
    "spin": _spin,
    "container": _container,
    "custody": _custody,
}
