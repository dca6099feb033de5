"""Rules against facts: findings and verdicts.

Promises: every answer is pass, fail or cannot tell, with its sentence, source and events. Adding a stop
rule that fails never makes a tube fitter; less exact times never turn cannot tell into an answer. `now`
comes in with the facts, never from a clock. The parts: facts, rule, judge (the kinds), countdown (due).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from custody.core import rule_words as words
from custody.core.countdown import Due, due, utc_clock
from custody.core.facts import ACTS, NOW, Facts, Moment, Phase
from custody.core.judge import KINDS
from custody.core.kleene import Answer
from custody.core.rule import EVIDENCE, NEEDS, SEVERITIES, Assay, Rule, applies

__all__ = [
    "ACTS", "EVIDENCE", "NEEDS", "NOW", "SEVERITIES", "WORDS", "Answer", "Assay", "Due", "Facts",
    "Finding", "Moment", "Phase", "Rule", "Verdict", "applies", "due", "evaluate",
    "utc_clock", "verdict",
]  # fmt: skip

Word = Literal["fit", "caution", "cannot_tell", "not_fit"]
WORDS: tuple[Word, ...] = ("not_fit", "cannot_tell", "caution", "fit")  # from unfit to fit


@dataclass(frozen=True)
class Finding:
    """One rule's answer for one tube: the fact, the limit, where both come from, and a sentence."""

    rule: Rule
    answer: Answer
    sentence: str
    fact: str = ""
    limit: str = ""
    sources: tuple[str, ...] = ()
    events: tuple[str, ...] = ()


@dataclass(frozen=True)
class Verdict:
    """The answer for one tube and one assay at `asof_ms`, under `rule_set`."""

    assay: Assay
    word: Word
    findings: tuple[Finding, ...] = ()
    asof_ms: int = 0
    rule_set: str = ""

    @property
    def sentence(self) -> str:
        """The one finding that decided, in its words; for a fit tube how much was checked."""
        if not self.findings:
            return "No rule is about this assay and this kind of tube."
        if self.word == "fit":
            return f"{words.once(len(self.findings), 'rule')} checked; nothing speaks against it."
        return self.deciding[0].sentence if self.deciding else "No rule names this assay."

    @property
    def ranked(self) -> tuple[Finding, ...]:
        """All findings, those that decided first."""
        return self.deciding + tuple(one for one in self.findings if one not in self.deciding)

    @property
    def deciding(self) -> tuple[Finding, ...]:
        """The findings that kept it from being fit, worst first."""
        bad = [one for one in self.findings if one.answer != "pass" and one.rule.severity != "note"]
        return tuple(sorted(bad, key=lambda one: WORDS.index(_weight(one))))


def evaluate(rule: Rule, facts: Facts) -> Finding | None:
    """What the rule says of the tube; None when it is not about it.

    Of a rule that only may be about it, a pass counts and a fail is cannot tell.
    """
    about = applies(rule, facts)
    if about == "fail":
        return None
    said = KINDS[rule.kind](rule, facts)
    hint = f" {rule.hint}" if rule.hint and said.answer != "pass" else ""
    answer, sentence = said.answer, said.sentence + hint
    if about == "cannot_tell" and answer == "fail":
        answer, sentence = "cannot_tell", f"{sentence} The additive is not known, so this may not count."
    return Finding(rule, answer, sentence, said.fact, said.limit, (rule.source,), said.events)


def verdict(facts: Facts, assay: Assay, rules: Iterable[Rule], rule_set: str = "") -> Verdict:
    """Fit, fit with caution, cannot tell or not fit.

    Not fit if any stop rule fails; else cannot tell if a stop rule cannot tell, or no rule that
    carries weight names this assay; else caution if a caution rule does not pass. Notes weigh nothing.
    """
    asked = [evaluate(rule, facts) for rule in rules if rule.assay in ("", assay.code)]
    findings = tuple(one for one in asked if one is not None)
    named = any(one.rule.assay == assay.code and one.rule.severity != "note" for one in findings)
    word = min([_weight(one) for one in findings] + ["fit" if named else "cannot_tell"], key=WORDS.index)
    return Verdict(assay, word, findings, facts.asof_ms, rule_set)


def _weight(finding: Finding) -> Word:
    """The best verdict that this finding leaves open."""
    if finding.answer == "pass" or finding.rule.severity == "note":
        return "fit"
    if finding.rule.severity == "caution":
        return "caution"
    return "not_fit" if finding.answer == "fail" else "cannot_tell"
