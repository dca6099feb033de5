"""One scan and its answer, as the modes of the bench see them.

Promises: values only; a mode that raises Refused has changed nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from biobank.acting import Actor
from biobank.models import Unit
from custody.core.refusal import Refused

UNIT = "unit"
OK, BEWARE, NO = "ok", "beware", "no"
Bag = dict[str, Any]  # what is collected in a mode, as the Pass keeps it
Change = Callable[[Bag], None]


@dataclass(frozen=True)
class Read:
    """What was scanned. kind: as in `core.acted`, and UNIT (then `unit`); raw: as it came."""

    kind: str
    text: str
    raw: str = ""
    mended: bool = False
    unit: Unit | None = None


@dataclass(frozen=True)
class Turn:
    """key: becomes the id of the event, if there is one. why: said beside the scan, for a warmer place."""

    actor: Actor
    key: str
    read: Read
    bag: Bag
    why: str = ""


def nothing(bag: Bag) -> None:
    """The change of an answer that collects nothing."""


@dataclass(frozen=True)
class Answer:
    """What was done.

    tube    which one it was about; event: the id of the event that was written
    taken   a code that is collected now and can be taken back
    change  what becomes of what is collected
    mode    the mode to go on in; go: an address to go to (empty: stay)
    asks    the id of a return, when it is open whether a thaw is counted for it
    """

    sentence: str
    word: str = OK
    tube: str = ""
    event: str = ""
    taken: str = ""
    code: str = ""
    change: Change = field(default=nothing)
    mode: str = ""
    go: str = ""
    asks: str = ""


Mode = Callable[[Turn], Answer]
KINDS = {
    "tube": "a tube",
    "bag": "the label of a bag",
    "unit": "a place",
    "slot": "a slot",
    "paper": "the paper of a handoff",
    "badge": "a badge",
    "action": "an action card",
}


def not_here(turn: Turn, expected: str) -> Refused:
    """This was understood, and does not belong here."""
    read = turn.read
    if read.kind not in KINDS:
        sentence = f"“{read.raw.strip()[:40]}” is no code that is known here. Scan {expected}."
        return Refused("scan_unknown", sentence)
    shown = read.unit.code if read.unit else read.text
    return Refused("scan_not_here", f"{shown} is {KINDS[read.kind]}. Scan {expected}.")


def no_such_step(turn: Turn) -> Refused:
    return Refused("action_not_here", "This card does nothing in this mode.")
