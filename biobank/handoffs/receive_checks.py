"""What stops an answer to a handoff. Promises: reads only; two to nine queries, however many tubes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING

from biobank.acting import Actor, ms
from biobank.core import codes
from biobank.handoffs import own_numbers
from biobank.handoffs.conditions import BY_WORD, IN_HAND
from custody import queries as ledger
from custody.core.effects import clock
from custody.core.refusal import Refused
from custody.core.state import TubeState

if TYPE_CHECKING:
    from biobank.handoffs.receiving import Answer

MOST_FOREIGN = 50
LONGEST_FOREIGN = 60
EXTRA = "extra"
ANSWERS = {"received", "refused", "withdrawn"}


def still_open(actor: Actor, given: ledger.Said, said: Answer, at: datetime | None) -> set[str]:
    """Open tubes that this answer and earlier ones do not name. Refused: receiver_was_addressed,
    count_not_a_number, handoff_withdrawn, handoff_refused, handoff_voided, handoff_not_open,
    handoff_answered_once, tube_not_on_handoff, tube_in_two_handoffs, tube_unknown, tube_with_you,
    extra_is_on_list, foreign_too_many, count_does_not_agree, condition_unknown, condition_contradicts,
    temperature_reversed, time_before_parent, rest_unknown, and of own numbers."""
    addressed(actor, given)
    counts(said.counted)
    answers = live_answers(given.id)
    open_ = {one.tube for one in ledger.find(pending_ref=given.id)}
    if not open_:
        raise closed(given, answers)
    _tubes(actor, given, said, open_, answers)
    _agrees(said)
    _conditions(said)
    _rest(said, given, at)
    own_numbers.check(said.own, {tube for tube, word in said.words.items() if word in IN_HAND})
    spoken = {line["t"] for one in answers for line in one.lines}
    return open_ - spoken - set(said.results)


def addressed(actor: Actor, given: ledger.Said) -> None:
    if given.header["data"]["to"] != actor.org:
        raise Refused("receiver_was_addressed", f"This handoff is addressed to {given.header['data']['to']}.")


def counts(counted: object) -> None:
    if isinstance(counted, bool) or not isinstance(counted, int) or counted < 0:
        raise Refused("count_not_a_number", "A count is a whole number, 0 or more.")


def live_answers(handoff: str) -> list[ledger.Told]:
    """What was answered and not voided, as corrected, oldest first. 3 queries."""
    said = sorted(ledger.events(refs=[handoff]), key=lambda one: one.seq)
    return [
        one
        for one in ledger.as_told([one for one in said if one.header["kind"] in ANSWERS])
        if not one.voided
    ]


def closed(given: ledger.Said, answers: Iterable[ledger.Told]) -> Refused:
    """Why nothing of this handoff is open: the refusal, with who and when."""
    told = ledger.told([given.id]).get(given.id)
    if told and told.voided:
        return Refused("handoff_voided", f"{given.header['org']} voided this handoff: it did not take place.")
    ends = [one for one in answers if one.header["kind"] != "received"]
    for one in ends or list(answers)[-1:]:
        verb, code = {
            "withdrawn": ("withdrew this handoff", "handoff_withdrawn"),
            "refused": ("refused this handoff", "handoff_refused"),
        }.get(one.header["kind"], ("answered this handoff already", "handoff_answered_once"))
        return Refused(code, f"{_who(one.header)} {verb}, {_when(one.header)}.")
    return Refused("handoff_not_open", "No tube of this handoff is open. Its findings say why.")


def _who(header: Mapping[str, object]) -> str:
    return f"{header['by']} of {header['org']}"


def _when(header: Mapping[str, object]) -> str:
    return clock(int(str(header["at"])), int(str(header["off"])))


def _tubes(
    actor: Actor, given: ledger.Said, said: Answer, open_: set[str], answers: list[ledger.Told]
) -> None:
    """Each named tube is open here, or a confirmed extra one."""
    if wrong := sorted(tube for tube in open_ if said.results.get(tube) == EXTRA):
        raise _about("extra_is_on_list", "this tube is on the list; it is no extra one.", wrong[0])
    odd = sorted(set(said.results) - open_)
    states = ledger.states(odd) if odd else {}
    on_list = {line["t"] for line in given.lines}
    for tube in odd:
        if no := not_open(actor.org, given.id, tube, states.get(tube), tube in on_list, answers):
            raise no
        if said.results[tube] != EXTRA:
            raise _about("tube_not_on_handoff", "this tube is not on the list. Set it aside.", tube)


def not_open(
    org: str,
    handoff: str,
    tube: str,
    state: TubeState | None,
    on_list: bool,
    answers: Iterable[ledger.Told],
) -> Refused | None:
    """Why a tube that is not open here cannot even be an extra one, if so."""
    if state and state.pending_ref and state.pending_ref != handoff and state.pending_to == org:
        sentence = (
            f"this tube is on another handoff, of {state.custodian}. Set it aside and receive it there."
        )
        return _about("tube_in_two_handoffs", sentence, tube)
    for one in answers:
        if any(line["t"] == tube and line.get("result") in IN_HAND for line in one.lines):
            sentence = f"{_who(one.header)} received this tube, {_when(one.header)}. Set it aside."
            return _about("handoff_answered_once", sentence, tube)
    if on_list:
        return _about(
            "handoff_not_open", "this tube is not open on this handoff. Its findings say why.", tube
        )
    if state is None or state.status in {"unknown", "void"}:
        return _about("tube_unknown", "no label with this code is in use.", tube) if state else None
    if state.custodian == org:
        return _about("tube_with_you", f"this tube is with {org} already. Set it aside.", tube)
    return None


def _about(code: str, sentence: str, tube: str) -> Refused:
    shown = codes.show(tube) if codes.is_valid(tube) else tube
    return Refused(code, f"{shown}: {sentence}", tube)


def _agrees(said: Answer) -> None:
    if len(said.foreign) > MOST_FOREIGN:
        sentence = f"More than {MOST_FOREIGN} codes are none of ours. This is another parcel: look again."
        raise Refused("foreign_too_many", sentence)
    if not said.agrees:
        raise Refused(
            "count_does_not_agree",
            f"You counted {said.counted} tubes and scanned {said.here}. Scan on, or count again.",
        )


def _conditions(said: Answer) -> None:
    for tube, word in sorted(said.conditions.items()):
        if word not in BY_WORD:
            raise Refused("condition_unknown", f"“{word}” is no condition of a tube.", tube)
        result = said.results.get(tube, "missing")
        if result == "missing" or (word == "ok" and result not in {"ok", EXTRA}):
            sentence = f"this tube is {BY_WORD[word].title} and {result} at once. Say one of them."
            raise _about("condition_contradicts", sentence, tube)


def _rest(said: Answer, given: ledger.Said, at: datetime | None) -> None:
    if said.rest not in {"missing", "later"}:
        raise Refused("rest_unknown", "Tubes that are not named are missing, or come later.")
    low, high = said.low_centi, said.high_centi
    if low is not None and high is not None and low > high:
        raise Refused("temperature_reversed", "The lowest temperature is above the highest.")
    if at and ms(at) < given.header["at"]:
        raise Refused("time_before_parent", "This is before the tubes were handed off.")
