"""Who may say how much blood is taken.

Promises: the programme's veterinarian and an administrator, nobody else; nothing is written here.
"""

from __future__ import annotations

from biobank.access import may
from biobank.models import Person
from custody.core.refusal import Refused


def may_set(who: Person) -> bool:
    return who.veterinarian or may(who, "register")


def setter(who: Person) -> None:
    """Refused: not_the_veterinarian."""
    if not may_set(who):
        raise Refused(
            "not_the_veterinarian",
            "The veterinarian of the programme, or an administrator, says how much blood may be taken.",
        )
