"""Is this tube fit for that assay? And what must still happen to it, by when?

Promises: the rule set in force is loaded once for a whole page; the number of queries does not grow with
the number of tubes; the answers are those of custody.core.rules, nothing is decided here. Rules that are not
active and assays that are retired are not asked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from zoneinfo import ZoneInfo

from biobank.checks.facts import facts_of
from biobank.models import Assay, Rule, RuleSet
from custody.core import rules as core
from custody.core.rules import Due, Facts, Verdict

UNFILLED = {"unknown", "labelled", "not_collected", "void"}


@dataclass(frozen=True)
class InForce:
    """The rules and assays that count; without a rule set there are none of either.

    rule_set  its primary key
    """

    label: str
    rules: tuple[core.Rule, ...]
    assays: tuple[core.Assay, ...]
    rule_set: int | None = None

    @property
    def limits_centi(self) -> set[int]:
        return {limit for one in self.rules for limit in one.limits_centi}

    @cached_property
    def by_assay(self) -> dict[str, tuple[core.Rule, ...]]:
        """The rules that are about each assay, so that nobody goes through all of them for every tube."""
        return {
            assay.code: tuple(one for one in self.rules if one.assay in assay.named) for assay in self.assays
        }


@dataclass(frozen=True)
class Judged:
    """What is known of a tube, and the verdicts that follow."""

    facts: Facts
    verdicts: list[Verdict]

    @property
    def filled(self) -> bool:
        return _filled(self.facts)


NOTHING = InForce("", (), ())


def in_force() -> InForce:
    """The rule set in force with its assays. 4 queries."""
    found = RuleSet.objects.filter(status=RuleSet.Status.IN_FORCE).first()
    return NOTHING if found is None else law_of(found)


def law_of(rule_set: RuleSet) -> InForce:
    """Any rule set, as if it were in force. 3 queries."""
    rows = Rule.objects.filter(rule_set=rule_set, active=True).select_related("assay")
    known = Assay.objects.filter(retired=False).select_related("family").prefetch_related("takes")
    assays = tuple(one.core() for one in known)
    takes = {one.code: one.takes for one in assays}
    theirs = tuple(
        one if one.takes else replace(one, takes=takes.get(one.family, one.takes)) for one in assays
    )
    return InForce(str(rule_set), tuple(one.core() for one in rows), theirs, rule_set.pk)


def judged(
    codes: Iterable[str],
    now_ms: int,
    law: InForce | None = None,
    assays: Iterable[core.Assay | str] | None = None,
) -> dict[str, Judged]:
    """Facts and verdicts of every code that the ledger knows, for all assays that take the tube (or those of
    `assays` that do). Without a rule set: nothing."""
    found = in_force() if law is None else law
    return {code: one[0] for code, one in both(codes, now_ms, [found], assays).items()}


def both(
    codes: Iterable[str],
    now_ms: int,
    laws: Sequence[InForce],
    assays: Iterable[core.Assay | str] | None = None,
) -> dict[str, list[Judged]]:
    """The same under several rule sets, in their order; facts are gathered once for all of them."""
    rules = [rule for law in laws for rule in law.rules]
    if not any(law.assays for law in laws):
        return {}
    only = None if assays is None else {one if isinstance(one, str) else one.code for one in assays}
    facts = facts_of(codes, rules, now_ms)
    return {code: [Judged(one, verdicts_for(one, law, only)) for law in laws] for code, one in facts.items()}


def verdicts_of(
    codes: Iterable[str],
    now_ms: int,
    law: InForce | None = None,
    assays: Iterable[core.Assay | str] | None = None,
) -> dict[str, list[Verdict]]:
    """For every code the verdicts for all assays that take the tube's matrix and additive.

    Empty for a tube that holds nothing, that no assay takes, or that the ledger does not know.
    """
    wanted = list(codes)
    found = judged(wanted, now_ms, law, assays)
    return {code: found[code].verdicts if code in found else [] for code in wanted}


def verdicts_for(facts: Facts, law: InForce, only: set[str] | None) -> list[Verdict]:
    if not _filled(facts):
        return []
    return [
        core.verdict(facts, assay, law.by_assay[assay.code], law.label)
        for assay in law.assays
        if (only is None or assay.code in only) and assay.takes_tube(facts)
    ]


def _filled(facts: Facts) -> bool:
    return "drawn" in facts.acts or "aliquoted" in facts.acts


def dues_of(codes: Iterable[str], now_ms: int, tz: str = "UTC") -> dict[str, list[Due]]:
    """For every code what must still happen to it, most urgent first, times worded in the zone `tz`.

    One entry for each act, moment and severity, however many assays wait for it.
    """
    wanted = list(codes)
    law = in_force()
    facts = facts_of(wanted, law.rules, now_ms) if law.assays else {}
    return {code: _dues(facts[code], law, now_ms, clock_in(tz)) if code in facts else [] for code in wanted}


def _dues(facts: Facts, law: InForce, now_ms: int, clock: Callable[[int], str]) -> list[Due]:
    mine = {name for assay in law.assays if assay.takes_tube(facts) for name in assay.named} | {""}
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
