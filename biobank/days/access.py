"""Who may sign a field day off, and that a day which is signed off changes for a reason only.

Promises: every action that changes what a day says asks `may_change` first; nothing is written here.
"""

from __future__ import annotations

from biobank.access import may
from biobank.models import FieldDay, Person
from custody.core.refusal import Refused


def may_change(day: FieldDay | None, reason: str) -> None:
    """Refused: day_closed, when this day is signed off and nobody says why it changes all the same."""
    if day is not None and day.closed and not reason.strip():
        raise Refused("day_closed", f"The field day {day} is closed. Say why it changes all the same.")


def may_close(who: Person, day: FieldDay) -> bool:
    """The lead of the day, a curator and an administrator may sign it off and open it again."""
    return day.lead_id == who.pk or may(who, "curate")


def may_account(who: Person, day: FieldDay) -> bool:
    """Who fills tubes, who works at the bench, and who may sign off."""
    return may(who, "draw") or may(who, "bench") or may_close(who, day)


def closer(who: Person, day: FieldDay) -> None:
    """Refused: not_the_lead."""
    if not may_close(who, day):
        lead = day.lead or "nobody yet"
        raise Refused(
            "not_the_lead", f"Its lead ({lead}), a curator or an administrator signs a field day off."
        )
