"""The two sides of a handoff, each one event."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
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


@dataclass(frozen=True)
class Parcel:
    """What is said of a container and its way; whatever is empty is not said.

    boxes  for a tube that goes in its box: code of the box, row and column in it (1-based, both or neither)
    """

    carrier: str = ""
    waybill: str = ""
    logger: str = ""
    hazard: str = ""
    terms: str = ""
    ice_g: int | None = None
    shipment: str = ""
    boxes: Mapping[str, tuple[str, int | None, int | None]] = field(default_factory=dict)

    @property
    def data(self) -> dict[str, Any]:
        said = {name: value for name, value in vars(self).items() if name != "boxes"}
        return {name: value for name, value in said.items() if value not in ("", None)}

    def line(self, tube: str) -> dict[str, Any]:
        box, row, col = self.boxes.get(tube, ("", None, None))
        place = {"row": row, "col": col} if row and col else {}
        return ({"box": box} if box else {}) | place


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
    kind: str = "handed_off",
    parcel: Parcel = Parcel(),
    before: Callable[[], None] | None = None,
) -> Recorded:
    """Give tubes to another agency. They stay ours until it answers.

    assay   for which analysis they go; then every tube must pass the gate, and the event keeps its verdicts
    kind    "shipped" when a carrier has them on the way
    before  is called in the transaction of the event, after the gate has looked again
    Refused: no_tube, agency_unknown, handed_to_itself, seal_needed, those of the gate, and what the ledger
    refuses (giver_was_custodian, handed_off_twice, tube_not_drawn …).
    """
    if done := again(actor, key, kind):
        return done
    _check_addressee(actor, tubes, to, how, seal)
    data: dict[str, Any] = {"to": to, "how": how} | parcel.data
    data |= {"seal": seal} if seal else {}
    data |= {"due_ms": ms(due)} if due else {}
    data |= {"centi_c": centi_c} if centi_c is not None else {}
    data |= {"note": note} if note else {}
    passed = gate.through(tubes, assay, ms(timezone.now())) if assay else None
    data |= passed.data if passed else {}
    lines = [line | parcel.line(line["t"]) for line in gate.lines_for(tubes, passed)]
    last = both(passed.again if passed else None, before)
    said: dict[str, Any] = {"key": key, "at": at, "data": data, "lines": lines, "before": last}
    # written out, so that the check that both ask the gate can read it
    return perform(actor, "shipped", **said) if kind == "shipped" else perform(actor, "handed_off", **said)


def both(*steps: Callable[[], None] | None) -> Callable[[], None] | None:
    """What is to be done inside the transaction, one after the other."""
    wanted = [step for step in steps if step]

    def do() -> None:
        for step in wanted:
            step()

    return do if wanted else None


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
    actor: Actor, key: str, handoff: str, results: Mapping[str, str], *, counted: int, **more: Any
) -> Recorded:
    """The other side; see `receiving.receive`."""
    from biobank.handoffs import receiving  # not above: it asks this file for `again` and `offered`

    return receiving.receive(actor, key, handoff, results, counted=counted, **more)


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
