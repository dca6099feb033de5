"""What can be done from the work list: let a held item in, set it aside, close a finding; devices.

Promises: each says who and why; letting in and closing are in the ledger, in the name of whoever did it.
"""

from __future__ import annotations

from biobank.acting import Actor, perform
from biobank.ledger import queries
from custody import devices, sync
from custody.core.canon import nfc
from custody.core.refusal import Refused
from custody.record import known


def let_in(actor: Actor, pk: int, note: str) -> str:
    """Take a held item as it is; returns its event. Refused: as `custody.sync.let_in`."""
    row = queries.held(pk)
    if row and row.settled_as == "let_in" and row.event_id and known(row.event_id):
        return row.event_id  # the form was sent twice
    return sync.let_in(pk, login=actor.login, note=nfc(note)).id


def set_aside(actor: Actor, pk: int, note: str) -> None:
    """Close a held item without taking it. Refused: held_unknown, held_settled."""
    row = queries.held(pk)
    if row and row.settled_as == "set_aside" and (row.settled_by, row.note) == (actor.login, nfc(note)):
        return  # the form was sent twice
    sync.set_aside(pk, login=actor.login, note=nfc(note))


def close(actor: Actor, key: str, event: str, subject: str, code: str, note: str) -> None:
    """Say what is true about a finding of a tube; the event takes it from the list.

    Refused: finding_gone, finding_of_a_unit, and as `perform`.
    """
    found = queries.finding(event, subject, code)
    if found is None and not known(key):
        raise Refused("finding_gone", "This finding is not open any more.")
    if code == queries.UNIT_CODE:
        raise Refused("finding_of_a_unit", "Move the unit to where it stands; that closes the finding.")
    data = {"code": code, "finding": event, "note": note}
    perform(actor, "discrepancy_resolved", key=key, data=data, lines=[{"t": subject, "role": "subj"}])


def register(actor: Actor, code: str, label: str, org: str, person: str, public_key: str) -> None:
    """Let a device send. Refused: device_malformed, device_known, key_malformed."""
    devices.register(code, nfc(label), org, login=actor.login, person=person, public_key=public_key)


def revoke(actor: Actor, code: str, why: str) -> None:
    """Hold what it sends from now on. Refused: device_unknown."""
    devices.revoke(code, login=actor.login, why=nfc(why))
