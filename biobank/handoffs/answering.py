"""What a receiver without a login is shown: tubes beside scans, and the receipt.

Promises: of a tube its code, label and type, nothing else; a code that is not on the list is not answered
with whether we know it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from biobank.handoffs.paper import qr
from biobank.handoffs.receive_found import plain
from biobank.models import HandoffLink
from custody import checkpoints
from custody import queries as ledger
from custody.core.reconcile import Reconciled, reconcile
from custody.core.refusal import Refused
from custody.core.state import TubeState


@dataclass(frozen=True)
class Beside:
    """The list of a handoff beside what was scanned. `extra` may be said of a tube that the giver holds."""

    found: Reconciled
    states: dict[str, TubeState]
    extra: Sequence[str]

    @property
    def odd(self) -> list[str]:
        """Codes that are not on the list, ours or not: one list for both."""
        return sorted({*self.found.extra, *self.found.foreign})


def beside(link: HandoffLink, scans: Sequence[str], counted: int) -> Beside:
    """Open tubes of the handoff and the scans. An extra tube is one that the giver holds and has given to
    nobody; any other code is foreign here, so that nobody can ask by this page where a tube is. 4 queries."""
    open_ = {one.tube: one for one in ledger.find(pending_ref=str(link.handoff))}
    said = ledger.event(str(link.handoff))
    giver = said.header["org"] if said else ""
    others = ledger.states(set(scans) - set(open_))
    ours = sorted(code for code, state in others.items() if _with(giver, state))
    found = reconcile(open_, scans, counted, ours)
    return Beside(found, open_, found.extra)


def _with(giver: str, state: TubeState) -> bool:
    held = state.status not in {"unknown", "void", "labelled", "discarded"}
    return held and state.custodian == giver and not state.pending_ref


def seal(link: HandoffLink, said: Mapping[str, Any]) -> dict[str, Any]:
    """What was seen of the seal: `seal_intact`, `seal` and `bare`, which is none where one should be. That
    counts as not intact. Refused `seal_needed`: a seal that is there has a number."""
    if said["seal_intact"] == "yes" and not said["seal"]:
        raise Refused("seal_needed", "Type the number of the seal as you read it on the container.")
    bare = said["seal_intact"] == "none" and bool(_sealed(link))
    intact = False if bare else {"yes": True, "no": False}.get(said["seal_intact"])
    return {"seal_intact": intact, "seal": said["seal"], "bare": bare}


def seal_differs(link: HandoffLink, read: str) -> bool:
    """Whether a number was read that is not the one of the sender; which that is, is not told."""
    return bool(read) and plain(read) != plain(_sealed(link))


def _sealed(link: HandoffLink) -> str:
    told = ledger.told([str(link.handoff)])[str(link.handoff)]
    return str(told.header["data"].get("seal", ""))


def receipt(event: str) -> dict[str, Any]:
    """The answer as it counts, and a checkpoint that holds it. Of what was not on the list the code alone."""
    told = ledger.told([event])[event]
    listed = [line for line in told.lines if line["result"] != "extra"]
    states = ledger.states(line["t"] for line in listed)
    made = checkpoints.for_paper(told.said.seq)
    return {
        "told": told, "header": told.header, "odd": _odd(told),
        "rows": [(states[line["t"]], line["result"]) for line in listed],
        "checkpoint": made, "symbol": qr(made.short) if made else "",
    }  # fmt: skip


def _odd(told: ledger.Told) -> list[str]:
    extra = [line["t"] for line in told.lines if line["result"] == "extra"]
    foreign = [one.strip() for one in str(told.header["data"].get("foreign", "")).split(",")]
    return sorted(one for one in [*extra, *foreign] if one)
