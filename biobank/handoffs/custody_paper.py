"""The record of custody of one tube, of the tubes of a handoff, or of those in a box.

Promises: every field that the custody forms ask for which the outside tests name, each with a word where
nothing was said; amendments struck out, never rewritten; what may not travel is kept back (`custody_words`).
A fixed number of queries, however many tubes; one more for each generation of aliquots.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from biobank.amend.queries import Change, names
from biobank.checks import gate
from biobank.handoffs import custody_acts
from biobank.handoffs.actions import HOW
from biobank.handoffs.custody_words import (
    NONE,
    Discretion,
    Party,
    Seal,
    party,
    programme_of,
    seal_of,
    signed,
    when_zone,
)
from biobank.models import OwnNumber
from biobank.templatetags.words import additive_words, celsius, matrix_words, tube_code, volume, when_offset
from custody import queries as ledger
from custody.core import evidence
from custody.core.gaps import SENDING
from custody.core.state import Happening, TubeState

CARRIERS = "A carrier's word"
NAMED = 12  # codes of irregular tubes that are listed before "and n more"


@dataclass(frozen=True)
class Sample:
    """One tube, in words."""

    tube: str
    label: str
    matrix: str
    preservative: str
    container: str
    volume: str
    collected: str
    zone: str
    collector: str
    signed: str
    condition: str
    number: str  # the laboratory's own
    made_from: str


@dataclass(frozen=True)
class Receipt:
    """One answer to a handoff, as it concerns these tubes."""

    kind: str
    at: str
    by: str
    org: Party
    signed: str
    results: str
    temperature: str
    seal: str
    irregular: Sequence[str]
    struck: bool = False
    changes: Sequence[Change] = ()


@dataclass(frozen=True)
class Transfer:
    """One change of hands: who gave, how it was held, and who answered. struck: it was voided."""

    seq: int
    word: str
    tubes: int
    giver: Party
    receiver: Party
    given_by: str
    at: str
    signed: str
    facts: Sequence[tuple[str, str]]
    seal: Seal
    receipts: Sequence[Receipt]
    struck: bool = False
    changes: Sequence[Change] = ()

    @property
    def answered(self) -> bool:
        """By who was to receive them, or by the giver; a carrier's word is no answer."""
        return any(not one.struck and one.kind != CARRIERS for one in self.receipts)


@dataclass(frozen=True)
class Record:
    """Everything that a paper of custody says of some tubes."""

    programme: str
    samples: Sequence[Sample]
    analyses: str
    transfers: Sequence[Transfer]
    periods: Sequence[custody_acts.Period]
    holes: Sequence[tuple[str, int, bool]]
    acts: Sequence[custody_acts.Act]
    seq: int  # of the newest event on it

    @property
    def gaps(self) -> int:
        return sum(not late for _, _, late in self.holes)


def record(tubes: Sequence[str], now_ms: int) -> Record:
    """At most 30 queries and 1 a generation."""
    states = _with_ancestors(ledger.states(tubes))
    mine = [tube for tube in tubes if tube in states]
    lines = custody_acts.lines_of(mine, {code: one.parent for code, one in states.items()})
    said, known, clean = ledger.histories(states), names(), Discretion()
    found = custody_acts.custody(lines, said, now_ms)
    sent = {one.id: one for tube in mine for one in said[tube] if one.kind in SENDING}
    assays = {str(one.data["assay"]) for tube in mine for one in said[tube] if one.data.get("assay")}
    return Record(
        _programme(said[mine[0]]) if mine else NONE,
        _samples(mine, lines, said, states, known),
        "; ".join(sorted(gate.called(one) for one in assays)) or NONE,
        transfers(sent, set(mine), known, clean),
        custody_acts.periods(found), custody_acts.holes(found),
        custody_acts.acts(mine, lines, said, known, clean),
        max((one.seq for tube in mine for one in said[tube]), default=0),
    )  # fmt: skip


def _with_ancestors(states: dict[str, TubeState]) -> dict[str, TubeState]:
    fresh = {one.parent for one in states.values() if one.parent} - set(states)
    while fresh:
        up = ledger.states(fresh)
        states = states | up
        fresh = {one.parent for one in up.values() if one.parent} - set(states)
    return states


