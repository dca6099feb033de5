"""What somebody has said of a handoff so far, kept in their session until it is one answer.

Promises: a number that was typed stays: whoever goes back and counts again adds a second count, and the
answer says both. Nothing here decides: a label that cannot be read, an extra tube and two tubes with one code
stand for nothing until a person has ticked them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from django.core.exceptions import ValidationError

from biobank.core import codes
from biobank.core.rack import unread
from biobank.forms import codes_in
from biobank.handoffs import own_numbers, receive_checks
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.reconcile import UNREADABLE, Reconciled, reconcile
from custody.core.refusal import Refused
from custody.core.state import TubeState

NO_LABEL = "a tube without a readable label"
SEALS = [("none", "no seal on it"), ("intact", "there and whole"), ("broken", "broken, cut or tampered with")]


@dataclass
class Draft:
    """seals: what was said of the seal, its number after it; counts: both in the order of typing.

    unreadable, extra, twins  what was ticked: codes
    """

    key: str = ""
    counts: list[int] = field(default_factory=list)
    seals: list[list[str]] = field(default_factory=list)
    scanned: bool = False
    scans: str = ""
    own: str = ""
    conditions: dict[str, str] = field(default_factory=dict)
    unreadable: list[str] = field(default_factory=list)
    extra: list[str] = field(default_factory=list)
    twins: list[str] = field(default_factory=list)
    rest: str = "missing"

    @property
    def counted(self) -> int:
        return self.counts[-1]

    @property
    def seal(self) -> tuple[str, str]:
        """What was said of the seal, and its number as read."""
        return (self.seals[-1][0], self.seals[-1][1]) if self.seals else ("none", "")

    def count(self, counted: int, seal: str, number: str) -> bool:
        """Take a count; whether it is another than the one before."""
        self.key = self.key or new_id()
        other = bool(self.counts) and counted != self.counts[-1]
        if not self.counts or other:
            self.counts.append(counted)
        if not self.seals or [seal, number] != self.seals[-1]:
            self.seals.append([seal, number])
        return other

    @property
    def changed(self) -> str:
        """What was counted and read before it was changed, for the note of the answer."""
        said = []
        if len(self.counts) > 1:
            said.append("Counted " + ", then ".join(str(one) for one in self.counts) + ".")
        if len(self.seals) > 1:
            words = dict(SEALS)
            read = [f"{words[seal]}{f' ({number})' if number else ''}" for seal, number in self.seals]
            said.append("Seal said to be " + ", then ".join(read) + ".")
        return " ".join(said)


def kept(session: Mapping[str, Any], handoff: str) -> Draft:
    return Draft(**session.get(_name(handoff), {}))


def keep(session: Any, handoff: str, draft: Draft) -> None:
    session[_name(handoff)] = asdict(draft)


def forget(session: Any, handoff: str) -> None:
    session.pop(_name(handoff), None)


def _name(handoff: str) -> str:
    return f"receive {handoff}"


# --- what was scanned -----------------------------------------------------------------------------


def read(text: str) -> tuple[list[str], dict[str, str]]:
    """Scans in their order, `?` for a label that nobody can read, and own numbers typed after a tab.

    What is no code of ours stands as it came. ValidationError: a bag's label, a scanner for another keyboard.
    """
    found: list[str] = []
    own: dict[str, str] = {}
    for line in text.splitlines():
        code, tab, number = line.strip().partition("\t")
        tubes = _line(code)
        found += tubes
        if tab and number.strip() and len(tubes) == 1:
            own[tubes[0]] = own_numbers.clean(number)
    return found, own


def _line(text: str) -> list[str]:
    if not text:
        return []
    if unread(text):
        return [UNREADABLE]
    try:
        return codes_in(text)
    except ValidationError as no:
        if no.code in {"set_where_tube", "scanner_layout"}:
            raise
    return [text[: receive_checks.LONGEST_FOREIGN]]


@dataclass(frozen=True)
class Compared:
    """A draft beside what is still open of the handoff.

    open      open tubes; unnamed: labels that cannot be read and stand for no tube of the list
    over      tubes counted by hand beyond what was scanned, before anybody looked for two with one code
    problems  what stops the answer: refusals
    """

    found: Reconciled
    open: dict[str, TubeState]
    states: dict[str, TubeState]
    unnamed: int
    over: int
    own: dict[str, str]
    problems: tuple[Refused, ...]

    @property
    def here(self) -> list[str]:
        return [*self.found.ok, *self.found.extra]

    @property
    def repeated(self) -> list[str]:
        """Codes that were scanned more than once."""
        return sorted(set(self.found.again))


def compare(org: str, given: ledger.Said, draft: Draft) -> Compared:
    """At most 7 queries, however many tubes. Raises what `read` and `own_numbers.listed` raise."""
    scans, own = read(draft.scans)
    open_ = {one.tube: one for one in ledger.find(pending_ref=given.id)}
    other = {code for code in scans if codes.is_valid(code) and code not in open_}
    states = {tube: one for tube, one in ledger.states(other).items() if one.status != "unknown"}
    named = [tube for tube in draft.unreadable if tube in open_ and tube not in scans]
    labels = max(scans.count(UNREADABLE), len(named))
    scans += [UNREADABLE] * (labels - scans.count(UNREADABLE))
    found = reconcile(open_, scans, draft.counted, states, draft.twins)
    over = draft.counted - len(set(scans) - {UNREADABLE}) - labels
    wrong = [*_not_here(org, given, states), *_unsettled(draft, found, over)]
    return Compared(
        found, open_, states, labels - len(named), over, own | own_numbers.listed(draft.own), tuple(wrong)
    )


def _not_here(org: str, given: ledger.Said, states: Mapping[str, TubeState]) -> list[Refused]:
    """Codes of ours that cannot be extra tubes: received before, on another handoff, here already."""
    if not states:
        return []
    on_list, answers = {line["t"] for line in given.lines}, receive_checks.live_answers(given.id)
    found = [
        receive_checks.not_open(org, given.id, tube, one, tube in on_list, answers)
        for tube, one in sorted(states.items())
    ]
    return [no for no in found if no]


def _unsettled(draft: Draft, found: Reconciled, over: int) -> list[Refused]:
    wrong = []
    if found.twice and not draft.twins:
        sentence = f"{over} tube{'s' if over > 1 else ''} more than codes: tick which code is on two tubes."
        wrong.append(Refused("twins_unconfirmed", sentence))
    elif not found.agrees:
        told = draft.counted - found.surplus
        sentence = f"You counted {draft.counted} and {told} are told of. Scan on, or count again."
        wrong.append(Refused("count_does_not_agree", sentence))
    if left := sorted(set(found.extra) - set(draft.extra)):
        shown = codes.show(left[0])
        sentence = f"{shown} is not on the list. Tick that it is here, or take it out of the scans."
        wrong.append(Refused("extra_unconfirmed", sentence, left[0]))
    return wrong


def answer(draft: Draft, seen: Compared, sent: Mapping[str, Any]) -> dict[str, Any]:
    """What `receiving.receive` is told, but for temperature, time and note. `sent`: data of the handoff."""
    found, twins = seen.found, [tube for tube in draft.twins if tube in seen.found.twice]
    named = [tube for tube in draft.unreadable if tube in found.missing]
    results = dict.fromkeys(found.ok, "ok") | dict.fromkeys(named, "unreadable")
    results |= dict.fromkeys(found.extra, "extra")
    seal, number = draft.seal
    return {
        "results": results, "counted": draft.counted,
        # sent sealed and nothing on it: that is no whole seal
        "seal_intact": {"intact": True, "broken": False}.get(seal, False if sent.get("seal") else None),
        "seal": number,
        "foreign": [*found.foreign, *sorted(set(twins) & set(found.foreign)), *[NO_LABEL] * seen.unnamed],
        "again": twins or list(found.again),
        "own": seen.own,
        "conditions": {tube: word for tube, word in draft.conditions.items() if tube in results},
        "rest": draft.rest,
    }  # fmt: skip
