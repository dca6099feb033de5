"""What the ledger says of a tube and of a unit at one moment, and what a history is made of.

Promises: values only. Nothing here decides; `fold` does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

NOTHING: Mapping[str, Any] = {}  # of an event whose lines are yet to be read
STATUSES = ["unknown", "labelled", "not_collected", "held", "stored", "in_transit", "discarded", "void"]
FULL = {"held", "stored", "in_transit"}  # there is something in the tube
FILLED = FULL | {"discarded"}  # there is or was


@dataclass(frozen=True)
class TubeState:
    """Where a tube is, who answers for it, what is in it.

    status       one of STATUSES; `unknown` until a label is printed or a parent makes it
    custodian    agency code; None before printing and after discarding
    by           person code of who acted last
    pending_to   agency to which it was handed off and which has not answered
    pending_ref  id of that handoff
    unit,row,col place; row and col are 1-based, both or neither. A tube that is handed off keeps the cooler
                 or shipper in which it travels until it is received, and gives up a slot in a box
    contested    more than one tube's latest claim is this slot
    volume_ul    microlitres, never below 0; None when it was not measured
    disputes     open discrepancies; copies: reprinted labels
    *_ms         UTC milliseconds; seen_ms last time somebody saw it in place
    """

    tube: str
    status: str = "unknown"
    custodian: str | None = None
    by: str | None = None
    pending_to: str | None = None
    pending_ref: str | None = None
    unit: str | None = None
    row: int | None = None
    col: int | None = None
    contested: bool = False
    volume_ul: int | None = None
    parent: str | None = None
    workup: str | None = None
    label: str = ""
    matrix: str = ""
    additive: str = ""
    container: str = ""
    thaws: int = 0
    disputes: int = 0
    copies: int = 0
    reserved: bool = False
    drawn_ms: int | None = None
    seen_ms: int | None = None
    last_ms: int | None = None
    seq: int = 0

    @property
    def has_content(self) -> bool:
        return self.status in FULL


BLANK = TubeState("")


def replace(state: TubeState, **changes: Any) -> TubeState:
    """`dataclasses.replace` for tubes, in a fifth of the time: a rebuild makes millions of states."""
    made = _new(TubeState)
    _set(made, "__dict__", state.__dict__ | changes)  # what its `__init__` would make, field by field
    return made


_new, _set = object.__new__, object.__setattr__


@dataclass(frozen=True)
class UnitState:
    """What a unit stands in (None: nothing, it is a top)."""

    unit: str
    parent: str | None = None
    by: str | None = None
    last_ms: int | None = None
    seq: int = 0


class Happening(NamedTuple):
    """One line of one event, as it counts today: corrections are in it, `voided` says it counts no more.

    ref_at_ms  when the event that it answers happened; an answer is never ordered before it
    amended    ids of the events that voided or corrected it, oldest first
    """

    seq: int
    id: str
    kind: str
    at_ms: int
    by: str
    org: str
    line: Mapping[str, Any]
    n: int = 0
    off_min: int = 0
    tz: str = "UTC"
    unc_s: int = 0
    rec_by: str = ""
    rec_at: int = 0
    recorded_ms: int = 0
    login: str = ""
    via: str = ""
    data: Mapping[str, Any] = NOTHING
    ref: str | None = None
    ref_at_ms: int | None = None
    voided: bool = False
    corrected: bool = False
    amended: tuple[str, ...] = ()


LINE, AFTER = Happening._fields.index("line"), Happening._fields.index("n") + 1  # n comes right after line


def beside(said: Happening, n: int, line: Mapping[str, Any]) -> Happening:
    """Another line of the same event."""
    return Happening._make((*said[:LINE], line, n, *said[AFTER:]))


@dataclass(frozen=True)
class Stay:
    """A tube in a place from start to end (None: still there), UTC milliseconds."""

    unit: str
    row: int | None
    col: int | None
    start_ms: int
    end_ms: int | None


@dataclass(frozen=True)
class UnitStay:
    """A unit in another from start to end (None: still there)."""

    parent: str | None
    start_ms: int
    end_ms: int | None


@dataclass(frozen=True)
class Problem:
    """A broken invariant: what, about which tube or unit, caused by which event, in a sentence."""

    code: str
    subject: str
    event: str
    sentence: str
