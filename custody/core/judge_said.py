"""What every kind of rule answers with, and how long it was from one act to another.

Promises: values only. A time that is not exact is an interval with both its ends.
"""

from __future__ import annotations

from dataclasses import dataclass

from custody.core import rule_words as words
from custody.core.facts import NOW, OPTIONAL, Facts, Moment
from custody.core.kleene import Answer
from custody.core.rule import Rule

Spans = tuple[tuple[int, int], ...]
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Said:
    """A rule's answer before it is joined with its rule (see custody.core.rules.Finding)."""

    answer: Answer
    sentence: str
    fact: str = ""
    limit: str = ""
    events: tuple[str, ...] = ()
    spans: Spans = ()
    missing: tuple[str, ...] = ()
    by_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Gap:
    """How long it was from one moment to another, in milliseconds: at least low, at most high."""

    low: int
    mid: int
    high: int

    @classmethod
    def between(cls, start: Moment, end: Moment) -> Gap:
        give = (start.unc_s + end.unc_s) * words.SECOND
        mid = end.at_ms - start.at_ms
        return cls(mid - give, mid, mid + give)

    @property
    def give(self) -> int:
        """How much longer or shorter than the middle it may have been."""
        return self.high - self.mid

    def text(self, limits: list[int]) -> str:
        low, high = (words.span_beside(max(ms, 0), limits) for ms in (self.low, self.high))
        return low if low == high else f"{low} to {high}"


def awaited(rule: Rule) -> bool:
    """Is something missing while its second act has not happened? Nobody need thaw or send a tube; but one
    that was sent is waited for."""
    return rule.to_act not in OPTIONAL or (rule.from_act, rule.to_act) == ("shipped", "received")


def ending(rule: Rule, facts: Facts) -> Moment | None:
    """When the second act happened; now, if the rule has none; None: it has not happened.

    Of acts that come again the facts hold the latest: a receipt that was surely before the latest sending
    is that of an earlier one.
    """
    if rule.to_act in ("", NOW):
        return Moment(facts.asof_ms)
    start, end = facts.acts.get(rule.from_act), facts.acts.get(rule.to_act)
    again = rule.from_act in OPTIONAL and rule.to_act in OPTIONAL
    if start and end and again and Gap.between(start, end).high < 0:
        return None
    return end


def events_of(*moments: Moment | None) -> tuple[str, ...]:
    """The events of those moments that have one."""
    return tuple(one.event for one in moments if one and one.event)


def done(act: str) -> str:
    return words.DONE[act].lower()


def no_start(rule: Rule, limit: str) -> Said:
    """The first act is not known: nothing is wrong if it need not happen (no tube must be frozen to be judged
    by how long it was), else nobody can tell."""
    if rule.from_act in OPTIONAL or rule.from_act == "frozen":
        return Said("pass", f"Not {done(rule.from_act)} so far.", "", limit)
    sentence = f"The time of {words.NOUN[rule.from_act]} is not known; {limit}."
    return Said("cannot_tell", sentence, "", limit, missing=(f"act:{rule.from_act}",))


def unmeasured(ms: int) -> str:
    """What a fact says of time without readings: in whole days, so that it reads the same while it hardly
    grows, and an override that was granted for it lapses when it does."""
    days = -(-ms // DAY_MS)
    return f", up to {words.once(days, 'day')} not measured" if days > 0 else ""


def contradiction(rule: Rule, limit: str, start: Moment, end: Moment) -> Said:
    """The second act before the first proves nothing."""
    after = "now" if rule.to_act in ("", NOW) else done(rule.to_act)
    noun = words.NOUN[rule.from_act]
    sentence = f"The times contradict each other: {after} before {noun}. One of the two is wrong."
    if rule.to_act in ("", NOW):
        sentence = f"The time of {noun} is still to come, so it is wrong."
    unsure = tuple(f"time:{act}" for act in (rule.from_act, rule.to_act) if act not in ("", NOW))
    return Said("cannot_tell", sentence, f"{after} first", limit, events_of(start, end), missing=unsure)
