"""Verdicts, overrides and deviations as a passport tells them.

Promises: each finding is told once, with its number, however many assays it is about; assays with the same
answer and the same findings stand in one line; what passed is listed too, by what was asked. An override or a
deviation names roles and agencies, never people, and says whether it still counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from biobank.checks import overrides
from biobank.checks.fit_words import CLOSED, CLOSED_WORDS, READ_MEANS, SEVERITY_MEANS, WORD_ORDER, WORD_WORDS
from biobank.checks.overrides import Override
from biobank.checks.passport_veil import Veil
from biobank.models import Person
from biobank.models.checks import EVIDENCE_WORDS
from custody.core.rules import Finding, Verdict
from custody.core.state import Happening

EVIDENCE = dict(EVIDENCE_WORDS)
ANSWER = {"fail": "fails", "cannot_tell": "cannot tell", "pass": "passes"}
NOTED, ENDED = "deviation_noted", "deviation_closed"
FEW = 3  # assays that are worth naming as the only ones that a finding is not about
KIND_HEADS = {  # what each kind of rule asks about, in the order of a tube's life
    "interval": "Times between acts", "never": "What never happened", "spin": "Spin", "spins": "Spins",
    "fill": "Fill", "grade": "Haemolysis, lipaemia, icterus", "temperature": "Temperature",
    "budget": "Share of what it bears", "thaws": "Thaws", "volume": "Volume left",
    "container": "Container", "custody": "Custody", "permit": "Permits",
}  # fmt: skip


@dataclass(frozen=True)
class Told:
    """A finding that speaks against something. code: of the rule, or of all that say so; assays: names of
    those that it is about, empty: all of them; but: names of the others, when they are few beside those.
    """

    number: int
    code: str
    answer: str
    severity: str
    means: str
    sentence: str
    fact: str
    limit: str
    source: str
    evidence: str
    read: str
    studied: str
    assays: tuple[str, ...]
    but: tuple[str, ...] = ()

    @property
    def about(self) -> str:
        """For which assays, in the fewest names."""
        if not self.assays:
            return "every assay here"
        if self.but:
            return f"every assay here but {', '.join(self.but)}"
        return ", ".join(self.assays)


@dataclass(frozen=True)
class Row:
    """One assay: its word, the numbers of findings against it, how many passed, and whether two people let it
    through all the same."""

    assay: str
    name: str
    word: str
    words: str
    sentence: str
    against: tuple[int, ...]
    passed: int
    overridden: bool


@dataclass(frozen=True)
class Alike:
    """Assays with the same word and the same findings against them."""

    rows: tuple[Row, ...]

    @property
    def first(self) -> Row:
        return self.rows[0]

    @property
    def names(self) -> str:
        return " · ".join(one.name for one in self.rows)

    @property
    def passed(self) -> str:
        """How many rules each passed, as a range."""
        counts = [one.passed for one in self.rows]
        return str(min(counts)) if min(counts) == max(counts) else f"{min(counts)} to {max(counts)}"


@dataclass(frozen=True)
class Passed:
    """A rule that passed: code, fact, limit, kind."""

    code: str
    fact: str
    limit: str
    kind: str = ""


@dataclass(frozen=True)
class Good:
    """What passed of one kind: its heading, and for each fact the limits that it kept, with their rules."""

    words: str
    facts: tuple[tuple[str, tuple[tuple[str, tuple[str, ...]], ...]], ...]


@dataclass(frozen=True)
class Fitness:
    """For which assays it is fit under one rule set. `none`: why there is no verdict at all."""

    rule_set: str
    rows: tuple[Row, ...] = ()
    told: tuple[Told, ...] = ()
    passed: tuple[Passed, ...] = ()
    none: str = ""

    @property
    def tally(self) -> list[tuple[str, str, int]]:
        """(word, in words, how many), the best first."""
        counts = {word: sum(one.word == word for one in self.rows) for word in reversed(WORD_ORDER)}
        return [(word, WORD_WORDS[word], n) for word, n in counts.items() if n]

    @property
    def alike(self) -> list[Alike]:
        """All assays, those alike in one line, the worst first."""
        found: dict[tuple[object, ...], list[Row]] = {}
        for one in sorted(self.rows, key=lambda row: (WORD_ORDER.index(row.word), row.name)):
            found.setdefault((one.word, one.against, one.overridden), []).append(one)
        return [Alike(tuple(rows)) for rows in found.values()]

    @property
    def good(self) -> list[Good]:
        """What passed, by kind of rule; rules with the same fact and limit in one."""
        order = list(KIND_HEADS)
        rows = sorted(self.passed, key=lambda it: (order.index(it.kind), it.fact, it.limit, it.code))
        found: dict[str, dict[str, dict[str, dict[str, None]]]] = {}
        for one in rows:
            limits = found.setdefault(one.kind, {}).setdefault(one.fact, {})
            limits.setdefault(one.limit, {})[one.code] = None
        return [Good(KIND_HEADS[kind], _flat(facts)) for kind, facts in found.items()]

    @property
    def summary(self) -> str:
        """One line for a cover page."""
        if len(self.rows) == 1:
            return f"{self.rows[0].words} for {self.rows[0].name}"
        return ", ".join(f"{words} for {n}" for _, words, n in self.tally) or self.none


def _flat(
    facts: Mapping[str, Mapping[str, Iterable[str]]],
) -> tuple[tuple[str, tuple[tuple[str, tuple[str, ...]], ...]], ...]:
    return tuple(
        (fact, tuple((limit, tuple(codes)) for limit, codes in limits.items()))
        for fact, limits in facts.items()
    )


@dataclass(frozen=True)
class Said:
    """An override or a deviation. word: granted, declined, waiting; or filed, closed."""

    title: str
    word: str
    sentences: tuple[str, ...]
    fact: str = ""
    limit: str = ""


def fitness(
    verdicts: Sequence[Verdict], given: Sequence[Override], label: str, veil: Veil, none: str
) -> Fitness:
    """All verdicts of one tube. given: its overrides; none: the sentence when there are no verdicts."""
    if not verdicts:
        return Fitness(label, none=none)
    against: dict[tuple[object, ...], list[tuple[Finding, Verdict]]] = {}
    passed: dict[tuple[str, ...], Passed] = {}
    for verdict in verdicts:
        for one in verdict.ranked:
            if one.answer == "pass":
                passed.setdefault(_key(one), Passed(one.rule.code, *_measure(one, veil), one.rule.kind))
            else:
                against.setdefault(_alike(one), []).append((one, verdict))
    order = sorted(against, key=lambda key: _rank(against[key][0][0]))
    numbers = {key: n for n, key in enumerate(order, 1)}
    every = tuple(str(one.assay) for one in verdicts)
    told = tuple(_told(numbers[key], against[key], every, veil) for key in order)
    rows = sorted(
        (_row(one, numbers, given, veil) for one in verdicts),
        key=lambda row: (-WORD_ORDER.index(row.word), row.name),
    )
    return Fitness(verdicts[0].rule_set or label, tuple(rows), told, tuple(passed.values()))


def _key(one: Finding) -> tuple[str, ...]:
    return one.rule.code, one.answer, one.fact, one.limit


def _alike(one: Finding) -> tuple[object, ...]:
    """Rules of several assays that say the same from the same source are told as one finding."""
    rule = one.rule
    words = (one.answer, one.sentence, one.fact, one.limit, one.sources or (rule.source,))
    return (*words, rule.kind, rule.severity, rule.evidence, rule.read, rule.studied)


def _sentence(one: Finding, veil: Veil) -> str:
    """In general words where the rule's own name agencies, papers and days: those are told elsewhere."""
    return CLOSED_WORDS.get((one.rule.kind, one.answer)) or veil.clean(one.sentence)


