"""What the page of scans shows: what is expected next, what is collected, what was answered.

Promises: a fixed number of queries in each mode, however much is collected and stored; `expected` (only asked
when a label cannot be read) takes 3 more.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils import timezone

from biobank.acting import Actor, ms
from biobank.amend.undoing import UNDO_S
from biobank.core import codes
from biobank.core.acted import MODES
from biobank.models import Pass, Tube
from biobank.scan import pour, runs
from biobank.scan.turn import NO, Bag
from biobank.store.queries import unit_by_code
from custody import queries as ledger
from custody.core.state import TubeState

MOST_EXPECTED = 60
SIGNS = {"ok": "done", "beware": "caution", "no": "stop"}
WORDS = {"ok": "done", "beware": "beware", "no": "not done"}
RESULTS = {"ok": "ok", "beware": "beware", "no": "refused"}  # for answer.js


@dataclass(frozen=True)
class Line:
    """One answer of the list. undo: it can be taken back here; late: only put right on its event's page."""

    said: dict[str, Any]
    undo: bool
    late: bool

    @property
    def sign(self) -> str:
        return SIGNS[self.said["word"]]

    @property
    def words(self) -> str:
        """What is only collected was read; nothing is done with it before Done."""
        only_read = self.said["taken"] or self.said["mode"] == "look-up"
        return "read" if self.said["word"] == "ok" and only_read else WORDS[self.said["word"]]

    @property
    def result(self) -> str:
        return RESULTS[self.said["word"]]

    @property
    def asks(self) -> str:
        """The return about which it is open whether a thaw is counted; nothing for what was taken back."""
        return "" if self.said.get("undone") else self.said.get("asks", "")

    @property
    def after(self) -> str:
        """The mode in which one went on: a card that only changes it belongs to the one it changes to."""
        return self.said.get("to") or self.said["mode"]

    @property
    def mode(self) -> str:
        return MODES[self.said["mode"]]


def lines(row: Pass) -> list[Line]:
    """What was scanned, newest first."""
    now = ms(timezone.now())
    return [_line(row, one, now) for one in row.said]


def _line(row: Pass, one: dict[str, Any], now: int) -> Line:
    fresh = now - one["at"] <= UNDO_S * 1000
    possible = undoable(row, one)
    event = bool(one["event"])
    return Line(one, possible and (fresh or not event), possible and event and not fresh)


def undoable(row: Pass, one: dict[str, Any]) -> bool:
    """An act, or something that is collected still."""
    if one.get("undone") or one["word"] == NO:
        return False
    return bool(one["event"]) or (
        bool(one["taken"]) and one["taken"] in collected(row.held.get(one["mode"], {}))
    )


def newest_undoable(row: Pass) -> dict[str, Any] | None:
    return next((dict(one) for one in row.said if undoable(row, one)), None)


def collected(bag: Bag) -> set[str]:
    """Codes of the tubes in a bag."""
    tubes = {one["t"] if isinstance(one, dict) else one for one in bag.get("tubes", [])}
    return tubes | {*bag.get("made", [])} | {bag[name] for name in ("tube", "parent") if bag.get(name)}


def expects(mode: str, bag: Bag) -> str:
    """What the field waits for, after the word Scan."""
    if mode == "put-away":
        return _place_expected(bag)
    if mode == "aliquot" and bag.get("parent"):
        vial = pour.expected(bag)
        return f"{codes.show(vial['t'])}, {vial['label']}" if vial else "Done: that was the last vial"
    if mode == "pull":
        return "a tube to take out" if bag.get("why") else "nothing yet: type what the tubes are pulled for"
    return {
        "receive": "the next tube, or Done" if bag.get("handoff") else "a tube that was handed to you",
        "spin": "the tubes of one run, then Done",
        "aliquot": "the tube to aliquot",
        "look-up": "a tube, a bag or a place",
        "discard": "the tubes to discard, then Done",
    }[mode]


def _place_expected(bag: Bag) -> str:
    if bag.get("tube"):
        where = f"a slot of {bag.get('hint') or bag.get('box')}, or a box," if _box(bag) else "the box"
        return f"{where} for {codes.show(bag['tube'])}"
    if bag.get("slot"):
        return f"the tube for {bag['slot']} of {bag['box']}"
    return f"a tube for {bag['box']}" if bag.get("box") else "a tube, or the box that tubes go into"


def _box(bag: Bag) -> str:
    return str(bag.get("hint") or bag.get("box") or "")


@dataclass(frozen=True)
class Room:
    """The box in force. next: its next free slot; empty when there is none, or no slots."""

    code: str
    name: str
    next: str
    held: int
    slots: int


def room(bag: Bag) -> Room | None:
    """2 queries when a box is in force or proposed."""
    unit = unit_by_code(_box(bag)) if _box(bag) else None
    if unit is None:
        return None
    if unit.kind != "box":
        return Room(unit.code, unit.name, "", 0, 0)
    taken = {(one.row or 0, one.col or 0) for one in ledger.find(unit=unit.code, row__isnull=False)}
    free = unit.grid.next_free(taken)
    slots = unit.grid.rows * unit.grid.cols
    return Room(unit.code, unit.name, unit.grid.name(*free) if free else "", len(taken), slots)


def shown(mode: str, bag: Bag) -> dict[str, Any]:
    """What the page needs beyond the bag itself."""
    if mode == "put-away":
        return {"room": room(bag)}
    if mode == "receive" and bag.get("asked"):
        return {"missing": runs.missing_of(bag)}
    if mode == "aliquot":
        return {"vials": _vials(bag)}
    return {}


def _vials(bag: Bag) -> list[dict[str, Any]]:
    """The vials in rack order, each with what became of it."""
    coming = pour.expected(bag)
    now = coming["t"] if coming else ""
    return [one | {"state": _state(bag, one["t"], now)} for one in bag.get("plan", [])]


def _state(bag: Bag, code: str, now: str) -> str:
    if code in bag["made"]:
        return "filled"
    return "skipped" if code in bag["skipped"] else "next" if code == now else "waits"


# a label that cannot be read ------------------------------------------------------------------------


@dataclass(frozen=True)
class Expected:
    code: str
    label: str


def expected(actor: Actor, mode: str, row: Pass) -> list[Expected]:
    """Tubes that can be the one in hand: what this mode waits for, of the sets that are being worked on."""
    bag = row.held.get(mode, {})
    if mode == "aliquot" and bag.get("parent"):
        past = {*bag["made"], *bag["skipped"]}
        return [Expected(one["t"], one["label"]) for one in bag["plan"] if one["t"] not in past]
    if mode == "receive":
        missing = runs.missing_of(bag) if bag.get("asked") else []
        return [Expected(one.tube, one.label) for one in missing]
    status = "stored" if mode == "pull" else "held"
    there = [one for one in _of_sets(actor, row) if mode == "look-up" or one.status == status]
    return [Expected(one.tube, one.label) for one in there if one.tube not in collected(bag)][:MOST_EXPECTED]


def _of_sets(actor: Actor, row: Pass) -> Iterable[TubeState]:
    """Tubes of the sets that were scanned lately, that this agency has."""
    sets = {codes.set_of(one["tube"]) for one in row.said if one["tube"]}
    names = Tube.objects.filter(tube_set__code__in=sets).values_list("code", flat=True)
    states = ledger.states(list(names)) if sets else {}
    return [one for _, one in sorted(states.items()) if one.custodian == actor.org and one.has_content]
