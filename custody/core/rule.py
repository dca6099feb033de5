"""What a rule is: one limit with its source and its evidence; and what an assay takes.

Promises: a rule that lacks what its kind needs cannot exist. No limit stands in this file.

Kinds of rule and what each needs (NEEDS; the database checks the same table):
interval     from_act, to_act, and limit_s (not later than) or at_least_s (not before) or both;
             to_act "now" is the sample's age
never        to_act must not have happened
temperature  phase (a phase's name or "any"), side, limit_centi, allowed_s: total time above or below
thaws        max_thaws · volume  min_ul, what is left · fill  min_percent of the nominal volume
grade        grade_name, max_grade · spin  min_g, min_minutes · container  container_has, a word
custody      no open discrepancy
"""

from __future__ import annotations

from dataclasses import dataclass

from custody.core.facts import Facts
from custody.core.kleene import Answer

SEVERITIES = ("stop", "caution", "note")
EVIDENCE = ("same_species", "other_species", "human", "common_practice", "memory")
NEEDS: dict[str, tuple[str, ...]] = {
    "interval": ("from_act", "to_act"),
    "never": ("to_act",),
    "temperature": ("phase", "side", "limit_centi", "allowed_s"),
    "thaws": ("max_thaws",),
    "volume": ("min_ul",),
    "fill": ("min_percent",),
    "grade": ("grade_name", "max_grade"),
    "spin": ("min_g", "min_minutes"),
    "container": ("container_has",),
    "custody": (),
}


@dataclass(frozen=True)
class Rule:
    """One limit with its source. Empty assay, matrix or additive: for all.

    Durations in seconds, temperatures in hundredths of °C, volumes in microlitres, force in g.
    ValueError when the kind lacks what it needs, or the source is empty.
    """

    code: str
    kind: str
    severity: str
    evidence: str
    source: str
    assay: str = ""
    matrix: str = ""
    additive: str = ""
    from_act: str = ""
    to_act: str = ""
    at_least_s: int | None = None
    limit_s: int | None = None
    phase: str = ""
    side: str = ""
    limit_centi: int | None = None
    allowed_s: int | None = None
    max_thaws: int | None = None
    min_ul: int | None = None
    min_percent: int | None = None
    grade_name: str = ""
    max_grade: int | None = None
    min_g: int | None = None
    min_minutes: int | None = None
    container_has: str = ""
    hint: str = ""

    def __post_init__(self) -> None:
        if self.kind not in NEEDS or self.severity not in SEVERITIES or self.evidence not in EVIDENCE:
            raise ValueError(f"{self.code}: unknown kind, severity or evidence")
        lacking = [name for name in NEEDS[self.kind] if getattr(self, name) in (None, "")]
        if self.kind == "interval" and self.limit_s is None and self.at_least_s is None:
            lacking.append("limit_s or at_least_s")
        if lacking:
            raise ValueError(f"{self.code}: a rule of kind {self.kind} needs {', '.join(lacking)}")
        if not self.source.strip():
            raise ValueError(f"{self.code}: a rule needs a source")


@dataclass(frozen=True)
class Assay:
    """A family of analyses and what it takes: pairs of matrix and additive; an empty additive: any."""

    code: str
    name: str = ""
    takes: frozenset[tuple[str, str]] = frozenset()

    def __str__(self) -> str:
        return self.name or self.code

    def takes_tube(self, facts: Facts) -> bool:
        """May a tube of this matrix and additive go to it? An unknown additive may."""
        return any(
            matrix == facts.matrix and (not additive or not facts.additive or additive == facts.additive)
            for matrix, additive in self.takes
        )


def applies(rule: Rule, facts: Facts) -> Answer:
    """Is this rule about this tube? Cannot tell when it asks for an additive that is not known."""
    if rule.matrix and rule.matrix != facts.matrix:
        return "fail"
    if not rule.additive or rule.additive == facts.additive:
        return "pass"
    return "fail" if facts.additive else "cannot_tell"
