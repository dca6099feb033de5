"""What a rule is: one limit with its source and its evidence; and what an assay takes.

Promises: a rule that lacks what its kind needs, or whose least is more than its most, cannot exist. No limit
stands in this file.

Kinds of rule and what each needs (NEEDS; the database checks the same table):
interval     from_act, to_act, and limit_s (not later than) or at_least_s (not before) or both;
             to_act "now" is the sample's age
never        to_act must not have happened
temperature  phase (a phase's name, "any", or "between": from from_act to to_act), side, limit_centi,
             allowed_s: total time above or below
budget       from_act, bands: share used of the time that it bears at each temperature, from that act to
             to_act (empty: to now; to now too while that has not happened); forbidden_centi is never
             exceeded
thaws        max_thaws · volume  min_ul, what is left · fill  min_percent of the nominal volume
grade        grade_name and max_grade (by eye, 0 to 4) or max_cmgdl (as measured, hundredths of mg/dL)
spin         min_g, min_minutes · spins  max_spins, how often · container  container_has, a word
custody      no open discrepancy, no gap
permit       permit_for: a permit to take (at the draw) or to hold (now) covers it
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from custody.core.budget import Bands
from custody.core.facts import ACTS, NOW, Facts
from custody.core.kleene import Answer, both

SEVERITIES = ("stop", "caution", "note")
EVIDENCE = ("same_species", "other_species", "human", "common_practice", "memory")
READ = ("original", "abstract", "quoted", "none")  # how far the source was read by whoever typed the limit
BETWEEN = "between"
KNOWN = {  # what these may say, if they say anything
    "from_act": ACTS,
    "to_act": (*ACTS, NOW),
    "side": ("above", "below"),
    "phase": ("frozen", "cold", "ambient", "any", BETWEEN),
    "permit_for": ("take", "hold"),
}
NEVER_LESS_THAN_NOTHING = (
    "at_least_s", "limit_s", "allowed_s", "max_thaws", "min_ul", "min_percent", "max_grade", "max_cmgdl",
    "min_g", "min_minutes", "max_spins",
)  # fmt: skip
NEEDS: dict[str, tuple[str, ...]] = {
    "interval": ("from_act", "to_act"),
    "never": ("to_act",),
    "temperature": ("phase", "side", "limit_centi", "allowed_s"),
    "budget": ("from_act", "bands"),
    "thaws": ("max_thaws",),
    "volume": ("min_ul",),
    "fill": ("min_percent",),
    "grade": ("grade_name",),
    "spin": ("min_g", "min_minutes"),
    "spins": ("max_spins",),
    "container": ("container_has",),
    "custody": (),
    "permit": ("permit_for",),
}


@dataclass(frozen=True)
class Rule:
    """One limit with its source. Conditions that are empty are for all.

    assay      an assay or a family of assays; matrix, additive, taxon (species group), material (a word of
               what the tube is of): only such tubes
    question   rules with the same question answer one another: sources that disagree
    read       how far the source was read; studied: in which species, in words
    bands      pairs (up to this temperature and including it, seconds that it bears there), rising; the last
               has no temperature; no seconds: bears it for ever
    Durations in seconds, temperatures in hundredths of °C, volumes in microlitres, force in g.
    ValueError when the kind lacks what it needs, an act, side, phase or permit is none of those known, a
    number that counts is negative, the least is over the most, bands do not rise or bear nothing, or the
    source is empty.
    """

    code: str
    kind: str
    severity: str
    evidence: str
    source: str
    assay: str = ""
    matrix: str = ""
    additive: str = ""
    taxon: str = ""
    material: str = ""
    question: str = ""
    read: str = "none"
    studied: str = ""
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
    bands: tuple[tuple[int | None, int | None], ...] = ()
    forbidden_centi: int | None = None
    grade_name: str = ""
    max_grade: int | None = None
    max_cmgdl: int | None = None
    min_g: int | None = None
    min_minutes: int | None = None
    max_spins: int | None = None
    container_has: str = ""
    permit_for: str = ""
    hint: str = ""

    def __post_init__(self) -> None:
        if self.kind not in NEEDS or self.severity not in SEVERITIES or self.evidence not in EVIDENCE:
            raise ValueError(f"{self.code}: unknown kind, severity or evidence")
        if self.read not in READ:
            raise ValueError(f"{self.code}: a source is read {', '.join(READ)}")
        if lacking := self._lacks():
            raise ValueError(f"{self.code}: a rule of kind {self.kind} needs {', '.join(lacking)}")
        if not self.source.strip():
            raise ValueError(f"{self.code}: a rule needs a source")
        if odd := self._odd():
            raise ValueError(f"{self.code}: it cannot say {odd}")
        if None not in (self.at_least_s, self.limit_s) and (self.at_least_s or 0) > (self.limit_s or 0):
            raise ValueError(f"{self.code}: the least is more than the most")
        if self.bands:
            self.budget()
            if self.forbidden_centi is None and all(seconds is None for _, seconds in self.bands):
                raise ValueError(f"{self.code}: a budget that bears everything for ever limits nothing")

    def _lacks(self) -> list[str]:
        lacking = [name for name in NEEDS[self.kind] if getattr(self, name) in (None, "", ())]
        if self.kind == "interval" and self.limit_s is None and self.at_least_s is None:
            lacking.append("limit_s or at_least_s")
        if self.kind == "grade" and self.max_grade is None and self.max_cmgdl is None:
            lacking.append("max_grade or max_cmgdl")
        if self.kind == "temperature" and self.phase == BETWEEN:
            lacking += [name for name in ("from_act", "to_act") if not getattr(self, name)]
        return lacking

    def _odd(self) -> str:
        """The first thing that it says and no rule can say; empty: there is none."""
        for name, known in KNOWN.items():
            if (said := getattr(self, name)) and said not in known:
                return f"{name} {said}"
        if self.kind == "never" and self.to_act == NOW:
            return "never now"
        if self.from_act and self.from_act == self.to_act:
            return f"from {self.from_act} to itself"
        negative = [name for name in NEVER_LESS_THAN_NOTHING if (getattr(self, name) or 0) < 0]
        return f"{negative[0]} below nothing" if negative else ""

    def budget(self) -> Bands:
        """The bands as a budget; ValueError when they do not make one."""
        edges = tuple(edge for edge, _ in self.bands[:-1] if edge is not None)
        if len(edges) != len(self.bands) - 1 or self.bands[-1][0] is not None:
            raise ValueError(f"{self.code}: each band but the last ends at a temperature")
        limits = tuple(math.inf if s is None else s * 1000 for _, s in self.bands)
        return Bands(edges, limits, self.forbidden_centi)

    @property
    def limits_centi(self) -> frozenset[int]:
        """The temperatures above and below which this rule wants time to be counted."""
        edges = [edge for edge, _ in self.bands] + [self.limit_centi, self.forbidden_centi]
        return frozenset(one for one in edges if one is not None)

    @property
    def span(self) -> tuple[str, str] | None:
        """The two acts between which it asks for temperatures; None: it does not."""
        if self.kind == "budget" or (self.kind == "temperature" and self.phase == BETWEEN):
            return self.from_act, self.to_act or NOW
        return None


@dataclass(frozen=True)
class Assay:
    """An analysis and what it takes: pairs of matrix and additive; an empty additive: any.

    family   code of the family whose rules are its rules too; empty: it is a family, or stands alone
    min_ul   the least volume that it needs; None: not said
    """

    code: str
    name: str = ""
    takes: frozenset[tuple[str, str]] = frozenset()
    family: str = ""
    min_ul: int | None = None

    @property
    def named(self) -> frozenset[str]:
        """What a rule may name to be about it: nothing, it, or its family."""
        return frozenset({"", self.code, self.family})

    def __str__(self) -> str:
        return self.name or self.code

    def takes_tube(self, facts: Facts) -> bool:
        """May a tube of this matrix and additive go to it? An unknown additive may."""
        return any(
            matrix == facts.matrix and (not additive or not facts.additive or additive == facts.additive)
            for matrix, additive in self.takes
        )

    def surely_takes(self, facts: Facts) -> bool:
        """False when that depends on an additive that is not known."""
        some = {additive for matrix, additive in self.takes if matrix == facts.matrix}
        return bool(facts.additive) or not some or "" in some


def bands_text(bands: Iterable[tuple[int | None, int | None]]) -> str:
    """Bands as one line: "400:259200 2500:28800 :14400"; an empty side: no more edge, or for ever."""
    return " ".join(f"{'' if edge is None else edge}:{'' if s is None else s}" for edge, s in bands)


def bands_of(text: str) -> tuple[tuple[int | None, int | None], ...]:
    """Reads what `bands_text` wrote; ValueError when it is none."""
    pairs = [part.split(":") for part in text.split()]
    return tuple((int(edge) if edge else None, int(s) if s else None) for edge, s in pairs)


def has_word(text: str, word: str) -> bool:
    """Does the text have this word, or these words in a row? Capitals do not matter, but whole words do:
    "glass" is in "Amber Glass vial", "PE" is not in "PET tube"."""
    return f" {_apart(word)} " in f" {_apart(text)} "


def _apart(text: str) -> str:
    return " ".join(re.findall(r"\w+", text.casefold()))


def applies(rule: Rule, facts: Facts) -> Answer:
    """Is this rule about this tube? Cannot tell when it asks for something of the tube that is not known."""
    return both(*(answer for _, answer in _conditions(rule, facts)))


def unknown(rule: Rule, facts: Facts) -> tuple[str, ...]:
    """What of the tube is not known and decides whether the rule is about it; as names of Finding.missing."""
    return tuple(name for name, answer in _conditions(rule, facts) if answer == "cannot_tell")


def _conditions(rule: Rule, facts: Facts) -> list[tuple[str, Answer]]:
    """Each condition that the rule has, and whether the tube meets it."""
    asked: list[tuple[str, Answer]] = []
    if rule.matrix:
        asked.append(("matrix", _is(facts.matrix, facts.matrix == rule.matrix)))
    if rule.additive:
        asked.append(("additive", _is(facts.additive, facts.additive == rule.additive)))
    if rule.taxon:
        asked.append(("taxon", _is(facts.taxon, facts.taxon == rule.taxon)))
    if rule.material:
        asked.append(("material", _is(facts.container, has_word(facts.container, rule.material))))
    return asked


def _is(known: str, met: bool) -> Answer:
    if not known:
        return "cannot_tell"
    return "pass" if met else "fail"
