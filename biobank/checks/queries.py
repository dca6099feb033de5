"""Rule sets for reading: each rule in words, with its limits, source and evidence.

Promises: a fixed number of queries however many rules; the words are those of custody.core.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby

from django.db.models import Case, Count, F, Value, When

from biobank.models import Assay, Rule, RuleSet
from custody.core import rule_words as words
from custody.core import rules as core
from custody.core.facts import NOW


@dataclass(frozen=True)
class Group:
    """The rules of one assay (None: those for all assays)."""

    assay: Assay | None
    rules: list[Rule]


def rule_sets() -> list[RuleSet]:
    """All versions, newest first within a code, with `size`: how many rules. 1 query."""
    return list(RuleSet.objects.annotate(size=Count("rules")))


def in_force() -> RuleSet | None:
    """1 query."""
    return RuleSet.objects.filter(status=RuleSet.Status.IN_FORCE).first()


def groups(rule_set: RuleSet) -> list[Group]:
    """The rules of a set by assay, those for all assays first; each has `words`. 2 queries."""
    order = (F("assay__name").asc(nulls_first=True), "severity_rank", "code")
    rows = Rule.objects.filter(rule_set=rule_set).select_related("assay").prefetch_related("assay__takes")
    rules = list(rows.annotate(severity_rank=_severity_rank()).order_by(*order))
    for rule in rules:
        rule.words = in_words(rule.core())  # type: ignore[attr-defined]
    return [Group(assay, list(some)) for assay, some in groupby(rules, key=lambda rule: rule.assay)]


def _severity_rank() -> Case:
    return Case(*(When(severity=name, then=Value(n)) for n, name in enumerate(core.SEVERITIES)))


def evidence_counts(some: Iterable[Group]) -> dict[str, int]:
    """How many rules stand on which evidence, best first: the page says it up front."""
    found = dict.fromkeys(core.EVIDENCE, 0)
    for group in some:
        for rule in group.rules:
            found[rule.evidence] += 1
    return {name: number for name, number in found.items() if number}


def in_words(rule: core.Rule) -> str:
    """What the rule asks, as one sentence: "Spun at most 2 h after draw."."""
    return _WORDS[rule.kind](rule)


def _interval(rule: core.Rule) -> str:
    lower, upper = (None if s is None else s * words.SECOND for s in (rule.at_least_s, rule.limit_s))
    asked = words.limits(lower, upper).replace("limit ", "at most ")
    noun = words.NOUN[rule.from_act]
    if rule.to_act == NOW:
        return f"Used {asked} after {noun}."
    return f"{words.DONE[rule.to_act]} {asked} after {noun}."


def _temperature(rule: core.Rule) -> str:
    allowed = words.span((rule.allowed_s or 0) * words.SECOND)
    place = {"frozen": "In a freezer", "cold": "In a fridge or cooler", "ambient": "In a warm place"}
    where = place.get(rule.phase, "Since draw")
    if not rule.allowed_s:
        return f"{where} never {rule.side} {words.celsius(rule.limit_centi or 0)}."
    return f"{where} at most {allowed} {rule.side} {words.celsius(rule.limit_centi or 0)} in all."


_WORDS = {
    "interval": _interval,
    "temperature": _temperature,
    "never": lambda rule: f"Never {words.DONE[rule.to_act].lower()}.",
    "thaws": lambda rule: f"At most {words.once(rule.max_thaws or 0, 'thaw')}.",
    "volume": lambda rule: f"At least {words.volume(rule.min_ul or 0)} left.",
    "fill": lambda rule: f"Drawn at least {rule.min_percent} % full.",
    "grade": lambda rule: f"{rule.grade_name.capitalize()} grade at most {rule.max_grade}.",
    "spin": lambda rule: f"Spun at {rule.min_g} × g or more for {rule.min_minutes} min or longer.",
    "container": lambda rule: f"Kept in {rule.container_has}.",
    "custody": lambda rule: "No open discrepancy.",
}
