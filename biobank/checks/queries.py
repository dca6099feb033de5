"""Rule sets and assays for reading: each rule in words, with its limits, source and evidence.

Promises: a fixed number of queries however many rules; the words are those of custody.core.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from django.db.models import Case, Count, F, Value, When

from biobank.checks import compare, trial_queries
from biobank.checks.rule_columns import bands_text
from biobank.models import Assay, Programme, Rule, RuleSet, Trial
from custody.core import rule as core_rule
from custody.core import rule_words as words
from custody.core import rules as core
from custody.core.facts import NOW


@dataclass(frozen=True)
class Group:
    """The rules of one assay (None: those for all assays)."""

    assay: Assay | None
    rules: list[Rule]

    @property
    def counted(self) -> int:
        return sum(rule.active for rule in self.rules)


@dataclass(frozen=True)
class Question:
    """Rules that answer one another: sources that may disagree. `key` is its name in a page."""

    question: str
    rules: list[Rule]

    @property
    def counted(self) -> int:
        return sum(rule.active for rule in self.rules)

    @property
    def key(self) -> str:
        return f"q{hashlib.sha256(self.question.encode()).hexdigest()[:10]}"


@dataclass(frozen=True)
class Head:
    """An assay that stands alone, or a family with its members."""

    assay: Assay
    members: list[Assay] = field(default_factory=list)


def rule_sets() -> list[RuleSet]:
    """All versions, newest first within a code, with `size`: how many rules. 1 query."""
    return list(RuleSet.objects.annotate(size=Count("rules")).order_by("code", "-version"))


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


def questions(rule_set: RuleSet) -> list[Question]:
    """Questions that more than one rule answers; each rule has `words`. 1 query."""
    rows = Rule.objects.filter(rule_set=rule_set).exclude(question="").select_related("assay")
    rules = list(rows.order_by("question", "-active", "code"))
    for rule in rules:
        rule.words = in_words(rule.core())  # type: ignore[attr-defined]
    by_question = [(text, list(some)) for text, some in groupby(rules, key=lambda rule: rule.question)]
    return [Question(text, some) for text, some in by_question if len(some) > 1]


def count_questions(some: Iterable[Group]) -> int:
    """How many questions more than one rule answers."""
    asked = [rule.question for group in some for rule in group.rules if rule.question]
    return sum(asked.count(text) > 1 for text in set(asked))


def named(some: Sequence[compare.Group]) -> list[tuple[str, compare.Group]]:
    """Each group with the name of its assay, its rules in words. 1 query."""
    names = dict(Assay.objects.values_list("code", "name"))
    return [(names.get(one.assay, "All assays"), one) for one in some]


def counted(trial: Trial, programme: Programme) -> dict[str, Any]:
    """How many verdicts and tubes a trial would change, by assay. 3 queries."""
    changes = trial_queries.changes_of(trial, programme)
    steps = trial_queries.steps_of(changes)
    return {
        "steps": steps, "verdicts": sum(one.count for one in steps),
        "tubes": trial_queries.tubes_changed(changes), "worse": sum(one.count for one in steps if one.worse),
    }  # fmt: skip


def assays() -> list[Head]:
    """Families with their members, and assays that stand alone, by name; each has `size`: the rules in force
    that are about it, its family's among them, not those for all. 4 queries."""
    found = list(Assay.objects.select_related("family").prefetch_related("takes").order_by("name"))
    law = Rule.objects.filter(rule_set__status=RuleSet.Status.IN_FORCE, active=True, assay__isnull=False)
    own = dict(law.order_by().values_list("assay").annotate(n=Count("pk")))
    heads = {one.pk: Head(one) for one in found if one.family_id is None}
    for one in found:
        one.size = own.get(one.pk, 0) + own.get(one.family_id, 0)  # type: ignore[attr-defined]
        if one.family_id is not None:
            heads[one.family_id].members.append(one)
    return list(heads.values())


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
    if rule.phase == core_rule.BETWEEN:
        where = f"From {words.NOUN[rule.from_act]} to {_end(rule.to_act)}"
    if not rule.allowed_s:
        return f"{where} never {rule.side} {words.celsius(rule.limit_centi or 0)}."
    return f"{where} at most {allowed} {rule.side} {words.celsius(rule.limit_centi or 0)} in all."


def _end(act: str) -> str:
    return words.NOUN.get(act, "now")


def _budget(rule: core.Rule) -> str:
    end = _end(rule.to_act)
    borne = bands_text(rule.bands).replace("warmer for", "warmer:").replace(" for ", ": ").replace("; ", ", ")
    never = f" Never above {words.celsius(rule.forbidden_centi)}." if rule.forbidden_centi is not None else ""
    return f"From {words.NOUN[rule.from_act]} to {end} no more than it bears, in shares: {borne}.{never}"


def _grade(rule: core.Rule) -> str:
    by_eye = [] if rule.max_grade is None else [f"grade at most {rule.max_grade}"]
    measured = [] if rule.max_cmgdl is None else [f"at most {words.hundredths(rule.max_cmgdl)} mg/dL"]
    return f"{rule.grade_name.capitalize()} {', or '.join(by_eye + measured)}."


_WORDS = {
    "interval": _interval,
    "temperature": _temperature,
    "never": lambda rule: f"Never {words.DONE[rule.to_act].lower()}.",
    "thaws": lambda rule: f"At most {words.once(rule.max_thaws or 0, 'thaw')}.",
    "volume": lambda rule: f"At least {words.volume(rule.min_ul or 0)} left.",
    "fill": lambda rule: f"Drawn at least {rule.min_percent} % full.",
    "grade": _grade,
    "budget": _budget,
    "spins": lambda rule: f"Spun at most {words.once(rule.max_spins or 0, 'time')}.",
    "permit": lambda rule: f"A permit to {rule.permit_for} covers it.",
    "spin": lambda rule: f"Spun at {rule.min_g} × g or more for {rule.min_minutes} min or longer.",
    "container": lambda rule: f"Kept in {rule.container_has}.",
    "custody": lambda rule: "No open discrepancy, no gap in custody.",
}
