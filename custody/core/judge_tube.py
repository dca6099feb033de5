"""Rules about the tube itself: what is left, how full it was, its grades, container, thaws and papers.

Promises: what was not measured or not noted never counts as good. What was measured goes before what an eye
saw. Numbers in sentences are never rounded over a limit.
"""

from __future__ import annotations

from typing import cast

from custody.core import rule_words as words
from custody.core.facts import Facts
from custody.core.judge_said import Said, unmeasured
from custody.core.kleene import Answer, at_least, at_most
from custody.core.rule import Rule, has_word

# A freezer at -80 °C, unopened, takes an hour at the very least to reach even -40 °C (weak: a mailing list),
# so what nobody measured hides no more than one thaw an hour.
TO_THAW_MS = 3_600_000
PERMIT_TO = {"take": "to take it", "hold": "to hold it"}


def thaws(rule: Rule, facts: Facts) -> Said:
    """Recorded thaws are sure; those that loggers saw may be, and so may some while nobody measured."""
    most = cast("int", rule.max_thaws)
    fact, limit = words.once(facts.thaws, "thaw"), f"at most {most}"
    answer = at_most(facts.thaws, max(facts.thaws, facts.seen_thaws) + _hidden(facts), most)
    unsure = answer == "cannot_tell"
    sentence = f"{fact} recorded; {limit}{thaw_doubt(facts) if unsure else ''}."
    missing = ("readings",) if unsure else ()
    fact += f", up to {facts.seen_thaws} seen{unmeasured(facts.unseen_ms)}" if unsure else ""
    return Said(answer, sentence, fact, limit, facts.thaw_events, _since_frozen(facts), missing)


def _hidden(facts: Facts) -> int:
    return max(facts.unseen_ms, 0) // TO_THAW_MS


def thaw_doubt(facts: Facts) -> str:
    """Why it may have thawed more often than was recorded; empty: it cannot."""
    if _hidden(facts):
        unseen = words.span(facts.unseen_ms)
        return f"; {unseen} not measured since it was frozen, so it may have thawed unseen"
    if facts.seen_thaws <= facts.thaws:
        return ""
    return f"; by its loggers it may have thawed {words.once(facts.seen_thaws, 'time')}"


def _since_frozen(facts: Facts) -> tuple[tuple[int, int], ...]:
    """The stays from the first in a freezer on: there it can have thawed."""
    first = next((k for k, one in enumerate(facts.phases) if one.name == "frozen"), len(facts.phases))
    stays = facts.phases[first:]
    return tuple((one.start_ms, facts.asof_ms if one.end_ms is None else one.end_ms) for one in stays)


def volume(rule: Rule, facts: Facts) -> Said:
    least = cast("int", rule.min_ul)
    limit = f"at least {words.volume(least)}"
    if facts.volume_ul is None:
        said = f"The volume was not measured; {limit}."
        return Said("cannot_tell", said, "", limit, missing=("volume",))
    fact = words.volume(facts.volume_ul)
    answer = at_least(facts.volume_ul, facts.volume_ul, least)
    return Said(answer, f"{fact} left; {limit}.", fact, limit)


def fill(rule: Rule, facts: Facts) -> Said:
    limit = f"at least {rule.min_percent} % full"
    if facts.drawn_ul is None or facts.nominal_ul is None or facts.nominal_ul <= 0:
        said = "Marked as a short draw, and how" if facts.short else "How"
        sentence = f"{said} full it was is not known; {limit}."
        return Said("cannot_tell", sentence, "", limit, missing=("fill",))
    fact = f"{facts.drawn_ul * 100 // facts.nominal_ul} % full"
    enough = facts.drawn_ul * 100 >= cast("int", rule.min_percent) * facts.nominal_ul
    detail = f"{words.volume(facts.drawn_ul)} of {words.volume(facts.nominal_ul)}"
    return Said("pass" if enough else "fail", f"Drawn {fact} ({detail}); {limit}.", fact, limit)


def grade(rule: Rule, facts: Facts) -> Said:
    """As measured, where the rule has such a limit and it was; else by eye; else nobody can tell."""
    name, limit = rule.grade_name.capitalize(), _grade_limit(rule)
    measured, seen = facts.indices.get(rule.grade_name), facts.grades.get(rule.grade_name)
    event = facts.grade_events.get(rule.grade_name)
    events = (event,) if event else ()
    if measured is not None and rule.max_cmgdl is not None:
        fact = f"{words.hundredths(measured)} mg/dL"
        answer = at_most(measured, measured, rule.max_cmgdl)
        if by := facts.index_events.get(rule.grade_name):
            events = (by,)
        return Said(answer, f"{name} measured as {fact}; {limit}.", fact, limit, events)
    if seen is not None and rule.max_grade is not None:
        fact = f"grade {seen}"
        return Said(at_most(seen, seen, rule.max_grade), f"{name} {fact}; {limit}.", fact, limit, events)
    lacks = "not measured" if rule.max_grade is None else "not graded"
    said = f"{name} was {lacks}; {limit}."
    return Said("cannot_tell", said, "", limit, events, missing=(f"grade:{rule.grade_name}",))


def _grade_limit(rule: Rule) -> str:
    by_eye = "" if rule.max_grade is None else f"grade {rule.max_grade}"
    measured = "" if rule.max_cmgdl is None else f"{words.hundredths(rule.max_cmgdl)} mg/dL"
    return "at most " + " or ".join(one for one in (by_eye, measured) if one)


def container(rule: Rule, facts: Facts) -> Said:
    limit = f"kept in {rule.container_has}"
    if not facts.container:
        said = f"What it is kept in was not noted; asked for: {rule.container_has}."
        return Said("cannot_tell", said, "", limit, missing=("container",))
    answer: Answer = "pass" if has_word(facts.container, rule.container_has) else "fail"
    said = f"Kept in: {facts.container}; asked for: {rule.container_has}."
    return Said(answer, said, facts.container, limit)


def custody(rule: Rule, facts: Facts) -> Said:
    """An open discrepancy fails, and so does a time for which nobody shows who had it."""
    fact = f"open discrepancies: {facts.disputes or 'none'}"
    if facts.gaps:
        fact += f"; gaps: {len(facts.gaps)}"
    whole = not facts.gaps and facts.disputes <= 0
    sentence = " ".join([f"{fact.capitalize()}.", *facts.gaps])
    events = (*facts.gap_events, *facts.dispute_events)
    return Said("pass" if whole else "fail", sentence, fact, "none", events)


def permit(rule: Rule, facts: Facts) -> Said:
    limit = f"a permit {PERMIT_TO[rule.permit_for]}"
    if rule.permit_for not in facts.permits:
        said = f"Whether {limit} covers it is not known."
        return Said("cannot_tell", said, "", limit, missing=(f"permit:{rule.permit_for}",))
    answer, sentence = facts.permits[rule.permit_for]
    missing = (f"permit:{rule.permit_for}",) if answer == "cannot_tell" else ()
    return Said(answer, sentence, sentence.removesuffix("."), limit, missing=missing)
