"""Rules about temperatures: time above or below one, and budgets of time at several.

Promises: a set point is no measurement, and what nobody measured may have been on the wrong side. A stay that
ends before it begins proves nothing. Limits themselves pass.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import cast

from custody.core import rule_words as words
from custody.core import stability
from custody.core.facts import NOW, Facts, Moment, Phase
from custody.core.judge_said import (
    Gap,
    Said,
    Spans,
    contradiction,
    done,
    ending,
    events_of,
    no_start,
    unmeasured,
)
from custody.core.kleene import Answer, at_most, both
from custody.core.rule import BETWEEN, Rule
from custody.core.stability import length, possible_ms, sure_ms

MANY = 10
PLACE = {"frozen": "a freezer", "cold": "a fridge or cooler", "ambient": "a warm place"}


def temperature(rule: Rule, facts: Facts) -> Said:
    """Time above or below a temperature: in places of one kind, since draw, or between two acts."""
    allowed, edge = cast("int", rule.allowed_s) * words.SECOND, cast("int", rule.limit_centi)
    limit = f"{words.span(allowed, exact=True)} {rule.side} {words.celsius(edge)}"
    if rule.phase == BETWEEN:
        return _between(rule, facts, limit)
    phases = [one for one in facts.phases if rule.phase in ("any", one.name)]
    if not phases and rule.phase != "any":
        return Said("pass", f"No time in {PLACE[rule.phase]} so far.", "", limit)
    if reversed_one(phases, facts):
        return _reversed(limit, phases, facts)
    low, possible = _sums(rule, phases, facts)
    away = _elsewhere(phases, facts) if rule.phase == "any" else 0
    if away is None:
        said = f"The time of draw is not known, so neither is the time {rule.side} {words.celsius(edge)}."
        answer: Answer = "fail" if low > allowed else "cannot_tell"
        missing = ("act:drawn",) if answer == "cannot_tell" else ()
        return Said(answer, said, words.span_beside(low, [allowed]), limit, (), spans(phases, facts), missing)
    where = "since draw" if rule.phase == "any" else f"in {PLACE[rule.phase]}"
    return replace(_time(rule, low, possible + away, where, limit), spans=spans(phases, facts))


def _sums(rule: Rule, phases: Sequence[Phase], facts: Facts) -> tuple[int, int]:
    edge, side = cast("int", rule.limit_centi), rule.side
    low = sum(sure_ms(one, side, edge, facts.asof_ms) for one in phases)
    return low, sum(possible_ms(one, side, edge, facts.asof_ms) for one in phases)


def _time(rule: Rule, low: int, high: int, where: str, limit: str) -> Said:
    """The answer for a time on the wrong side that lies from low to high."""
    allowed = cast("int", rule.allowed_s) * words.SECOND
    known, edge = words.span_beside(low, [allowed]), words.celsius(cast("int", rule.limit_centi))
    seen = known if low else "No time"
    most = f"allowed {words.span(allowed, exact=True)}" if allowed else "none is allowed"
    sentence = f"{seen} {rule.side} {edge} {'was measured ' if high > low and not low else ''}{where}; {most}"
    sentence += f"; {words.span(high - low)} not measured." if high > low else "."
    answer = at_most(low, high, allowed)
    if answer != "cannot_tell":
        return Said(answer, sentence, known, limit)
    return Said(answer, sentence, known + unmeasured(high - low), limit, missing=("readings",))


def _elsewhere(phases: Sequence[Phase], facts: Facts) -> int | None:
    """Milliseconds since draw in no place at all (in a hand, on the way); None: draw not known."""
    drawn = facts.acts.get("drawn")
    if drawn is None:
        return None
    alive = Gap.between(drawn, Moment(facts.asof_ms)).high
    return max(alive - sum(length(one, facts.asof_ms) for one in phases), 0)


def _between(rule: Rule, facts: Facts, limit: str) -> Said:
    span = _span(rule, facts, limit)
    if isinstance(span, Said):
        return span
    gap, phases = span
    low, possible = _sums(rule, phases, facts)
    away = max(gap.mid - sum(length(one, facts.asof_ms) for one in phases), 0)
    high = possible + away + gap.give
    said = _time(rule, max(low - gap.give, 0), high, _where(rule), limit)
    return _open(rule, facts, replace(said, spans=spans(phases, facts)))


def _where(rule: Rule) -> str:
    first = words.NOUN[rule.from_act]
    if rule.to_act in ("", NOW):
        return f"since {first}"
    return f"between {first} and {words.NOUN[rule.to_act]}"


def _span(rule: Rule, facts: Facts, limit: str) -> tuple[Gap, tuple[Phase, ...]] | Said:
    """How long it was between the rule's two acts and the stays in it, or why that cannot be said."""
    start, end = facts.acts.get(rule.from_act), ending(rule, facts)
    if start is None:
        return no_start(rule, limit)
    end = end or Moment(facts.asof_ms)
    gap = Gap.between(start, end)
    if gap.mid < 0:
        return contradiction(rule, limit, start, end)
    phases = facts.between.get((rule.from_act, rule.to_act or NOW), ())
    return _reversed(limit, phases, facts) if reversed_one(phases, facts) else (gap, phases)


