"""First needle and last tube of a workup follow the tubes, also when a draw is undone.

Promises: a time that somebody set by hand, or that another draw stands for, stays as it is.
"""

from __future__ import annotations

from datetime import UTC, datetime

from biobank.acting import Actor, saving
from biobank.models import Workup
from custody import queries as ledger

from .clock import minute
from .drawing import BLOOD


def unwind(actor: Actor, said: ledger.Said) -> None:
    """Take back what this act of filling has said of the clock. Any other act changes nothing."""
    workup = Workup.objects.filter(code=said.header["data"].get("workup") or "").first()
    if said.header["kind"] != "drawn" or workup is None:
        return
    gone, stay = _moment(said.header["at"]), _others(workup, said.id)
    new = {
        "first_needle": min((at for at, blood in stay if blood), default=None),
        "last_tube": max((at for at, _ in stay), default=None),
    }
    names = [name for name, at in new.items() if getattr(workup, name) == gone != at]
    for name in names:
        setattr(workup, name, new[name])
    if names:
        with saving(actor.person.user, "a draw was undone", workup):
            workup.save(update_fields=names)


def _others(workup: Workup, event: str) -> list[tuple[datetime, bool]]:
    """When the other tubes of a workup were filled, and whether with blood."""
    matrices = {state.tube: state.matrix for state in ledger.find(workup=workup.code, parent=None)}
    said = [(code, one) for code, history in ledger.histories(matrices).items() for one in history]
    return [
        (_moment(one.at_ms), matrices[code] in BLOOD)
        for code, one in said
        if one.kind == "drawn" and not one.voided and one.id != event
    ]


def _moment(at_ms: int) -> datetime:
    return minute(datetime.fromtimestamp(at_ms / 1000, UTC))
