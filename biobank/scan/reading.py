"""From the text of a scan to what it names: `core.acted`, and the units that the database knows.

Promises: no query for tubes, bags, cards and badges; at most one for anything else. A text that only a
scanner set to another keyboard can have typed is said to be so.
"""

from __future__ import annotations

from biobank.core import acted, codes
from biobank.models import Unit
from biobank.scan.turn import UNIT, Read
from custody.core.refusal import Refused


def read(raw: str, slots: bool = False) -> Read:
    """slots: whether a box is at hand, so that `A1` is a slot of it and no place of its own.

    Refused: as `core.acted.read`, and action_unknown, scanner_layout.
    """
    got = acted.read(raw)
    if got.kind in {acted.SLOT, acted.OTHER} and not (got.kind == acted.SLOT and slots):
        return _named(got, raw)
    return Read(got.kind, got.text, raw, got.mended)


def _named(got: acted.Acted, raw: str) -> Read:
    units = list(Unit.objects.select_related("agency").filter(code__in=[*got.guesses, raw.strip()])[:2])
    if len(units) == 1:
        unit = units[0]
        return Read(UNIT, unit.code, raw, unit.code.upper() != got.guesses[0], unit)
    if got.text.startswith("DO-"):
        raise Refused("action_unknown", f"There is no action card {got.text[:30]}. Print the cards anew.")
    if units or acted.strange(raw):
        raise acted.layout(raw)
    return Read(*_set(got), raw)


def _set(got: acted.Acted) -> tuple[str, str]:
    """A typed set code names its bag; anything else stays what it is."""
    if got.kind == acted.OTHER and len(got.text) == codes.SET_LENGTH:
        try:
            return acted.BAG, codes.bag(got.text)
        except Refused:
            pass
    return got.kind, got.text
