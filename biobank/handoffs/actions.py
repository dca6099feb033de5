"""The two sides of a handoff, each one event."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.utils import timezone

from biobank.acting import Actor, ms, perform
from biobank.bench.hands import repeated
from biobank.checks import gate
from biobank.models import Agency
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.record import Recorded

HOW = [
    ("sealed", "in a container closed with a numbered seal"),
    ("locked", "locked up"),
    ("secured", "in an area with restricted access"),
    ("view", "in view of the carrier"),
    ("hand", "from hand to hand"),
]


def hand_off(
    actor: Actor,
    key: str,
    tubes: Sequence[str],
    to: str,
    *,
    how: str,
    seal: str = "",
    due: datetime | None = None,
    centi_c: int | None = None,
    at: datetime | None = None,
    note: str = "",
    assay: str = "",
) -> Recorded:
    """Give tubes to another agency. They stay ours until it answers.

    assay  for which analysis they go; then every tube must pass the gate, and the event keeps its verdicts
    Refused: no_tube, agency_unknown, handed_to_itself, seal_needed, those of the gate, and what the ledger
    refuses (giver_was_custodian, handed_off_twice, tube_not_drawn …).
    """
    if done := again(actor, key, "handed_off"):
        return done
    _check_addressee(actor, tubes, to, how, seal)
    data: dict[str, Any] = {"to": to, "how": how}
    data |= {"seal": seal} if seal else {}
    data |= {"due_ms": ms(due)} if due else {}
    data |= {"centi_c": centi_c} if centi_c is not None else {}
    data |= {"note": note} if note else {}
    passed = gate.through(tubes, assay, ms(timezone.now())) if assay else None
    data |= passed.data if passed else {}
    lines, before = gate.lines_for(tubes, passed), passed.again if passed else None
    return perform(actor, "handed_off", key=key, at=at, data=data, lines=lines, before=before)


def _check_addressee(actor: Actor, tubes: Sequence[str], to: str, how: str, seal: str) -> None:
    if not tubes:
        raise Refused("no_tube", "Scan at least one tube.")
    if to == actor.org:
        raise Refused("handed_to_itself", "The tubes are with your agency already.")
    if not Agency.objects.filter(code=to).exists():
        raise Refused("agency_unknown", "No agency has this code.")
    if how == "sealed" and not seal:
        raise Refused("seal_needed", "A sealed container has a seal number. Write it down.")


def receive(
    actor: Actor,
    key: str,
    handoff: str,
    results: Mapping[str, str],
    *,
    counted: int,
    seal_intact: bool | None = None,
    centi_c: int | None = None,
    at: datetime | None = None,
    note: str = "",
) -> Recorded:
    """Answer for tubes of a handoff: `results` maps each tube to ok, missing, damaged, warm, unreadable.

    Tubes of the handoff that are not named are missing. Refused: handoff_unknown, handoff_answered_once,
    receiver_was_addressed, tube_not_on_handoff, count_does_not_agree, time_before_parent.
    """
    if done := again(actor, key, "received"):
        return done
    said = offered(handoff)
    tubes = {line["t"] for line in said.lines}
    open_ = {one.tube for one in ledger.find(pending_ref=handoff)}
    _check_answer(actor, said.header, tubes, open_, results, counted)
    if at and ms(at) < said.header["at"]:
        raise Refused("time_before_parent", "This is before the tubes were handed off.")
    lines = [{"t": tube, "role": "subj", "result": results.get(tube, "missing")} for tube in sorted(open_)]
    data: dict[str, Any] = {"counted": counted}
    data |= {"seal_intact": seal_intact} if seal_intact is not None else {}
    data |= {"centi_c": centi_c} if centi_c is not None else {}
    data |= {"note": note} if note else {}
    return perform(actor, "received", key=key, at=at, data=data, lines=lines, ref=handoff)


def again(actor: Actor, key: str, kind: str) -> Recorded | None:
    """What this form did when it was sent before; None the first time."""
    said = ledger.event(key) if repeated(actor, key, kind) else None
    return Recorded(said.seq, key, kind, new=False) if said else None


def offered(handoff: str) -> ledger.Said:
    """The handoff itself; Refused `handoff_unknown`."""
    said = ledger.event(handoff)
    if said is None or said.header["kind"] not in {"handed_off", "shipped"}:
        raise Refused("handoff_unknown", "There is no such handoff.")
    return said


def _check_answer(
    actor: Actor,
    header: Mapping[str, Any],
    tubes: set[str],
    open_: set[str],
    results: Mapping[str, str],
    counted: int,
) -> None:
    if header["data"]["to"] != actor.org:
        raise Refused("receiver_was_addressed", f"This handoff is addressed to {header['data']['to']}.")
    if not open_:
        raise Refused("handoff_answered_once", "This handoff was answered already.")
    if foreign := sorted(set(results) - tubes):
        raise Refused(
            "tube_not_on_handoff", "This tube is not on the list of this handoff. Set it aside.", foreign[0]
        )
    if answered := sorted(set(results) - open_):
        raise Refused("handoff_answered_once", "This tube was received before.", answered[0])
    here = sum(result != "missing" for result in results.values())
    if here != counted:
        raise Refused(
            "count_does_not_agree",
            f"You counted {counted} tubes and scanned {here}. Scan on, or count again.",
        )


def send_back(
    actor: Actor, key: str, handoff: str, kind: str, reason: str, at: datetime | None = None
) -> Recorded:
    """`refused` by the receiver or `withdrawn` by the giver: every open tube stays with the giver."""
    if done := again(actor, key, kind):
        return done
    said = offered(handoff)
    side = said.header["data"]["to"] if kind == "refused" else said.header["org"]
    if actor.org != side:
        raise Refused("receiver_was_addressed", f"Only {side} can do this.")
    lines = [{"t": one.tube, "role": "subj"} for one in ledger.find(pending_ref=handoff)]
    if not lines:
        raise Refused("handoff_answered_once", "This handoff was answered already.")
    return perform(actor, kind, key=key, at=at, data={"reason": reason}, lines=lines, ref=handoff)
