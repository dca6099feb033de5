"""What may be undone at once, by whom, and for how long.

Promises: 10 seconds after it was recorded, by the server's clock; 5 more are let pass for a slow network.
What changed more than the ledger (labels, sets, a new unit, an import) is not undone by a click.
"""

from __future__ import annotations

from custody import queries as ledger
from custody.core.event import derived_id
from custody.record import known

UNDO_S, GRACE_S = 10, 5
# taken back as a whole set, rows and all
SETS_PAGE = {"label_printed", "packed", "issued", "returned", "bound", "closed"}
Wrong = tuple[str, str]


def undo_wrong(told: ledger.Told | None, code: str, now_ms: int) -> Wrong | None:
    """Why this event cannot be undone by this person now, if so."""
    if told is None:
        return "event_unknown", "There is no such event to undo."
    if told.said.header["by"] != code or told.said.header["rec_by"] != code:
        return "undo_not_yours", "Only the person who did this can undo it."
    if told.voided:
        return "event_voided", "This does not count any more already."
    if now_ms - told.said.recorded_ms > (UNDO_S + GRACE_S) * 1000:
        return (
            "undo_too_late",
            f"Undo is for {UNDO_S} seconds. Say on the event's page that it did not happen.",
        )
    if not _by_itself(told):
        return "undo_not_here", "This act changed more than one thing. Put it right on the event's page."
    return None


def undoable(key: str, code: str) -> ledger.Told | None:
    """The event that a form with this key has just made, when its person may undo it."""
    told = ledger.told([key]).get(key)
    return told if told and undo_wrong(told, code, told.said.recorded_ms) is None else None


def _by_itself(told: ledger.Told) -> bool:
    """One live event that stands alone: no rows beside it, no second event of the same form."""
    said = told.said
    more = known(derived_id(said.id, "1")) or known(derived_id(said.id, "void"))
    return said.via == "live" and not more and not _with_rows(said)


def _with_rows(said: ledger.Said) -> bool:
    if said.header["kind"] == "voided":
        of = ledger.event(said.header["data"]["of"])
        return of is not None and of.header["kind"] in SETS_PAGE
    units = [line["u"] for line in said.lines if "u" in line]
    new = any(len(stays) < 2 for stays in ledger.unit_stays(units).values()) if units else False
    return said.header["kind"] in SETS_PAGE or new
