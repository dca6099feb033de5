"""Overrides: two people let a tube through to one assay in spite of one finding.

Promises: read from the tubes' histories and kept nowhere else; one counts only for its own tube, assay and
rule, only while the fact and the limit read as they did when it was asked for (of custody, where the fact
counts: while nothing new is behind it), and only when two different people said it here, on these pages. No
override changes a finding or the word of a verdict; `allowed` is all that it changes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from custody import queries as ledger
from custody.core.canon import nfc
from custody.core.rules import Finding, Verdict
from custody.core.state import Happening

ASKED, ANSWERED = "override_asked", "override_answered"
LIVE = "live"
GOOD = {"fit", "caution"}


@dataclass(frozen=True)
class Override:
    """One asking for one tube, with its answer.

    event            id of the asking; answer: id of the event that answers it, empty: nobody did
    rules            label of the rule set then; fact, limit: the words of the finding then
    granted          None while nobody has answered
    later            what was written about the tube after it was asked for
    flaw             why it cannot count whatever the verdict, as a sentence; empty: nothing speaks against it
    at_ms, answered_ms  UTC ms
    """

    event: str
    tube: str
    assay: str
    rule: str
    rules: str
    fact: str
    limit: str
    reason: str
    by: str
    org: str
    at_ms: int
    tz: str
    answer: str = ""
    granted: bool | None = None
    answered_by: str = ""
    answered_why: str = ""
    answered_ms: int | None = None
    flaw: str = ""
    later: frozenset[str] = frozenset()

    @property
    def word(self) -> str:
        """waiting, granted or declined, as people read it."""
        return {None: "waiting", True: "granted", False: "declined"}[self.granted]


def of(codes: Iterable[str]) -> dict[str, list[Override]]:
    """Every override that was asked for these tubes and not withdrawn, oldest first. At most 4 queries."""
    return {code: in_history(said) for code, said in ledger.histories(codes).items()}


def in_history(said: Iterable[Happening]) -> list[Override]:
    """The same from one tube's history."""
    whole = list(said)
    live = [one for one in whole if not one.voided and one.kind in (ASKED, ANSWERED)]
    answers: dict[str, Happening] = {}
    for one in live:
        if one.kind == ANSWERED:
            answers.setdefault(one.data["of"], one)  # the first answer counts
    return [
        _override(one, answers.get(one.id), frozenset(each.id for each in whole if each.seq > one.seq))
        for one in live
        if one.kind == ASKED
    ]


def _override(asked: Happening, answer: Happening | None, later: frozenset[str]) -> Override:
    data = asked.data
    found = Override(
        asked.id, asked.line["t"], data["assay"], data["rule"], data["rules"], asked.line.get("fact") or "",
        data.get("limit") or "", data.get("reason") or "", asked.by, asked.org, asked.at_ms, asked.tz,
        flaw=_flaw(asked, answer), later=later,
    )  # fmt: skip
    if answer is None:
        return found
    said = {
        "answer": answer.id, "granted": answer.data["granted"], "answered_by": answer.by,
        "answered_why": answer.data.get("reason") or "", "answered_ms": answer.at_ms,
    }  # fmt: skip
    return Override(**{**vars(found), **said})


def _flaw(asked: Happening, answer: Happening | None) -> str:
    """A device may say what it likes and a correction may name another person: neither is two people here."""
    both = [one for one in (asked, answer) if one is not None]
    if any(one.corrected for one in both):
        return "What was said was corrected since. Ask again."
    if any(one.via != LIVE or one.by != one.rec_by for one in both):
        return "It was not said by its people on these pages. Ask again."
    if answer and (answer.by == asked.by or answer.login == asked.login):
        return "One person asked and answered; it takes two."
    return ""


def why_not(verdict: Verdict, override: Override) -> str:
    """Why this override does not count for this verdict of its tube, in a sentence; empty: it counts."""
    if override.assay != verdict.assay.code:
        return "It is for another assay."
    if override.granted is None:
        return "A second person has not answered yet."
    if not override.granted:
        return "It was declined."
    return override.flaw or lapsed(verdict, override)


def lapsed(verdict: Verdict, override: Override) -> str:
    """What has changed since it was asked for, in a sentence; empty: the finding reads as it did."""
    found = finding(verdict, override.rule)
    if found is None:
        return "It has lapsed: this rule is about the tube no more."
    if nfc(found.limit) != override.limit:
        return f"It has lapsed: the limit was “{override.limit}” and is “{found.limit}” now."
    if nfc(found.fact) != override.fact:
        return f"It has lapsed: it was for “{override.fact}”, and now it is “{found.fact}”."
    if found.rule.kind == "custody" and override.later.intersection(found.events):
        return "It has lapsed: it was for another gap or discrepancy than is open now."
    return ""


def finding(verdict: Verdict, rule: str) -> Finding | None:
    """What this rule says in a verdict."""
    return next((one for one in verdict.findings if one.rule.code == rule), None)


def stops(found: Finding) -> bool:
    """Only such a finding can be overridden: a stop rule that fails or cannot tell."""
    return found.rule.severity == "stop" and found.answer != "pass"


def counting(verdict: Verdict, overrides: Iterable[Override]) -> list[Override]:
    """Those that count for this verdict; all are of its tube."""
    return [one for one in overrides if not why_not(verdict, one)]


def allowed(verdict: Verdict, overrides: Iterable[Override]) -> bool:
    """May this tube go to the assay: fit or with caution, by itself or without what two people overrode.

    overrides  of the verdict's own tube
    """
    if verdict.word in GOOD:
        return True
    codes = {one.rule for one in counting(verdict, overrides)}
    return bool(codes) and verdict.without(codes).word in GOOD