def _open(rule: Rule, facts: Facts, said: Said) -> Said:
    """Of a span that has not ended what was so far counts: it passes as long as that is within the limit."""
    events = events_of(facts.acts.get(rule.from_act), facts.acts.get(rule.to_act))
    if ending(rule, facts) is not None:
        return replace(said, events=events)
    return replace(said, sentence=f"{said.sentence} Not {done(rule.to_act)} so far.", events=events)


def reversed_one(phases: Sequence[Phase], facts: Facts) -> bool:
    """Does any of these stays end before it begins?"""
    return any(length(one, facts.asof_ms) < 0 for one in phases)


def _reversed(limit: str, phases: Sequence[Phase], facts: Facts) -> Said:
    said = f"It is noted as leaving a place before it came there; {limit}."
    return Said("cannot_tell", said, "reversed", limit, missing=("readings",))


def spans(phases: Sequence[Phase], facts: Facts) -> Spans:
    return tuple((one.start_ms, facts.asof_ms if one.end_ms is None else one.end_ms) for one in phases)


def budget(rule: Rule, facts: Facts) -> Said:
    """The share used of what it bears at each temperature, from one act to another or to now."""
    limit = _budget_limit(rule)
    span = _span(rule, facts, limit)
    if isinstance(span, Said):
        return span
    gap, phases = span
    found = stability.used(rule, phases, gap, facts.asof_ms)
    answer = at_most(found.sure, found.possible, found.whole)
    if found.forbidden is not None:
        answer = both(answer, found.forbidden)
    fact = _share(found)
    used = f"{_used(found)}{_bands(rule, found)}{_unmeasured(found)}{_warmer(rule, found)}"
    sentence = f"{used[0].upper()}{used[1:]}."
    missing = ("readings",) if answer == "cannot_tell" else ()
    said = Said(answer, sentence, fact, limit, (), spans(phases, facts), missing, _left(rule, facts, found))
    return _open(rule, facts, said)


def _share(found: stability.Used) -> str:
    low, high = (_portion(part, found.whole) for part in (found.sure, found.possible))
    return low if low == high else f"{low} to {high}"


def _portion(part: int, whole: int) -> str:
    """Far beyond the whole nobody needs the figure."""
    return f"more than {MANY} times" if part > MANY * whole else words.share(part, whole)


def _used(found: stability.Used) -> str:
    if found.sure > MANY * found.whole:
        return f"more than {MANY} times what it bears is used"
    if found.possible > MANY * found.whole:
        return f"{words.share(found.sure, found.whole)} to {MANY} times what it bears and more is used"
    return f"{_share(found)} of what it bears is used"


def _budget_limit(rule: Rule) -> str:
    costs = stability.costs_of(rule.bands)
    each = [
        f"{words.span(ms, exact=True)} {_band(costs, k)}"
        for k, ms in enumerate(costs.limits_ms)
        if ms is not None
    ]
    never = "" if rule.forbidden_centi is None else f"never above {words.celsius(rule.forbidden_centi)}"
    return " or ".join(each) + ("; " if each and never else "") + never


def _band(costs: stability.Costs, k: int) -> str:
    if not costs.edges:
        return "at any temperature"
    if k == 0:
        return f"at up to {words.celsius(costs.edges[0])}"
    if k == len(costs.edges):
        return f"above {words.celsius(costs.edges[-1])}"
    return f"at {words.celsius(costs.edges[k - 1])} to {words.celsius(costs.edges[k])}"


def _bands(rule: Rule, found: stability.Used) -> str:
    """What was measured in each band that uses something: " (31 h at up to 4 °C of 72 h)"."""
    costs = stability.costs_of(rule.bands)
    if not costs.edges and found.unmeasured_ms:  # whatever the temperature was, it counts
        total, most = found.by_band_ms[0] + found.unmeasured_ms, costs.limits_ms[0] or 0
        lasts = f"{words.span_beside(total, [most])} of {words.span(most, exact=True)}"
        return f" ({lasts}, at any temperature)"
    parts = [
        f"{words.span_beside(ms, [most])} {_band(costs, k)} of {words.span(most, exact=True)}"
        for k, (ms, most) in enumerate(zip(found.by_band_ms, costs.limits_ms, strict=True))
        if ms and most is not None
    ]
    return f" ({'; '.join(parts)})" if parts else ""


def _unmeasured(found: stability.Used) -> str:
    return f"; {words.span(found.unmeasured_ms)} not measured" if found.unmeasured_ms else ""


def _warmer(rule: Rule, found: stability.Used) -> str:
    if found.forbidden in (None, "pass"):
        return ""
    was = "it was" if found.forbidden == "fail" else "it may have been"
    return f"; {was} above {words.celsius(cast('int', rule.forbidden_centi))}, where it must never be"


def _left(rule: Rule, facts: Facts, found: stability.Used) -> int | None:
    """While the span lasts: until when what is left lasts for sure, in the band that uses most."""
    worst = max(stability.costs_of(rule.bands).costs)
    lasts = rule.to_act in ("", NOW) or ending(rule, facts) is None
    left = found.whole - found.possible
    return facts.asof_ms + left // worst if lasts and worst and left >= 0 else None
