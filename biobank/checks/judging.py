"""Verdicts worked out and kept for lists, and whether what is kept still holds.

Promises: a kept verdict decides nothing, it is found and sorted by; judging twice is judging once; rows of
tubes and assays that have no verdict any more go. `fresh` compares what went in and unpacks no reading. In
doubt a kept verdict does not hold.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from biobank.acting import ms
from biobank.checks import about, overrides
from biobank.checks.facts import Link, chain, facts_of, lineage
from biobank.checks.verdicts import InForce, in_force, verdicts_for
from biobank.models import Assay, Judgement, OpenFinding, Permit, ThermalResult
from biobank.models.checks import PERMITS_FOR
from biobank.temperature.life_inputs import known_of
from biobank.temperature.life_plan import plans_of
from biobank.temperature.recompute import together
from custody import queries as ledger
from custody.core import gaps
from custody.core.rules import SEVERITIES, WORDS, Facts, Finding, Verdict
from custody.core.state import FILLED

SLICE = 500
DAY_MS = 86_400_000
# They change no fact and no answer; an answered override changes what is let through
SILENT = {"override_asked", "deviation_noted", "deviation_closed"}  # but an asking that was answered
MEASURED = {"temperature", "budget", "thaws"}  # kinds of rule that every hour without readings may change
WHY = {
    "rules": "the rules or assays changed",
    "acts": "something was done to the tube, or is known otherwise",
    "origin": "its plan, workup, animal or permits changed",
    "readings": "its temperatures or places are known otherwise",
}
PART = 16  # hex digits: a quarter of the fingerprint for each of these
NEVER, TIME, NOTHING = "it was never judged", "time has passed", "there is nothing to judge"
ROW = (
    "rule_set", "word", "rank", "allowed", "sentence", "decided_by", "matrix", "taxon", "drawn_ms",
    "volume_ul", "measured_bp", "asof_ms", "until_ms", "seq", "inputs",
)  # fmt: skip
OPEN = ("severity", "rank", "answer", "sentence", "fact", "assays", "since_ms", "rule_set")
Progress = Callable[[int], object]


# --- what goes in ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Known:
    """What went into the verdicts of some tubes but the readings themselves."""

    law: InForce
    chains: Mapping[str, list[Link]]
    about: about.Known
    thermal: Mapping[str, str]

    @cached_property
    def rules(self) -> str:
        rules = [sorted(vars(one).items(), key=str) for one in self.law.rules]
        assays = [[one.code, sorted(one.takes), one.family, one.min_ul] for one in self.law.assays]
        return _digest([self.law.rule_set, sorted(map(str, rules)), sorted(assays, key=str)])

    def inputs(self, code: str) -> str:
        """The fingerprint of one tube: a part for each of WHY, in its order."""
        return self.rules + "".join(
            _digest(one) for one in (self._acts(code), self._origin(code), self.thermal.get(code, ""))
        )

    def _acts(self, code: str) -> list[Any]:
        return [
            [one.id, one.corrected, list(one.amended)]
            for link in self.chains[code]
            for one in (*link.said, *link.near)
            if one.kind not in SILENT or one.id in self._answered(code)
        ] + [[*link.open, link.mixed] for link in self.chains[code][:-1]]

    def _answered(self, code: str) -> set[str]:
        last = self.chains[code][-1]
        return {one.data["of"] for one in last.said if one.kind == overrides.ANSWERED}

    def _origin(self, code: str) -> list[Any]:
        held = [
            [one.number, one.allows, one.agency_id, one.species, one.parts, one.valid_from, one.valid_until]
            for one in self.permits(code)
        ]
        return [sorted(vars(self.origin(code)).items()), held]

    def origin(self, code: str) -> about.About:
        return self.about.first(self.chains[code][0].tube, code)

    def permits(self, code: str) -> list[Permit]:
        """All those of its programme, if any rule asks for permits."""
        register, programme = self.about.register, self.origin(code).programme
        if register is None or programme is None:
            return []
        return [one for verb in PERMITS_FOR for one in register.rows.get((programme, verb), ())]

    def seq(self, code: str) -> int:
        """The last event that was taken into account."""
        return max((one.seq for link in self.chains[code] for one in link.said), default=0)

    def last(self, events: Iterable[str], code: str, asof_ms: int) -> int:
        """When the last of these happened; of none: when the last act before the judging did."""
        named = set(events)
        said = [one for link in self.chains[code] for one in link.said]
        times = [one.at_ms for one in said if one.id in named] or [one.at_ms for one in said]
        return max((at for at in times if at <= asof_ms), default=asof_ms)


def _digest(said: Any) -> str:
    text = json.dumps(said, ensure_ascii=False, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:PART]


def _known(codes: Sequence[str], law: InForce) -> _Known:
    """At most 40 queries however many tubes, and 8 for each generation (but for slices of 500)."""
    told = lineage(codes)
    chains = {code: links for code in codes if (links := chain(code, told))}
    asks = any(one.kind == "permit" for one in law.rules)
    plans = plans_of(list(chains))
    known = known_of(plans.by_tube.values(), plans.highest)
    thermal = {code: known.of(plan).whole for code, plan in plans.by_tube.items()}
    roots = {links[0].tube for links in chains.values()}
    return _Known(law, chains, about.of(roots | set(chains), asks), thermal)


# --- working out ----------------------------------------------------------------------------------


def judge(codes: Iterable[str], now_ms: int, progress: Progress = lambda n: None) -> Counter[str]:
    """Works out and keeps the verdicts of these tubes as of now (UTC ms), and counts their words.

    Each logger is loaded once for as many tubes as fit into memory. A discarded tube is judged as of when it
    went. Rows of tubes that the ledger does not know, or that no assay takes, go.
    """
    law, pks = in_force(), dict(Assay.objects.values_list("code", "pk"))
    words: Counter[str] = Counter()
    for part in together(list(dict.fromkeys(codes))):
        words += _judge_part(part, now_ms, law, pks, progress)
    return words


def everything(now_ms: int, progress: Progress = lambda n: None) -> Counter[str]:
    """The same for every tube that holds or held something. What is kept of any other tube goes."""
    codes = everybody()
    _forget_others(set(codes))
    return judge(codes, now_ms, progress)


def everybody() -> list[str]:
    """Every tube that holds or held something, those of one unit together. 1 query."""
    found = ledger.find(status__in=FILLED)
    return [one.tube for one in sorted(found, key=lambda one: (one.unit or "", one.tube))]


def _forget_others(wanted: set[str]) -> None:
    for model in (Judgement, OpenFinding):
        kept = set(model.objects.order_by().values_list("tube", flat=True).distinct())
        for part in _slices(sorted(kept - wanted)):
            model.objects.filter(tube__in=part).delete()


def _judge_part(
    codes: Sequence[str], now_ms: int, law: InForce, pks: Mapping[str, int], progress: Progress
) -> Counter[str]:
    facts = facts_of(codes, law.rules, now_ms) if law.assays else {}
    known = _known(codes, law)
    words: Counter[str] = Counter()
    for part in _slices(codes):
        said = overrides.of([code for code in part if code in facts])
        rows: list[Judgement] = []
        bad: list[OpenFinding] = []
        for code in part:
            if code in facts and code in known.chains:
                verdicts = verdicts_for(facts[code], law, None)
                rows += [
                    _row(facts[code], one, known, pks, now_ms, overrides.allowed(one, said.get(code, [])))
                    for one in verdicts
                ]
                if facts[code].asof_ms >= now_ms:  # of a discarded tube nothing is left to be done
                    bad += _findings(facts[code], verdicts, known)
        _keep(part, rows, bad)
        words.update(one.word for one in rows)
        progress(len(part))
    return words


def _row(
    facts: Facts, verdict: Verdict, known: _Known, pks: Mapping[str, int], now_ms: int, allowed: bool
) -> Judgement:
    drawn, decided = facts.acts.get("drawn"), verdict.deciding
    return Judgement(
        tube=facts.code, assay_id=pks[verdict.assay.code], rule_set_id=known.law.rule_set, word=verdict.word,
        rank=WORDS.index(verdict.word), allowed=allowed, sentence=verdict.sentence,
        decided_by=decided[0].rule.code if decided else "", matrix=facts.matrix, taxon=facts.taxon,
        drawn_ms=drawn.at_ms if drawn else None, volume_ul=facts.volume_ul, measured_bp=_measured(facts),
        asof_ms=facts.asof_ms, until_ms=_until(facts, verdict, known, now_ms), seq=known.seq(facts.code),
        inputs=known.inputs(facts.code),
    )  # fmt: skip


def _measured(facts: Facts) -> int:
    """Hundredths of a per cent of its life that a logger measured, rounded down."""
    phases: Sequence[Any] = facts.phases
    whole = sum(one.end_ms - one.start_ms for one in phases)
    return sum(one.measured_ms for one in phases) * 10_000 // whole if whole > 0 else 0


def _until(facts: Facts, verdict: Verdict, known: _Known, now_ms: int) -> int | None:
    """The first moment at which time alone may change the answer. What a logger has not said yet is asked
    for again after a day (common practice, no source): an hour without readings was not measured."""
    if facts.asof_ms < now_ms:
        return None  # it was discarded
    ends = [one.by_ms for one in verdict.findings if one.by_ms is not None and one.by_ms >= facts.asof_ms]
    if any(one.rule.kind in MEASURED and one.answer == "pass" for one in verdict.findings):
        ends.append(facts.asof_ms + DAY_MS)
    if any(one.rule.permit_for == "hold" for one in verdict.findings):
        tz = known.origin(facts.code).tz
        ends += [at for one in known.permits(facts.code) for at in _borders(one, tz) if at >= facts.asof_ms]
    if any(one.rule.kind == "custody" and one.answer == "pass" for one in verdict.findings):
        ends += [at for at in _gap_from(known.chains[facts.code][-1]) if at >= facts.asof_ms]
    ends += [
        one.at_ms for one in facts.acts.values() if one.at_ms >= facts.asof_ms
    ]  # a clock that runs ahead
    ends += _too_early(facts, verdict)
    return min(ends, default=None)


def _gap_from(link: Link) -> list[int]:
    """Of a tube in a hand or on its way: when custody may have a gap because nothing happened."""
    steps = gaps.walk(link.tube, link.said)
    if not steps or steps[-1].after.status not in {"held", "in_transit"}:
        return []
    after = [gaps.LIMITS.unplaced_h * gaps.HOUR_MS, gaps.LIMITS.transit_h * gaps.HOUR_MS]
    agreed = [due for step in steps if (due := step.said.data.get("due_ms")) is not None]
    return [step.said.at_ms + most for step in steps for most in after] + agreed


def _borders(permit: Permit, tz: str) -> tuple[int, int]:
    """When it begins and when it has ended, UTC ms: its days are those of the programme."""
    return _midnight(permit.valid_from, tz), _midnight(permit.valid_until + timedelta(days=1), tz) - 1


def _midnight(day: date, tz: str) -> int:
    return ms(datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(tz)))


def _too_early(facts: Facts, verdict: Verdict) -> list[int]:
    """When an age or an act that must not come too soon may pass; and when an age surely fails."""
    found = []
    for one in verdict.findings:
        rule, start = one.rule, facts.acts.get(one.rule.from_act)
        if rule.kind == "interval" and start is not None:
            for seconds in (rule.at_least_s, rule.limit_s):
                edges = () if seconds is None else (seconds - start.unc_s, seconds + start.unc_s)
                found += [start.at_ms + edge * 1000 for edge in edges]
    return [at for at in found if at >= facts.asof_ms]


# --- keeping --------------------------------------------------------------------------------------


def _findings(facts: Facts, verdicts: Iterable[Verdict], known: _Known) -> list[OpenFinding]:
    """One row for each rule that the tube does not pass, with all assays that it is about."""
    found: dict[str, tuple[Finding, list[str]]] = {}
    for verdict in verdicts:
        for one in verdict.findings:
            if one.answer != "pass":
                first, assays = found.setdefault(one.rule.code, (one, []))
                assays.append(verdict.assay.code)
                if first.answer == "cannot_tell" and one.answer == "fail":
                    found[one.rule.code] = (one, assays)
    return [_open(facts, one, assays, known) for one, assays in found.values()]


def _open(facts: Facts, one: Finding, assays: Sequence[str], known: _Known) -> OpenFinding:
    return OpenFinding(
        tube=facts.code, code=one.rule.code, severity=one.rule.severity,
        rank=2 * SEVERITIES.index(one.rule.severity) + (one.answer != "fail"), answer=one.answer,
        sentence=one.sentence, fact=one.fact[:200], assays=_listed(assays),
        since_ms=known.last(one.events, facts.code, facts.asof_ms), rule_set_id=known.law.rule_set,
    )  # fmt: skip


def _listed(assays: Sequence[str], most: int = 200) -> str:
    """Codes with commas, as many as fit."""
    text = ",".join(assays)
    return text if len(text) <= most else text[:most].rsplit(",", 1)[0]


@transaction.atomic
def _keep(codes: Sequence[str], rows: Sequence[Judgement], bad: Sequence[OpenFinding]) -> None:
    now = {(one.tube, one.assay_id) for one in rows}
    kept = Judgement.objects.filter(tube__in=codes).order_by().values_list("pk", "tube", "assay_id")
    _gone(Judgement, [pk for pk, *key in kept if tuple(key) not in now])
    open_now = {(one.tube, one.code) for one in bad}
    found = OpenFinding.objects.filter(tube__in=codes).order_by().values_list("pk", "tube", "code")
    _gone(OpenFinding, [pk for pk, *key in found if tuple(key) not in open_now])
    Judgement.objects.bulk_create(
        rows, batch_size=SLICE, update_conflicts=True, unique_fields=["tube", "assay"], update_fields=ROW
    )
    OpenFinding.objects.bulk_create(
        bad, batch_size=SLICE, update_conflicts=True, unique_fields=["tube", "code"], update_fields=OPEN
    )


def _gone(model: Any, pks: Sequence[int]) -> None:
    for part in _slices(pks):
        model.objects.filter(pk__in=part).delete()


def _slices(some: Sequence[Any]) -> Iterable[Sequence[Any]]:
    return (some[k : k + SLICE] for k in range(0, len(some), SLICE))


# --- does it still hold ---------------------------------------------------------------------------


def fresh(codes: Iterable[str], now_ms: int | None = None) -> dict[str, str]:
    """Why what is kept of each tube no longer holds; empty: it does. now_ms: UTC ms, else the clock's.

    Compares the rules, the acts, reference data and the fingerprint of temperatures; no reading is unpacked.
    As many queries for many tubes as for one (but for slices of 500).
    """
    wanted, law = list(dict.fromkeys(codes)), in_force()
    known, now = _known(wanted, law), ms(timezone.now()) if now_ms is None else now_ms
    kept: dict[str, list[Judgement]] = {}
    for part in _slices(wanted):
        for row in Judgement.objects.filter(tube__in=part).only("tube", "inputs", "until_ms", "rule_set_id"):
            kept.setdefault(row.tube, []).append(row)
    return {code: _why(code, kept.get(code, []), known, now) for code in wanted}


def _why(code: str, rows: Sequence[Judgement], known: _Known, now_ms: int) -> str:
    if code not in known.chains or code not in known.thermal:
        return NOTHING if rows else ""
    if not rows:
        return NEVER if known.law.assays and _taken(code, known) else ""
    inputs = known.inputs(code)
    for row in rows:
        for k, words in enumerate(WHY.values()):
            if row.inputs[k * PART : (k + 1) * PART] != inputs[k * PART : (k + 1) * PART]:
                return words
        if row.until_ms is not None and row.until_ms < now_ms:
            return TIME
    return ""


def _taken(code: str, known: _Known) -> bool:
    """May any assay take it? Only then it was to be judged. In doubt (an additive) it may."""
    last = next((one for one in reversed(known.chains[code][-1].said) if one.line.get("matrix")), None)
    return last is None or any(
        last.line["matrix"] == matrix for assay in known.law.assays for matrix, _ in assay.takes
    )


@dataclass(frozen=True)
class Counts:
    """kept: rows; stale: those that surely do not hold, as far as can be seen without facts; unjudged: tubes
    that hold something and have no row."""

    kept: int
    stale: int
    unjudged: int


def counts(now_ms: int) -> Counts:
    """For the head of a list: rule set, time, and hints of the thermal results; acts are not looked at.
    5 queries however many tubes."""
    law = in_force()
    rows = Judgement.objects.all()
    doubted = ThermalResult.objects.filter(current=True).exclude(stale="").values("tube")
    old = Q(until_ms__lt=now_ms) | ~Q(rule_set=law.rule_set) | Q(tube__in=doubted)
    held = {one.tube for one in ledger.find(status__in=FILLED)}
    known = set(rows.order_by().values_list("tube", flat=True).distinct())
    return Counts(rows.count(), rows.filter(old).count(), len(held - known))
