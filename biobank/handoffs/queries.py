"""What there is to know of handoffs: the list of an agency, and one with all its tubes.

Promises: 6 queries for a page of the list, however many handoffs there are. A voided handoff is shown as
void, a voided answer is left out. A carrier's word is no answer.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from custody import queries as ledger
from custody.core import evidence
from custody.core.gaps import SENDING
from custody.core.state import TubeState

SHOWN = 50
ANSWERS = {"received", "refused", "withdrawn"}


@dataclass(frozen=True)
class Handoff:
    """One handoff as both sides see it, as corrected.

    word     offered, in part, accepted, disputed, settled, refused, withdrawn, overdue, void
    open     tubes that are not answered yet, those answered as missing among them
    tracked  what a carrier said of it, which changes nothing
    """

    said: ledger.Said
    answers: tuple[ledger.Said, ...]
    open: int
    word: str
    tracked: tuple[ledger.Said, ...] = ()

    @property
    def header(self) -> dict[str, Any]:
        return self.said.header

    @property
    def tubes(self) -> list[str]:
        return [line["t"] for line in self.said.lines]

    @property
    def ice_kg(self) -> str:
        """Dry ice, as written on the box; empty when none was said."""
        grams = self.header["data"].get("ice_g")
        return f"{grams / 1000:g}" if grams else ""

    @property
    def results(self) -> dict[str, str]:
        """What the receiver said of each tube, the newest answer last."""
        found: dict[str, str] = {}
        for answer in self.answers:
            word = answer.header["kind"]
            found |= {line["t"]: line.get("result", word) for line in answer.lines}
        return found


def handoffs(org: str | None, now_ms: int, before: int | None = None, most: int = SHOWN) -> list[Handoff]:
    """Handoffs and shipments that this agency gave or was to receive (None: all), newest first.

    before: a number in the log; only earlier ones, for the next page.
    """
    return _joined(ledger.sendings(org, before, most), now_ms)


def handoff(event_id: str, now_ms: int) -> Handoff | None:
    said = ledger.event(event_id)
    if said is None or said.header["kind"] not in SENDING:
        return None
    return _joined([said], now_ms)[0]


def open_handoffs(org: str | None, now_ms: int) -> list[Handoff]:
    """Those with a tube that is not answered yet, the one that is due first before the others."""
    going = ledger.find(pending_ref__isnull=False)
    states = [one for one in going if org in {None, one.custodian, one.pending_to}]
    found = ledger.told({str(one.pending_ref) for one in states})
    rows = _joined([one.said for one in found.values()], now_ms)
    return sorted(rows, key=lambda one: (one.header["data"].get("due_ms") or 1 << 62, one.header["at"]))


def _joined(said: list[ledger.Said], now_ms: int) -> list[Handoff]:
    refs = [one.id for one in said]
    found = sorted(ledger.events(refs=refs), key=lambda one: one.seq)
    told = {one.said.id: one for one in ledger.as_told([*said, *found])}
    answers: dict[str, list[ledger.Said]] = {ref: [] for ref in refs}
    tracked: dict[str, list[ledger.Said]] = {ref: [] for ref in refs}
    for answer in found:
        if not told[answer.id].voided and answer.header["kind"] in ANSWERS | {"tracked"}:
            to = tracked if answer.header["kind"] == "tracked" else answers
            to[answer.header["ref"]].append(_as_it_counts(told[answer.id]))
    states = ledger.states({line["t"] for one in said for line in one.lines if "t" in line})
    return [_judged(told[ref], answers[ref], tracked[ref], states, now_ms) for ref in refs]


def _as_it_counts(told: ledger.Told) -> ledger.Said:
    """Number, id and hash of what was written, with what was corrected since."""
    return replace(told.said, header=told.header, lines=told.lines)


def _judged(
    told: ledger.Told,
    answers: list[ledger.Said],
    tracked: list[ledger.Said],
    states: Mapping[str, TubeState],
    now_ms: int,
) -> Handoff:
    said = _as_it_counts(told)
    mine = [states[line["t"]] for line in said.lines if line.get("t") in states]
    open_ = sum(one.pending_ref == said.id for one in mine)
    one = Handoff(said, tuple(answers), open_, "", tuple(tracked))
    return replace(one, word="void" if told.voided else _word(one, mine, now_ms))


def _word(one: Handoff, states: Sequence[TubeState], now_ms: int) -> str:
    due = one.header["data"].get("due_ms")
    late = bool(one.open and due and now_ms > due)
    if not one.answers:
        return "overdue" if late else "offered"
    kinds = {answer.header["kind"] for answer in one.answers}
    results = one.results
    if "received" not in kinds:
        return "refused" if "refused" in kinds else "withdrawn"
    odd = {tube for tube, result in results.items() if result not in {"ok", *kinds}}
    if any(state.disputes and state.tube in odd for state in states):
        return "disputed"
    if one.open:
        return "overdue" if late else "in part"
    return "settled" if odd or kinds != {"received"} else "accepted"


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


@dataclass(frozen=True)
class Moment:
    """One line of the timeline of a handoff. grade: of an answer; None for the giving itself."""

    said: ledger.Said
    grade: evidence.Grade | None
    counts: Mapping[str, int]

    @property
    def data(self) -> dict[str, Any]:
        return dict(self.said.header["data"])


def timeline(one: Handoff) -> list[Moment]:
    """The giving, each answer and each word of a carrier, oldest first."""
    later = sorted((*one.answers, *one.tracked), key=lambda said: (said.header["at"], said.seq))
    given = Moment(one.said, None, {})
    return [given, *(Moment(said, evidence.of(said.header), _counts(said)) for said in later)]


def _counts(said: ledger.Said) -> dict[str, int]:
    return dict(Counter(line["result"] for line in said.lines if "result" in line))


def boxes(one: Handoff) -> dict[str, int]:
    """How many tubes go in which box or cooler; an empty word for those that go by themselves."""
    return dict(sorted(Counter(line.get("box", "") for line in one.said.lines if "t" in line).items()))
