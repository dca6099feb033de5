"""Rules against facts: findings and verdicts.

Promises: every answer is pass, fail or cannot tell, with its sentence, source and events. Adding a stop
rule that fails never makes a tube fitter; less exact times and fewer readings never turn cannot tell into an
answer. `now` comes in with the facts, never from a clock. The parts: facts, rule, judge (the kinds, with
judge_act, judge_temperature, judge_tube), stability (budgets), countdown (due).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from custody.core import rule_words as words
from custody.core.countdown import Due, due, utc_clock
from custody.core.facts import ACTS, NOW, Facts, Moment, Phase
from custody.core.judge import KINDS
from custody.core.kleene import Answer
from custody.core.rule import EVIDENCE, NEEDS, SEVERITIES, Assay, Rule, applies, unknown

__all__ = [
    "ACTS", "EVIDENCE", "LEAST_VOLUME", "NEEDS", "NOW", "SEVERITIES", "WORDS", "Answer", "Assay", "Due",
    "Facts", "Finding", "Moment", "Phase", "Rule", "Verdict", "applies", "due", "evaluate",
    "utc_clock", "verdict",
]  # fmt: skip

Word = Literal["fit", "caution", "cannot_tell", "not_fit"]
WORDS: tuple[Word, ...] = ("not_fit", "cannot_tell", "caution", "fit")  # from unfit to fit
LEAST_VOLUME = "least-volume"  # code of the rule that an assay's own least volume is
TAKES = "takes"  # and of the one that it is asked for a tube that may have been drawn into something else
UNKNOWN = {
    "matrix": "what is in it",
    "additive": "additive",
    "taxon": "species group",
    "material": "what the tube is of",
}


@dataclass(frozen=True)
class Finding:
    """One rule's answer for one tube: the fact, the limit, where both come from, and a sentence.

    events   ids of the ledger's events behind the fact; spans: stretches (UTC ms) whose readings are
    missing  what would make a cannot tell an answer, by short names: `act:spun`, `time:spun` (more exact, or
             right), `readings`, `grade:haemolysis`, `matrix`, `additive`, `taxon`, `material`, `volume`,
             `fill`, `spin`, `container`, `permit:take`
    about    "cannot_tell": nobody knows whether the rule is about this tube
    by_ms    what it asks for is still open, and this is until when it passes for sure: of an interval as
             `due` says, of a budget if all that is to come were at its worst. None: nothing is open
    """

    rule: Rule
    answer: Answer
    sentence: str
    fact: str = ""
    limit: str = ""
    sources: tuple[str, ...] = ()
    events: tuple[str, ...] = ()
    spans: tuple[tuple[int, int], ...] = ()
    missing: tuple[str, ...] = ()
    by_ms: int | None = None
    about: Answer = "pass"


@dataclass(frozen=True)
class Verdict:
    """The answer for one tube and one assay at `asof_ms`, under `rule_set`.

    waived  codes of rules that were overridden: their findings stay and do not count in `word`
    """

    assay: Assay
    word: Word
    findings: tuple[Finding, ...] = ()
    asof_ms: int = 0
    rule_set: str = ""
    waived: frozenset[str] = frozenset()

    @property
    def sentence(self) -> str:
        """The one finding that decided, in its words; for a fit tube how much was checked."""
        if not self.findings:
            return "No rule is about this assay and this kind of tube."
        if self.word == "fit":
            but = "but what was overridden " if self._overridden else ""
            return f"{words.once(len(self.findings), 'rule')} checked; nothing {but}speaks against it."
        return self.deciding[0].sentence if self.deciding else "No rule names this assay."

    @property
    def ranked(self) -> tuple[Finding, ...]:
        """All findings, those that decided first."""
        first = self.deciding
        return first + tuple(one for one in self.findings if one not in first)

    @property
    def deciding(self) -> tuple[Finding, ...]:
        """The findings that kept it from being fit, worst first."""
        bad = [one for one in self.findings if _weight(one) != "fit" and one.rule.code not in self.waived]
        return tuple(sorted(bad, key=lambda one: WORDS.index(_weight(one))))

    def without(self, codes: Collection[str]) -> Verdict:
        """The same findings, and the word as if those of these rules passed. That no rule names the assay
        cannot be overridden."""
        waived = self.waived | frozenset(codes)
        return replace(self, word=_word(self.findings, waived), waived=waived)

    @property
    def _overridden(self) -> bool:
        return any(_weight(one) != "fit" and one.rule.code in self.waived for one in self.findings)


def evaluate(rule: Rule, facts: Facts) -> Finding | None:
    """What the rule says of the tube; None when it is not about it.

    Of a rule that only may be about it, a pass counts and a fail is cannot tell.
    """
    about = applies(rule, facts)
    if about == "fail":
        return None
    said = KINDS[rule.kind](rule, facts)
    answer, sentence, missing = said.answer, said.sentence, said.missing
    if rule.hint and answer != "pass":
        sentence = f"{sentence} {rule.hint}"
    if about == "cannot_tell" and answer != "pass":
        answer, lacks = "cannot_tell", unknown(rule, facts)
        sentence, missing = f"{sentence} {_may_not_count(lacks)}", missing + lacks
    sources = (rule.source,)
    return Finding(
        rule, answer, sentence, said.fact, said.limit, sources, said.events, said.spans, missing, said.by_ms,
        about,
    )  # fmt: skip


def _may_not_count(lacks: Collection[str]) -> str:
    """ "The additive is not known, so this may not count."""
    what = words.listed([UNKNOWN[name] for name in lacks])
    what = what if what.startswith("what") else f"the {what}"
    return (
        f"{what[0].upper()}{what[1:]} {'is' if len(lacks) == 1 else 'are'} not known, so this may not count."
    )


