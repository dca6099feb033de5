"""A carrier's word about a container on its way (grade D): kept, shown, and no answer.

Promises: custody does not change and the handoff stays what it was, offered or overdue.
"""

from __future__ import annotations

from datetime import datetime

from biobank.acting import Actor, ms, perform
from biobank.handoffs.actions import again
from biobank.handoffs.strip import check_may
from custody import queries as ledger
from custody.core.evidence import CARRIER
from custody.core.refusal import Refused
from custody.record import Recorded

LONGEST = 300


def say(actor: Actor, key: str, handoff: str, said: str, at: datetime | None = None) -> Recorded:
    """Note what the carrier said, and when it says that this was.

    Refused: handoff_unknown, not_yours, carrier_said_nothing, time_before_parent, time_in_future.
    """
    offer = check_may(actor, handoff)
    if done := again(actor, key, CARRIER):
        return done
    text = " ".join(said.split())
    if not text or len(text) > LONGEST or not text.isprintable():
        raise Refused("carrier_said_nothing", f"Write what the carrier said, in at most {LONGEST} letters.")
    if at and ms(at) < offer.header["at"]:
        raise Refused("time_before_parent", "This is before the tubes were handed off.")
    return perform(actor, "tracked", key=key, at=at, data={"said": text}, ref=handoff)


def words(handoff: str) -> list[ledger.Told]:
    """What carriers said of this handoff and nobody took back, oldest first. At most 6 queries."""
    found = [one for one in ledger.events(kind=CARRIER, refs=[handoff])]
    told = [one for one in ledger.as_told(found) if not one.voided]
    return sorted(told, key=lambda one: (one.header["at"], one.said.seq))
