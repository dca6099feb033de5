"""What there is to know of handoffs: the list of an agency, and one with all its tubes.

Promises: 5 queries for the list, however many handoffs it shows. A voided handoff is shown as void, a voided
answer is left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from custody import queries as ledger
from custody.core.state import TubeState

SHOWN = 200


@dataclass(frozen=True)
class Handoff:
    """One handoff as both sides see it, as corrected.

    word  offered, accepted, disputed, refused, withdrawn, overdue, void
    """

    said: ledger.Said
    answers: tuple[ledger.Said, ...]
    open: int
    word: str

    @property
    def header(self) -> dict[str, Any]:
        return self.said.header

    @property
    def tubes(self) -> list[str]:
        return [line["t"] for line in self.said.lines]

    @property
    def results(self) -> dict[str, str]:
        """What the receiver said of each tube, the newest answer last."""
        found: dict[str, str] = {}
        for answer in self.answers:
            word = answer.header["kind"]
            found |= {line["t"]: line.get("result", word) for line in answer.lines}
        return found


def handoffs(org: str, now_ms: int) -> list[Handoff]:
    """Handoffs that this agency gave or was to receive, newest first."""
    said = [
        one
        for one in ledger.events(kind="handed_off")
        if org in {one.header["org"], one.header["data"]["to"]}
    ][:SHOWN]
    return _joined(said, now_ms)


def handoff(event_id: str, now_ms: int) -> Handoff | None:
    said = ledger.event(event_id)
    if said is None or said.header["kind"] != "handed_off":
        return None
    return _joined([said], now_ms)[0]


def _joined(said: list[ledger.Said], now_ms: int) -> list[Handoff]:
    answers: dict[str, list[ledger.Said]] = {one.id: [] for one in said}
    found = sorted(ledger.events(refs=answers), key=lambda one: one.seq)
    told = {one.said.id: one for one in ledger.as_told([*said, *found])}
    for answer in found:
        if not told[answer.id].voided:
            answers[answer.header["ref"]].append(_as_it_counts(told[answer.id]))
    open_: dict[str, int] = {}
    for state in ledger.find(pending_ref__in=list(answers)):
        open_[str(state.pending_ref)] = open_.get(str(state.pending_ref), 0) + 1
    return [_judged(told[one.id], tuple(answers[one.id]), open_.get(one.id, 0), now_ms) for one in said]


def _as_it_counts(told: ledger.Told) -> ledger.Said:
    """Number, id and hash of what was written, with what was corrected since."""
    return replace(told.said, header=told.header, lines=told.lines)


def _judged(told: ledger.Told, answers: tuple[ledger.Said, ...], open_: int, now_ms: int) -> Handoff:
    said = _as_it_counts(told)
    return Handoff(said, answers, open_, "void" if told.voided else _word(said, answers, open_, now_ms))


def _word(said: ledger.Said, answers: tuple[ledger.Said, ...], open_: int, now_ms: int) -> str:
    if not answers:
        due = said.header["data"].get("due_ms")
        return "overdue" if due and now_ms > due else "offered"
    kinds = {answer.header["kind"] for answer in answers}
    if kinds & {"refused", "withdrawn"}:
        return "refused" if "refused" in kinds else "withdrawn"
    odd = any(line.get("result") != "ok" for line in answers[-1].lines)
    return "disputed" if open_ or odd else "accepted"


@dataclass(frozen=True)
class Step:
    """One act in the chain of some tubes: what, when, by whom, for how many of them."""

    event: str
    kind: str
    at_ms: int
    tz: str
    by: str
    org: str
    data: dict[str, Any]
    tubes: int
    seq: int
    result: dict[str, int]


CHAIN = {
    "drawn", "aliquoted", "handed_off", "received", "refused", "withdrawn", "put_away", "moved", "pulled",
    "thawed", "shipped", "discarded", "discrepancy_noted", "discrepancy_resolved",
}  # fmt: skip


def chain(tubes: Iterable[str]) -> list[Step]:
    """Every act that changed who held these tubes, where they were, or what was in them; oldest first."""
    steps: dict[str, Step] = {}
    counts: dict[str, dict[str, int]] = {}
    told: dict[str, set[str]] = {}
    for tube, said in ledger.histories(tubes).items():
        for one in said:
            if one.kind not in CHAIN or one.voided:
                continue
            told.setdefault(one.id, set()).add(tube)
            result = counts.setdefault(one.id, {})
            if word := one.line.get("result"):
                result[word] = result.get(word, 0) + 1
            steps[one.id] = Step(
                one.id, one.kind, one.at_ms, one.tz, one.by, one.org, dict(one.data), len(told[one.id]),
                one.seq, result,
            )  # fmt: skip
    return sorted(steps.values(), key=lambda step: (step.at_ms, step.seq))


def tube_rows(handoff_: Handoff) -> list[tuple[TubeState, str]]:
    """Each tube of a handoff with its state today and what the receiver said of it, odd ones first."""
    states, results = ledger.states(handoff_.tubes), handoff_.results
    rows = [(states[tube], results.get(tube, "")) for tube in handoff_.tubes if tube in states]
    return sorted(rows, key=lambda row: (row[1] == "ok", row[0].tube))
