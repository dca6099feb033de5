"""One tube and all assays that take it, put together for a page.

Promises: answers are worked out anew and are those of custody.core.rules; a rule that speaks for all
assays, or for a whole family, is explained once and not with each assay; who sees the catalogue alone gets
no event, no place, no person and no moment.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from biobank.access import may
from biobank.amend.queries import names
from biobank.checks import fit_words as words
from biobank.checks import overrides
from biobank.checks.fit_access import whole
from biobank.checks.fit_panel import by_family
from biobank.checks.overrides import Override
from biobank.checks.passport_veil import Veil
from biobank.checks.verdicts import InForce, Judged, in_force, judged
from biobank.models import Person, RuleSet, Tube
from biobank.temperature.life_words import Share, shares
from custody import queries as ledger
from custody.core.rules import LEAST_VOLUME, TAKES, Finding, Verdict
from custody.core.state import Happening

ALL = ""
WARMED = {"budget", "temperature"}  # kinds whose time runs only while it is too warm, or unmeasured
Key = tuple[str, str]  # a rule's code and what it names: the least volume of each assay has one code


@dataclass(frozen=True)
class Explained:
    """One finding with everything behind it. `by`: overrides of it, for whichever assay."""

    finding: Finding
    sentence: str
    fact: str
    limit: str
    events: list[tuple[str, str]]
    ways: list[words.Way]
    left_ms: int | None
    rule_href: str
    by: list[Any]

    @property
    def anchor(self) -> str:
        return "-".join(["finding", self.finding.rule.code, self.finding.rule.assay]).rstrip("-")

    @property
    def severity_means(self) -> str:
        return words.SEVERITY_MEANS[self.finding.rule.severity]

    @property
    def read_means(self) -> str:
        return words.READ_MEANS[self.finding.rule.read]


@dataclass(frozen=True)
class Answer:
    """One assay's verdict. own: findings of rules that name it alone; shared: those elsewhere on the page
    that did not pass; by: its overrides, each with why it does not count (empty: it counts); asks: (code
    of the rule, address) of overrides that may be asked for."""

    verdict: Verdict
    sentence: str
    own: list[Explained]
    shared: list[Explained]
    passed: int
    by: list[tuple[Any, str]]
    allowed: bool
    asks: list[tuple[str, str]]

    @property
    def word(self) -> str:
        return self.verdict.word


@dataclass(frozen=True)
class Left:
    """How long something still has, and for what. at_worst: counted as if it were too warm from now on."""

    left_ms: int
    one: Explained
    names: list[str]
    at_worst: bool


@dataclass(frozen=True)
class Family:
    """Assays of one family; `code` empty: those that stand alone. `rules`: findings for the whole family."""

    code: str
    name: str
    answers: list[Answer]
    rules: list[Explained]
    head: Answer | None = None

    @property
    def tally(self) -> list[tuple[str, int]]:
        return words.tally(one.word for one in self.every)

    @property
    def every(self) -> list[Answer]:
        return ([self.head] if self.head else []) + self.answers

    @property
    def worst(self) -> Answer:
        return min(self.every, key=lambda one: words.WORD_ORDER.index(one.word))


@dataclass(frozen=True)
class Page:
    """Everything of the page.

    why_none  the sentence when there is no verdict; filled: something was put into the tube
    missing   what is missing over all assays, each once with the number of assays that wait for it
    open      time that runs, the least first, for what is not lost already
    gone      it was discarded, and judged as of then
    """

    tube: Tube
    why_none: str = ""
    label: str = ""
    rule_set: RuleSet | None = None
    families: list[Family] = field(default_factory=list)
    common: list[Explained] = field(default_factory=list)
    coverage: list[Share] = field(default_factory=list)
    missing: list[tuple[words.Way, int]] = field(default_factory=list)
    open: list[Left] = field(default_factory=list)
    filled: bool = True
    gone: bool = False

    @property
    def tally(self) -> list[tuple[str, int]]:
        return words.tally(answer.word for one in self.families for answer in one.every)


def page_of(tube: Tube, who: Person, now_ms: int) -> Page:
    """The page of one tube for this person, at this moment (UTC ms)."""
    law = in_force()
    found = judged([tube.code], now_ms, law).get(tube.code)
    if found is None or not found.verdicts:
        filled = found is not None and found.filled
        return Page(tube, why_none(tube, law, found), law.label, filled=filled)
    rule_set = RuleSet.objects.filter(status=RuleSet.Status.IN_FORCE).first()
    given = _called(overrides.of([tube.code]).get(tube.code, []))
    maker = _Maker(tube, who, found, rule_set, given, now_ms)
    return maker.page(law)


def why_none(tube: Tube, law: InForce, found: Judged | None) -> str:
    """Why there is no verdict at all, as a sentence."""
    if not law.rules:
        return "No rule set is in force, so no tube can be judged."
    if found is None or not found.filled:
        return "Nothing was ever filled into this tube, so there is nothing to judge."
    return "No assay takes what is in this tube, so there is nothing that it could be fit for."


class _Maker:
    """Explains the verdicts of one tube; keeps what each finding needs to be explained."""

    def __init__(
        self, tube: Tube, who: Person, found: Judged, rule_set: RuleSet | None, given: Sequence[Any], now: int
    ) -> None:
        self.tube, self.who, self.found, self.now = tube, who, found, now
        self.full, self.given, self.veil = whole(who), given, Veil(whole(who), who.programme.tz)
        self.rule_href = (
            words.address("rule_set", rule_set.code, str(rule_set.version)) if rule_set and self.full else ""
        )
        self.rule_set, self.gone = rule_set, found.facts.asof_ms < now
        self.heads = {one.assay.family for one in found.verdicts}
        told = _told(tube.code) if self.full else []
        self.said = {one.id: one for some in told for one in some}
        self.about = _about(tube, told)
        self.kept: dict[Key, Explained] = {}

    def page(self, law: InForce) -> Page:
        verdicts = self.found.verdicts
        for verdict in verdicts:
            for finding in verdict.findings:
                if _key(finding) not in self.kept:
                    self.kept[_key(finding)] = self._explain(finding)
        called = {one.code: str(one) for one in law.assays}
        families = _families(verdicts)
        shown = [self._family(code, called.get(code, ""), some) for code, some in families.items()]
        shown.sort(key=lambda one: (not one.code, words.WORD_ORDER.index(one.worst.word), one.name))
        return Page(
            self.tube, "", law.label, self.rule_set, shown, self._of(ALL),
            shares(words.life(self.found.facts)), self._missing(verdicts),
            [] if self.gone else self._open(verdicts, called), gone=self.gone,
        )  # fmt: skip

    def _of(self, assay: str) -> list[Explained]:
        """What rules that name just this say, in the order of how much it matters."""
        return sorted((one for one in self.kept.values() if one.finding.rule.assay == assay), key=_matters)

    def _explain(self, finding: Finding) -> Explained:
        ahead = finding.by_ms is not None and finding.by_ms > self.now and finding.answer != "fail"
        left = (finding.by_ms or 0) - self.now if ahead else None
        own = finding.rule.code not in {LEAST_VOLUME, TAKES}
        return Explained(
            finding, words.said(finding, self.veil), words.fact(finding, self.veil),
            words.limit(finding, self.veil),
            [(one, self.said[one].kind) for one in finding.events if one in self.said],
            words.ways(finding, self.about, self.who) if self.full else _bare(finding, self.about, self.who),
            left, f"{self.rule_href}#{finding.rule.code}" if self.rule_href and own else "",
            [one for one in self.given if one.rule == finding.rule.code],
        )  # fmt: skip

    def _open(self, verdicts: Iterable[Verdict], called: Mapping[str, str]) -> list[Left]:
        """Countdowns of assays that it is not unfit for already; those that read the same are one."""
        found: dict[tuple[str, int], Left] = {}
        for verdict in (one for one in verdicts if one.word != "not_fit"):
            for one in (self.kept[_key(finding)] for finding in verdict.findings):
                if one.left_ms is None:
                    continue
                worst = one.finding.rule.kind in WARMED
                left = found.setdefault((one.sentence, one.left_ms), Left(one.left_ms, one, [], worst))
                name = _about_what(one.finding, verdict, called)
                if name not in left.names:
                    left.names.append(name)
        return sorted(found.values(), key=lambda one: one.left_ms)

    def _family(self, code: str, name: str, some: Sequence[Verdict]) -> Family:
        answers = sorted((self._answer(one) for one in some), key=_unfit_first)
        head = next((one for one in answers if one.verdict.assay.code == code), None)
        members = [one for one in answers if one is not head]
        return Family(code, name, members, self._of(code) if code else [], head)

    def _answer(self, verdict: Verdict) -> Answer:
        assay, mine = verdict.assay, [self.kept[_key(one)] for one in verdict.findings]
        own = [one for one in mine if one.finding.rule.assay == assay.code and assay.code not in self.heads]
        shared = [one for one in mine if one not in own and one.finding.answer != "pass"]
        by = [(one, overrides.why_not(verdict, one)) for one in self.given if one.assay == assay.code]
        return Answer(
            verdict, words.decided(verdict, self.veil),
            sorted(own, key=_matters), sorted(shared, key=_matters),
            sum(one.finding.answer == "pass" for one in mine), by, overrides.allowed(verdict, self.given),
            self._asks(verdict, by),
        )  # fmt: skip

    def _asks(self, verdict: Verdict, by: Sequence[tuple[Any, str]]) -> list[tuple[str, str]]:
        """An override is asked for what stops it, once."""
        if not may(self.who, "override"):
            return []
        done = {one.rule for one, why in by if not why or one.granted is None}
        stops = [one.rule.code for one in verdict.deciding if one.rule.severity == "stop"]
        href = words.address("override_ask", self.tube.code, verdict.assay.code)
        return [(code, f"{href}?rule={code}") for code in stops if href and code not in done]

    def _missing(self, verdicts: Iterable[Verdict]) -> list[tuple[words.Way, int]]:
        """Each thing that is missing once, the one for which most assays wait first."""
        waits: dict[words.Way, int] = {}
        for verdict in verdicts:
            mine = {way for one in verdict.findings for way in self.kept[_key(one)].ways}
            for way in mine:
                waits[way] = waits.get(way, 0) + 1
        return sorted(waits.items(), key=lambda one: (-one[1], one[0].says))


def _key(finding: Finding) -> Key:
    return finding.rule.code, finding.rule.assay


def _bare(finding: Finding, about: words.About, who: Person) -> list[words.Way]:
    """What is missing in words alone."""
    return [words.Way(one.says) for one in words.ways(finding, about, who)]


def _unfit_first(one: Answer) -> tuple[int, str]:
    return words.WORD_ORDER.index(one.word), str(one.verdict.assay)


def _about_what(finding: Finding, verdict: Verdict, called: Mapping[str, str]) -> str:
    """What a countdown is for: the family when the rule is the family's, else the assay."""
    rule = finding.rule.assay
    if rule == ALL:
        return "every assay"
    return called.get(rule, rule) if rule == verdict.assay.family else str(verdict.assay)