def _measure(one: Finding, veil: Veil) -> tuple[str, str]:
    """Fact and limit; nothing of a rule whose facts are about agencies and papers."""
    if one.rule.kind in CLOSED:
        return "", ""
    return veil.clean(one.fact), veil.clean(one.limit.removeprefix("limit "))


def _rank(one: Finding) -> tuple[int, int, str]:
    return ("stop", "caution", "note").index(one.rule.severity), one.answer != "fail", one.rule.code


def _told(number: int, of: Sequence[tuple[Finding, Verdict]], every: Sequence[str], veil: Veil) -> Told:
    one, rule = of[0][0], of[0][0].rule
    names = tuple(dict.fromkeys(str(verdict.assay) for _, verdict in of))
    codes = ", ".join(dict.fromkeys(found.rule.code for found, _ in of))
    others = tuple(name for name in every if name not in names)
    return Told(
        number, codes, ANSWER[one.answer], rule.severity, SEVERITY_MEANS[rule.severity],
        _sentence(one, veil), *_measure(one, veil),
        "; ".join(one.sources or (rule.source,)), EVIDENCE[rule.evidence], READ_MEANS[rule.read],
        rule.studied, names if others or len(every) == 1 else (),
        others if len(others) <= FEW < len(names) else (),
    )  # fmt: skip