def verdict(facts: Facts, assay: Assay, rules: Iterable[Rule], rule_set: str = "") -> Verdict:
    """Fit, fit with caution, cannot tell or not fit.

    Rules of the assay, of its family and for all count, and its own least volume is one more stop rule. So is
    the additive, where it takes some and that of the tube is not known.
    Not fit if any stop rule fails; else cannot tell if a stop rule cannot tell, or no rule that carries
    weight names this assay or its family; else caution if a caution rule does not pass. Notes weigh nothing.
    """
    named = assay.named
    asked = [evaluate(rule, facts) for rule in rules if rule.assay in named]
    if assay.min_ul is not None:
        asked.append(evaluate(_least_volume(assay.code, assay.min_ul), facts))
    if not assay.surely_takes(facts):
        asked.append(_additive(assay))
    findings = tuple(one for one in asked if one is not None)
    return Verdict(assay, _word(findings, frozenset()), findings, facts.asof_ms, rule_set)


@lru_cache(maxsize=1024)
def _least_volume(assay: str, min_ul: int) -> Rule:
    return Rule(
        LEAST_VOLUME,
        "volume",
        "stop",
        "common_practice",
        "the assay's own least volume",
        assay,
        min_ul=min_ul,
    )


def _additive(assay: Assay) -> Finding:
    said = f"What it was drawn into is not known, and {assay} does not take every additive."
    limit = "an additive that it takes"
    return Finding(_takes(assay.code), "cannot_tell", said, "not known", limit, missing=("additive",))


@lru_cache(maxsize=1024)
def _takes(assay: str) -> Rule:
    return Rule(
        TAKES, "container", "stop", "common_practice", "what the assay takes", assay, container_has="-"
    )


def _word(findings: Collection[Finding], waived: Collection[str]) -> Word:
    """The worst that any finding leaves open; what was waived leaves everything open."""
    best: Word = "fit" if any(_names(one) for one in findings) else "cannot_tell"
    left = [_weight(one) for one in findings if one.rule.code not in waived]
    return min([*left, best], key=WORDS.index)


def _names(finding: Finding) -> bool:
    """Does a rule that carries weight name the assay or its family, and is it surely about the tube? What the
    assay itself takes says nothing of whether it was thought about."""
    rule = finding.rule
    weighs = rule.severity != "note" and rule.code not in {LEAST_VOLUME, TAKES}
    return rule.assay != "" and weighs and finding.about == "pass"


def _weight(finding: Finding) -> Word:
    """The best verdict that this finding leaves open."""
    if finding.answer == "pass" or finding.rule.severity == "note":
        return "fit"
    if finding.rule.severity == "caution":
        return "caution"
    return "not_fit" if finding.answer == "fail" else "cannot_tell"