def _programme(said: Sequence[Happening]) -> str:
    return programme_of(said[0].by) if said else NONE


# --- the tubes ------------------------------------------------------------------------------------


def _samples(
    tubes: Sequence[str], lines: Mapping[str, Sequence[str]], said: custody_acts.Histories,
    states: Mapping[str, TubeState], known: Mapping[str, str],
) -> list[Sample]:  # fmt: skip
    numbers: dict[str, list[str]] = {}
    for code, tube, number in OwnNumber.objects.filter(tube__in=tubes).values_list(
        "agency__code", "tube", "number"
    ):
        numbers.setdefault(tube, []).append(f"{number} ({code})")
    return [
        _sample(states[tube], said[tube], said[lines[tube][-1]], ", ".join(numbers.get(tube, ())), known)
        for tube in tubes
    ]


def _sample(
    state: TubeState, own: Sequence[Happening], first: Sequence[Happening], number: str,
    known: Mapping[str, str],
) -> Sample:  # fmt: skip
    drawn = next((one for one in first if one.kind == "drawn" and not one.voided), None)
    day, _, zone = when_offset(drawn.at_ms, drawn.tz).partition(" UTC") if drawn else ("not said", "", "")
    return Sample(
        state.tube, state.label or "no label text", matrix_words(state.matrix),
        additive_words(state.additive), state.container or "not said", volume(state.volume_ul),
        day, f"UTC{zone}" if drawn else "",
        f"{known.get(drawn.by, drawn.by)}, {drawn.org}" if drawn else "not said",
        signed(drawn.via, drawn.by, drawn.rec_by, drawn.seq, known) if drawn else NONE,
        _condition(own), number or "none given", tube_code(state.parent) if state.parent else "",
    )  # fmt: skip


def _condition(own: Sequence[Happening]) -> str:
    """How it was at its newest receipt."""
    passed = [one for one in own if one.kind in {*SENDING, "received"} and not one.voided]
    if not passed:
        return "never handed off"
    return condition(passed[-1].line) if passed[-1].kind == "received" else "not received yet"


def condition(line: Mapping[str, Any]) -> str:
    """Result of a line of a receipt, and the receiver's word for it where that says more."""
    result, word = str(line["result"]), str(line.get("condition", ""))
    return result if word in {"", result} else f"{result}, {word.replace('_', ' ')}"


# --- changes of hands -----------------------------------------------------------------------------


def transfers(
    sent: Mapping[str, Happening], mine: set[str], known: Mapping[str, str], clean: Discretion
) -> list[Transfer]:
    """Oldest first; of answers only what they say of these tubes. 7 queries."""
    told = ledger.told(sent)
    later = ledger.as_told(sorted(ledger.events(refs=list(sent)), key=lambda one: one.seq))
    parties: dict[str, Party] = {}

    def of(code: str) -> Party:
        return parties.setdefault(code, parties.get(code) or party(code))

    found = []
    for one in sorted(told.values(), key=lambda one: (one.header["at"], one.said.seq)):
        answers = [
            _receipt(answer, one, mine, known, clean, of(answer.header["org"]))
            for answer in later
            if answer.header.get("ref") == one.said.id and _about(answer, mine)
        ]
        sides = (of(one.header["org"]), of(one.header["data"]["to"]))
        found.append(_transfer(one, sides, answers, mine, known, clean))
    return found


def _about(answer: ledger.Told, mine: set[str]) -> bool:
    """A carrier's word is about them all."""
    return not answer.lines or any(line.get("t") in mine for line in answer.lines)


def _transfer(
    one: ledger.Told, sides: tuple[Party, Party], receipts: Sequence[Receipt], mine: set[str],
    known: Mapping[str, str], clean: Discretion,
) -> Transfer:  # fmt: skip
    header, data = one.header, one.header["data"]
    facts = [
        ("How it was held", dict(HOW)[data["how"]]),
        ("Temperature", celsius(data["centi_c"]) if "centi_c" in data else "not measured"),
        ("Carrier, waybill, logger", _carried(data)), ("Reason", _reason(data)),
        ("Comments", clean(data.get("note", "")) or NONE),
    ]  # fmt: skip
    return Transfer(
        one.said.seq, "Shipped" if header["kind"] == "shipped" else "Handed off",
        sum(line.get("t") in mine for line in one.lines), *sides,
        f"{known.get(header['by'], header['by'])} ({header['by']})", when_zone(header),
        signed(one.said.via, header["by"], header["rec_by"], one.said.seq, known), facts,
        seal_of(header, known), receipts, one.voided, custody_acts.changes(one, mine, known, clean),
    )  # fmt: skip