def _row(
    verdict: Verdict, numbers: Mapping[tuple[object, ...], int], given: Sequence[Override], veil: Veil
) -> Row:
    against = sorted({numbers[_alike(one)] for one in verdict.findings if one.answer != "pass"})
    good = sum(one.answer == "pass" for one in verdict.findings)
    through = verdict.word not in overrides.GOOD and overrides.allowed(verdict, given)
    sentence = _sentence(verdict.deciding[0], veil) if verdict.deciding else verdict.sentence
    return Row(
        verdict.assay.code, str(verdict.assay), verdict.word, WORD_WORDS[verdict.word], sentence,
        tuple(against), good, through,
    )  # fmt: skip


# --- what people decided --------------------------------------------------------------------------


def roles(people: Iterable[str]) -> dict[str, str]:
    """For codes of people what they are: `a curator of Northlight Biobank`. 1 query."""
    rows = Person.objects.filter(code__in=set(people)).select_related("agency")
    return {one.code: f"{_article(one.get_role_display().lower())} of {one.agency.name}" for one in rows}


def _article(word: str) -> str:
    word = {"lab": "lab technician", "field tech": "field technician"}.get(word, word)
    return f"{'an' if word[0] in 'aeiou' else 'a'} {word}"


def people_of(said: Iterable[Happening]) -> set[str]:
    """Who said something of that kind in these histories."""
    return {one.by for one in said if one.kind in (overrides.ASKED, overrides.ANSWERED, NOTED, ENDED)}


def overridden(
    given: Sequence[Override],
    verdicts: Sequence[Verdict],
    assays: Mapping[str, str],
    who: Mapping[str, str],
    veil: Veil,
) -> list[Said]:
    """Each override with its reason and its answer, and why it does not count where it does not."""
    by_assay = {one.assay.code: one for one in verdicts}
    return [_override(one, by_assay.get(one.assay), assays, who, veil) for one in given]


def _override(
    one: Override, verdict: Verdict | None, assays: Mapping[str, str], who: Mapping[str, str], veil: Veil
) -> Said:
    someone = "somebody of the programme"
    said = [f"Asked for on {veil.day(one.at_ms)} by {who.get(one.by, someone)}: {_reason(one.reason, veil)}"]
    if one.granted is not None:
        said.append(
            f"{one.word.capitalize()} on {veil.day(one.answered_ms)} by {who.get(one.answered_by, someone)}: "
            f"{_reason(one.answered_why, veil)}"
        )
    why_not = overrides.why_not(verdict, one) if verdict else one.flaw
    if why_not:
        said.append(f"It does not count now. {veil.clean(why_not)}")
    elif verdict:
        said.append("It counts now. The finding and the word stay as they are.")
    title = f"Override of {one.rule} for {assays.get(one.assay, one.assay)}, under {one.rules}"
    return Said(title, one.word, tuple(said), veil.clean(one.fact), veil.clean(one.limit))


def _reason(text: str, veil: Veil) -> str:
    text = veil.clean(text).strip()
    return f"“{text}”." if text else "no reason was written."


def deviations(said: Iterable[Happening], who: Mapping[str, str], veil: Veil) -> list[Said]:
    """Deviations on file in one tube's history, oldest first, with what closed them."""
    live = [one for one in said if not one.voided and one.kind in (NOTED, ENDED)]
    closed = {one.data["of"]: one for one in live if one.kind == ENDED}
    return [_deviation(one, closed.get(one.id), who, veil) for one in live if one.kind == NOTED]


def _deviation(one: Happening, closed: Happening | None, who: Mapping[str, str], veil: Veil) -> Said:
    someone = "somebody of the programme"
    words = [f"Filed on {veil.day(one.at_ms)} by {who.get(one.by, someone)}: {_why(one, veil)}"]
    if closed:
        words.append(
            f"Closed on {veil.day(closed.at_ms)} by {who.get(closed.by, someone)}: {_why(closed, veil)}"
        )
    title = f"Deviation from {one.data['rule']} ({one.data['severity']}), under {one.data['rules']}"
    return Said(title, "closed" if closed else "filed", tuple(words), veil.clean(one.line.get("fact") or ""))


def _why(one: Happening, veil: Veil) -> str:
    return _reason(str(one.data.get("reason") or one.data.get("note") or ""), veil)
