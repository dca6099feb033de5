"""Rules about acts: how long from one to another, what must never happen, how and how often it was spun.

Promises: an interval passes only if all of it passes and fails only if all of it fails. What need not
happen and did not is no fault. `by_ms` is the moment that custody.core.countdown counts down to.
"""

from __future__ import annotations

from typing import cast

from custody.core import rule_words as words
from custody.core.facts import NOW, Facts, Moment
from custody.core.judge_said import (
    Gap,
    Said,
    awaited,
    contradiction,
    done,
    ending,
    events_of,
    no_start,
    unmeasured,
)
from custody.core.judge_tube import thaw_doubt
from custody.core.kleene import Answer, at_least, at_most, both
from custody.core.rule import Rule


def _ms(seconds: int | None) -> int | None:
    return None if seconds is None else seconds * words.SECOND


def _limits(rule: Rule) -> list[int]:
    return [seconds * words.SECOND for seconds in (rule.at_least_s, rule.limit_s) if seconds is not None]


def by_ms(rule: Rule, start: Moment) -> int | None:
    """Until when its second act passes for sure, however uncertain the first is; None: no upper limit."""
    return None if rule.limit_s is None else start.at_ms + (rule.limit_s - start.unc_s) * words.SECOND


def interval(rule: Rule, facts: Facts) -> Said:
    limit = words.limits(_ms(rule.at_least_s), _ms(rule.limit_s))
    start, end = facts.acts.get(rule.from_act), ending(rule, facts)
    if start is None:
        return no_start(rule, limit)
    if end is None:
        return _pending(rule, facts, start, limit)
    gap = Gap.between(start, end)
    if gap.mid < 0:
        return contradiction(rule, limit, start, end)
    if end.at_ms - end.unc_s * words.SECOND > facts.asof_ms:
        return _to_come(rule, limit, start, end)
    fact, answer = gap.text(_limits(rule)), _within(rule, gap)
    amended = " (a corrected time)" if start.corrected or end.corrected else ""
    sentence = f"{_happened(rule, fact)}{amended}; {limit}."
    unsure = _unsure(rule, start, end) if answer == "cannot_tell" else ()
    return Said(answer, sentence, fact, limit, events_of(start, end), (), unsure, _left(rule, facts, start))


def _to_come(rule: Rule, limit: str, start: Moment, end: Moment) -> Said:
    """Said to happen later than now: some clock is wrong, and nobody knows which and since when."""
    sentence = f"{words.DONE[rule.to_act]} later than now, by what was said; {limit}."
    unsure = (f"time:{rule.to_act}",)
    return Said("cannot_tell", sentence, "later than now", limit, events_of(start, end), missing=unsure)


def _unsure(rule: Rule, start: Moment, end: Moment) -> tuple[str, ...]:
    acts = ((rule.from_act, start), (rule.to_act, end))
    return tuple(f"time:{act}" for act, one in acts if one.unc_s)


def _left(rule: Rule, facts: Facts, start: Moment) -> int | None:
    """Of an age: until when it passes, as long as that is to come."""
    until = by_ms(rule, start) if rule.to_act == NOW else None
    return until if until is not None and until >= facts.asof_ms else None


def _within(rule: Rule, gap: Gap) -> Answer:
    upper, lower = _ms(rule.limit_s), _ms(rule.at_least_s)
    return both(
        "pass" if upper is None else at_most(gap.low, gap.high, upper),
        "pass" if lower is None else at_least(gap.low, gap.high, lower),
    )


def _pending(rule: Rule, facts: Facts, start: Moment, limit: str) -> Said:
    """The second act has not happened: failed once its limit has surely passed, open until then."""
    if not awaited(rule):
        return Said("pass", f"Not {done(rule.to_act)} so far.", "", limit, events_of(start))
    gap, noun = Gap.between(start, Moment(facts.asof_ms)), words.NOUN[rule.from_act]
    fact, upper = gap.text(_limits(rule)), _ms(rule.limit_s)
    late = upper is not None and gap.low > upper
    sentence = f"Not {done(rule.to_act)} yet, {fact} after {noun}; {limit}."
    missing = () if late else (f"act:{rule.to_act}",)
    answer: Answer = "fail" if late else "cannot_tell"
    return Said(answer, sentence, fact, limit, events_of(start), (), missing, by_ms(rule, start))


def _happened(rule: Rule, fact: str) -> str:
    if rule.to_act == NOW:
        return f"{fact} since {words.NOUN[rule.from_act]}"
    return f"{words.DONE[rule.to_act]} {fact} after {words.NOUN[rule.from_act]}"


def never(rule: Rule, facts: Facts) -> Said:
    happened = facts.acts.get(rule.to_act)
    limit = f"never {done(rule.to_act)}"
    if happened is None and rule.to_act == "thawed" and (doubt := thaw_doubt(facts)):
        said = f"No thaw recorded{doubt}."
        fact = f"up to {facts.seen_thaws} seen{unmeasured(facts.unseen_ms)}"
        return Said("cannot_tell", said, fact, limit, missing=("readings",))
    if happened is None:
        return Said("pass", f"Not {done(rule.to_act)} so far.", "no", limit)
    sentence = f"{words.DONE[rule.to_act]}, which must never happen to a tube for this assay."
    return Said("fail", sentence, "yes", limit, events_of(happened))


def spin(rule: Rule, facts: Facts) -> Said:
    """A force that is too low fails though nobody noted for how long, and the other way round."""
    limit = f"at least {rule.min_g} × g for {rule.min_minutes} min"
    spun = facts.acts.get("spun")
    if spun is None:
        return Said("cannot_tell", f"Not spun yet; {limit}.", "", limit, missing=("act:spun",))
    answer = both(_reaches(facts.spin_g, rule.min_g), _reaches(facts.spin_minutes, rule.min_minutes))
    missing = ("spin",) if answer == "cannot_tell" else ()
    if facts.spin_g is None and facts.spin_minutes is None:
        said = f"How it was spun is not known; {limit}."
        return Said(answer, said, "not noted", limit, events_of(spun), missing=missing)
    force = "a force not noted" if facts.spin_g is None else f"{facts.spin_g} × g"
    time = "a time not noted" if facts.spin_minutes is None else f"{facts.spin_minutes} min"
    fact = f"{force} for {time}"
    return Said(answer, f"Spun at {fact}; {limit}.", fact, limit, events_of(spun), missing=missing)


def _reaches(noted: int | None, least: int | None) -> Answer:
    return "cannot_tell" if noted is None else at_least(noted, noted, cast("int", least))


def spins(rule: Rule, facts: Facts) -> Said:
    most, spun = cast("int", rule.max_spins), facts.acts.get("spun")
    often = facts.spins if spun is None else max(facts.spins, 1)
    fact, limit = f"spun {words.once(often, 'time')}", f"at most {words.once(most, 'time')}"
    return Said(at_most(often, often, most), f"{fact.capitalize()}; {limit}.", fact, limit, events_of(spun))
