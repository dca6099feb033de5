"""How a rotor came to be as it is: who changed what, when and why.

Promises: 1 query; newest first.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from biobank.models import Rotor

UNITS = {"name": "", "places": "", "radius_mm": " mm", "max_rpm": " rpm"}
WORDS = {"name": "name", "places": "places", "radius_mm": "radius", "max_rpm": "largest speed"}


@dataclass(frozen=True)
class Step:
    when: datetime
    who: str
    why: str
    what: list[str]


def history_of(rotor: Rotor) -> list[Step]:
    rows = list(rotor.history.select_related("history_user__person").order_by("history_date", "history_id"))
    pairs = zip([None, *rows], rows, strict=False)
    return [Step(row.history_date, _name(row), _why(row), _what(old, row)) for old, row in pairs][::-1]


def _name(row: Any) -> str:
    person = getattr(row.history_user, "person", None)
    return person.name if person else str(row.history_user or "")


def _why(row: Any) -> str:
    return row.history_change_reason or "saved"


def _what(old: Any, row: Any) -> list[str]:
    if old is None:
        return [f"{WORDS[name]} {getattr(row, name)}{unit}" for name, unit in UNITS.items()]
    said = [
        f"{WORDS[name]} {getattr(old, name)}{unit}, now {getattr(row, name)}{unit}"
        for name, unit in UNITS.items()
        if getattr(old, name) != getattr(row, name)
    ]
    if old.retired != row.retired:
        said.append("taken out of use" if row.retired else "in use again")
    return said