def _called(given: Sequence[Override]) -> list[Override]:
    """With names of people in place of their codes. 2 queries when there are any."""
    called = names() if given else {}
    return [
        replace(one, by=called.get(one.by, one.by), answered_by=called.get(one.answered_by, one.answered_by))
        for one in given
    ]


def _matters(one: Explained) -> tuple[int, int, str]:
    answer = ("fail", "cannot_tell", "pass").index(one.finding.answer)
    return answer, ("stop", "caution", "note").index(one.finding.rule.severity), one.finding.rule.code


def _families(verdicts: Iterable[Verdict]) -> dict[str, list[Verdict]]:
    """By family code; all that stand alone under ""."""
    found: dict[str, list[Verdict]] = {}
    for code, some in by_family(verdicts).items():
        alone = len(some) == 1 and not some[0].assay.family
        found.setdefault("" if alone else code, []).extend(some)
    return found


def _told(code: str) -> list[list[Happening]]:
    """What happened to the drawn tube, to what was made of it, and at last to this tube; without voided
    acts."""
    line = ledger.lineage(code)[::-1]
    said = ledger.histories(line)
    return [[one for one in said[name] if not one.voided] for name in line]


def _about(tube: Tube, told: Sequence[Sequence[Happening]]) -> words.About:
    latest = {one.kind: one.id for some in told for one in some}
    first = {f"first {one.kind}": one.id for one in (told[0] if told else ())}
    workup = tube.tube_set.workup if tube.tube_set else None
    return words.About(tube.code, workup.code if workup else "", tuple((latest | first).items()))
