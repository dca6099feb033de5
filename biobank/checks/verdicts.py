"""Is this tube fit for that assay? And what must still happen to it, by when?

Promises: the rule set in force is loaded once for a whole page; the number of queries does not grow with
the number of tubes; the answers are those of custody.core.rules, nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from biobank.checks.facts import facts_of
from biobank.models import Assay, Rule, RuleSet
from custody.core import rules as core
from custody.core.rules import Due, Facts, Verdict

UNFILLED = {"unknown", "labelled", "not_collected", "void"}


@dataclass(frozen=True)
class InForce:
    """The rules and assays that count now; without a rule set there are none of either."""

    label: str
    rules: tuple[core.Rule, ...]
    assays: tuple[core.Assay, ...]

    @property
    def limits_centi(self) -> set[int]:
        return {one.limit_centi for one in self.rules if one.limit_centi is not None}


def in_force() -> InForce:
    """The rule set in force with its assays. 4 queries."""
    found = RuleSet.objects.filter(status=RuleSet.Status.IN_FORCE).first()
    if found is None:
        return InForce("", (), ())
    rules = tuple(one.core() for one in Rule.objects.filter(rule_set=found).select_related("assay"))
    assays = tuple(one.core() for one in Assay.objects.prefetch_related("takes"))
    return InForce(str(found), rules, assays)


def verdicts_of(codes: Iterable[str], now_ms: int) -> dict[str, list[Verdict]]:
    """For every code the verdicts for all assays that take the tube's matrix and additive.

    Empty for a tube that holds nothing, that no assay takes, or that the ledger does not know.
    """
    wanted = list(codes)
    law = in_force()
    facts = facts_of(wanted, law.limits_centi, now_ms) if law.assays else {}
    return {code: _verdicts(facts[code], law) if code in facts else [] for code in wanted}


def _verdicts(facts: Facts, law: InForce) -> list[Verdict]:
    if not _filled(facts):
        return []
    return [
        core.verdict(facts, assay, law.rules, law.label) for assay in law.assays if assay.takes_tube(facts)
    ]


def _filled(facts: Facts) -> bool:
    return "drawn" in facts.acts or "aliquoted" in facts.acts


def dues_of(codes: Iterable[str], now_ms: int, tz: str = "UTC") -> dict[str, list[Due]]:
    """For every code what must still happen to it, most urgent first, times worded in the zone `tz`.

    One entry for each act, moment and severity, however many assays wait for it.
    """
    wanted = list(codes)
    law = in_force()
    facts = facts_of(wanted, law.limits_centi, now_ms) if law.assays else {}
    return {code: _dues(facts[code], law, now_ms, clock_in(tz)) if code in facts else [] for code in wanted}


def _dues(facts: Facts, law: InForce, now_ms: int, clock: Callable[[int], str]) -> list[Due]:
    mine = {""} | {assay.code for assay in law.assays if assay.takes_tube(facts)}
    found: dict[tuple[str, int, str], Due] = {}
    for one in core.due(facts, (rule for rule in law.rules if rule.assay in mine), now_ms, clock):
        found.setdefault((one.act, one.by_ms, one.rule.severity), one)
    return list(found.values())


def clock_in(tz: str) -> Callable[[int], str]:
    """Words a moment (UTC ms) as hours and minutes in a zone."""
    zone = ZoneInfo(tz)
    return lambda at_ms: f"{datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone):%H:%M}"


def sentence(verdict: Verdict) -> str:
    """One line for a table: what decided."""
    return verdict.sentence