def _carried(data: Mapping[str, Any]) -> str:
    """`none` when nothing was said of carrier, waybill and logger."""
    said = [(name, data.get(name)) for name in ("carrier", "waybill", "logger")]
    if not any(value for _, value in said):
        return NONE
    return "; ".join(f"{'' if name == 'carrier' else name + ' '}{value or NONE}" for name, value in said)


def _reason(data: Mapping[str, Any]) -> str:
    if not data.get("assay"):
        return "not said"
    return f"{gate.called(data['assay'])}, each tube checked under {data.get('rules', 'rules not said')}"


WORDS = {
    "received": "Received",
    "refused": "Refused",
    "withdrawn": "Withdrawn by the giver",
    "tracked": CARRIERS,
}


def _receipt(
    answer: ledger.Told, sent: ledger.Told, mine: set[str], known: Mapping[str, str], clean: Discretion,
    org: Party,
) -> Receipt:  # fmt: skip
    header, data = answer.header, answer.header["data"]
    lines = [line for line in answer.lines if line.get("t") in mine]
    by = f"{known.get(header['by'], header['by'])} ({header['by']})"
    sign = signed(answer.said.via, header["by"], header["rec_by"], answer.said.seq, known)
    grade = evidence.of(header)
    return Receipt(
        WORDS.get(header["kind"], header["kind"]), when_zone(header),
        f"{data['name']}, as given" if data.get("name") else by, org,
        f"{sign}; evidence {grade.letter}: {grade.words}",
        _results(lines) or clean(data.get("reason", "") or data.get("said", "")) or NONE, _temperature(data),
        _seal(data), _irregular(data, sent.header["data"], lines, clean) or [NONE + " noted"], answer.voided,
        custody_acts.changes(answer, mine, known, clean),
    )  # fmt: skip


def _results(lines: Sequence[Mapping[str, Any]]) -> str:
    counts: dict[str, int] = {}
    for line in lines:
        if "result" in line:
            word = condition(line)
            counts[word] = counts.get(word, 0) + 1
    return "; ".join(f"{n} {word}" for word, n in counts.items())


def _temperature(data: Mapping[str, Any]) -> str:
    parts = [f"{celsius(data['centi_c'])} by probe"] if "centi_c" in data else []
    if "low_centi" in data and "high_centi" in data:
        logger = f" {data['logger']}" if data.get("logger") else ""
        parts.append(f"logger{logger} {celsius(data['low_centi'])} to {celsius(data['high_centi'])}")
    return "; ".join(parts) or "not measured"


def _seal(data: Mapping[str, Any]) -> str:
    words = {True: "intact", False: "not intact", None: "not looked at, or none there"}
    said = words[data.get("seal_intact")]
    return f"{said}; number read: {data['seal']}" if data.get("seal") else said


def _irregular(
    data: Mapping[str, Any], sent: Mapping[str, Any], lines: Sequence[Mapping[str, Any]], clean: Discretion
) -> list[str]:
    """What was not as it should be with the container or what was in it."""
    found = ["the seal was not intact"] if data.get("seal_intact") is False else []
    if data.get("seal") and sent.get("seal") and data["seal"] != sent["seal"]:
        found.append(f"seal read as {data['seal']}, sent as {sent['seal']}")
    odd: dict[str, list[str]] = {}
    for line in lines:
        if "result" in line and condition(line) != "ok":
            odd.setdefault(condition(line), []).append(tube_code(line["t"]))
    found += [f"{word}: {_some(codes)}" for word, codes in odd.items()]
    if data.get("foreign"):
        found.append(f"not on the list: {data['foreign']}")
    if data.get("note"):
        found.append(f"note: {clean(data['note'])}")
    return found


def _some(codes: Sequence[str]) -> str:
    more = f" and {len(codes) - NAMED} more" if len(codes) > NAMED else ""
    return ", ".join(codes[:NAMED]) + more
