"""What must still happen to a tube, and by when.

Promises: the same limits that judge a tube afterwards count down beforehand; an act done by `by_ms`
passes for sure, however uncertain the time of the act before it is within what was said.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import cast

from custody.core import rule_words as words
from custody.core.facts import NOW, Facts
from custody.core.judge_act import by_ms as last_moment
from custody.core.judge_said import awaited, ending
from custody.core.rule import Rule, applies


@dataclass(frozen=True)
class Due:
    """An act that a rule still waits for.

    from_ms  not before (None: any time); by_ms  not later; left_ms  time left, negative when overdue.
    All UTC milliseconds; both ends leave room for how uncertain the first act's time is.
    """

    tube: str
    rule: Rule
    act: str
    from_ms: int | None
    by_ms: int
    left_ms: int
    sentence: str


def utc_clock(at_ms: int) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, UTC):%H:%M} UTC"


def due(
    facts: Facts, rules: Iterable[Rule], now_ms: int, clock: Callable[[int], str] = utc_clock
) -> list[Due]:
    """What the interval rules still wait for, most urgent first: "Spin by 10:42, 12 min left."

    Rules about other tubes, acts that happened or need not happen, and intervals whose first act has not
    happened are left out; so is an age that has run out, since nothing can be done about it. `clock` words a
    moment. A finding's `by_ms` is the same moment.
    """
    waiting = [_due(rule, facts, now_ms, clock) for rule in rules if _waits(rule, facts)]
    alive = [one for one in waiting if one.act != NOW or one.left_ms >= 0]
    return sorted(alive, key=lambda one: (one.by_ms, one.rule.code))


def _waits(rule: Rule, facts: Facts) -> bool:
    if rule.kind != "interval" or rule.limit_s is None or applies(rule, facts) == "fail":
        return False
    if rule.from_act not in facts.acts:
        return False
    return rule.to_act == NOW or (awaited(rule) and ending(rule, facts) is None)


def _due(rule: Rule, facts: Facts, now_ms: int, clock: Callable[[int], str]) -> Due:
    start = facts.acts[rule.from_act]
    give = start.unc_s * words.SECOND
    by_ms = cast("int", last_moment(rule, start))
    from_ms = None if rule.at_least_s is None else start.at_ms + rule.at_least_s * words.SECOND + give
    left = by_ms - now_ms
    verb = words.VERB[rule.to_act]
    if left < 0:
        sentence = f"{verb}: due by {clock(by_ms)}, {words.span(-left)} late."
    elif from_ms is not None and now_ms < from_ms <= by_ms:
        sentence = f"{verb} from {clock(from_ms)}, by {clock(by_ms)}; {words.span(from_ms - now_ms)} to wait."
    else:
        sentence = f"{verb} by {clock(by_ms)}, {words.span(left)} left."
    return Due(facts.code, rule, rule.to_act, from_ms, by_ms, left, sentence)
