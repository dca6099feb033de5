"""What is done to stored tubes and to the places they are stored in.

Promises: every function raises Refused (code, sentence) and changes nothing, or returns the id of its one
event; the same key again returns the same id and writes nothing. That a slot exists is checked here, that
no other tube is in it by the ledger.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial
from typing import Any

from django.core.exceptions import ValidationError
from django.utils import timezone

from biobank.acting import Actor, ms, saving
from biobank.bench.hands import in_hand, repeated, write
from biobank.checks import gate
from biobank.core import codes
from biobank.core.grid import Grid, Slot
from biobank.models import Agency, Unit
from biobank.store.classes import check_class, targets
from biobank.store.queries import LOOSE, unit_by_code
from custody import queries as ledger
from custody.core.refusal import Refused

Lines = list[dict[str, Any]]


def put_away(
    actor: Actor,
    key: str,
    tubes: Sequence[str],
    unit: str,
    slot: str = "",
    at: datetime | None = None,
    why: str = "",
) -> str:
    """One `put_away` event: the tubes, in this order, into free slots from `slot` on (empty: the first free).

    `slot` in the box's own naming. Units in which tubes stand loose (a cooler, a bench) take no slot.
    why: needed when the place is of a warmer class than planned; kept as the event's note.
    """
    if repeated(actor, key, "put_away"):
        return key
    place = known_unit(unit)
    for code, state in in_hand(actor, tubes).items():
        if state.status == "stored":
            where = f"{codes.show(code)}: this tube is in {state.unit} already; move it instead."
            raise Refused("tube_already_stored", where, code)
    lines = places(place, tubes, slot)
    check_class(place.code, targets(tubes), why)
    send = partial(write, actor, "put_away", key, at, data={"note": why.strip()})
    return _into(place, tubes, slot, lines, send)


def move(
    actor: Actor,
    key: str,
    tubes: Sequence[str],
    unit: str,
    slot: str = "",
    at: datetime | None = None,
    why: str = "",
) -> str:
    """One `moved` event for tubes that are stored; slots and `why` as in `put_away`."""
    if repeated(actor, key, "moved"):
        return key
    place = known_unit(unit)
    _stored(actor, tubes, "put it away instead")
    lines = places(place, tubes, slot)
    check_class(place.code, targets(tubes), why)
    send = partial(write, actor, "moved", key, at, data={"note": why.strip()})
    return _into(place, tubes, slot, lines, send)


def pull(
    actor: Actor, key: str, tubes: Sequence[str], why: str, at: datetime | None = None, assay: str = ""
) -> str:
    """One `pulled` event: out of storage, into somebody's hands.

    assay  for which analysis; then every tube must pass the gate, and the event keeps its verdicts. Empty:
           for none, and the reason says what for.
    Refused: reason_required, not_stored, assay_not_chosen, those of `in_hand` and of the gate.
    """
    if repeated(actor, key, "pulled"):
        return key
    reason = _what_for(why, assay)
    _stored(actor, tubes, "it cannot be pulled")
    if not assay:
        return write(actor, "pulled", key, at, _subjects(tubes), {"why": reason})
    passed = gate.through(tubes, assay, ms(timezone.now()))
    said = {"why": reason, **passed.data}
    return write(actor, "pulled", key, at, gate.lines_for(tubes, passed), said, before=passed.again)


def _what_for(why: str, assay: str) -> str:
    if assay:
        return why.strip() or f"for {gate.known_assay(assay).name}"
    if named := gate.meant(why):
        sentence = (
            f"“{why.strip()}” is an analysis. Choose {named.name} as such, so that the tubes are checked."
        )
        raise Refused("assay_not_chosen", sentence)
    return stated(why)


def thaw(actor: Actor, key: str, tubes: Sequence[str], why: str = "", at: datetime | None = None) -> str:
    """One `thawed` event: each of these tubes counts one thaw more."""
    if repeated(actor, key, "thawed"):
        return key
    in_hand(actor, tubes)
    return write(actor, "thawed", key, at, _subjects(tubes), {"why": why.strip()})


def _subjects(tubes: Sequence[str]) -> list[dict[str, Any]]:
    return [{"t": code, "role": "subj"} for code in tubes]


def _stored(actor: Actor, tubes: Sequence[str], instead: str) -> None:
    for code, state in in_hand(actor, tubes).items():
        if state.status != "stored":
            raise Refused("not_stored", f"{codes.show(code)}: this tube is in no unit; {instead}.", code)


def stated(why: str) -> str:
    if not why.strip():
        raise Refused("reason_required", "Say why.")
    return why.strip()


# slots ------------------------------------------------------------------------------------------


def known_unit(text: str) -> Unit:
    """The unit with this code, however it is capitalised; Refused `unit_unknown`."""
    found = unit_by_code(text)
    if found is None:
        raise Refused("unit_unknown", f"There is no unit with the code “{text.strip()[:20]}”.")
    return found


def places(unit: Unit, tubes: Sequence[str], slot: str) -> Lines:
    """The lines that say where each tube goes; Refused when they do not fit."""
    if unit.kind != "box":
        _takes_loose(unit, slot)
        return [{"t": code, "role": "subj", "unit": unit.code} for code in tubes]
    taken = {(state.row, state.col): state.tube for state in ledger.find(unit=unit.code, row__isnull=False)}
    free = free_slots(unit, taken, slot, len(tubes))
    return [
        {"t": code, "role": "subj", "unit": unit.code, "row": row, "col": col}
        for code, (row, col) in zip(tubes, free, strict=True)
    ]


def _into(unit: Unit, tubes: Sequence[str], slot: str, lines: Lines, send: Callable[..., str]) -> str:
    """Send it. When somebody else took a slot between our look and our writing, look again: then the next
    free one is another, or a slot that was named is refused with who sits in it."""
    for _ in range((unit.rows or 0) * (unit.cols or 0)):  # each time somebody was faster, a slot was filled
        try:
            return send(lines=lines)
        except Refused as no:
            if no.code != "slot_taken":
                raise
        lines = places(unit, tubes, slot)
    return send(lines=lines)


def _takes_loose(unit: Unit, slot: str) -> None:
    if unit.kind not in LOOSE:
        raise Refused(
            "not_a_box", f"{unit.code} is a {unit.kind}, not a box. Scan the box that the tubes go into."
        )
    if slot.strip():
        raise Refused("not_a_box", f"{unit.code} is a {unit.kind} and has no slots. Leave the slot empty.")


def free_slots(unit: Unit, taken: dict[Any, str], slot: str, wanted: int) -> list[Slot]:
    """So many free slots, from the named one on (empty: from the first free one), as the box counts."""
    grid = unit.grid
    start = grid.parse(slot) if slot.strip() else (1, 1)
    if slot.strip() and start in taken:
        raise Refused("slot_taken", taken_sentence(unit, grid, start, taken))
    free = grid.free_from(start, set(taken))
    if len(free) < wanted:
        raise Refused(
            "box_full", full_sentence(unit, len(free), wanted, grid.name(*start) if slot.strip() else "")
        )
    return free[:wanted]


def taken_sentence(unit: Unit, grid: Grid, start: Slot, taken: dict[Any, str]) -> str:
    later = next(iter(grid.free_from(start, set(taken))), grid.next_free(set(taken)))
    advice = f"the next free slot is {grid.name(*later)}" if later else "the box is full"
    return f"{grid.name(*start)} of {unit.code} holds {codes.show(taken[start])}; {advice}."


def full_sentence(unit: Unit, free: int, wanted: int, start: str) -> str:
    where = f"{unit.code} from {start} on" if start else unit.code
    if not free:
        return f"{where} is full. Take another box."
    return f"{where} has room for {free}, not for {wanted}. Put {free} here and the rest into another box."


# units ------------------------------------------------------------------------------------------


def add_unit(
    actor: Actor,
    key: str,
    *,
    code: str,
    kind: str,
    name: str,
    reason: str,
    parent: str = "",
    rows: int | None = None,
    cols: int | None = None,
    naming: str = "A1",
    nominal_centi: int | None = None,
    alarm_above_centi: int | None = None,
    alarm_below_centi: int | None = None,
    agency: Agency | None = None,
    at: datetime | None = None,
) -> str:
    """A new unit (of the actor's agency, unless another is given), and one `moved` event that says in what it
    stands (empty parent: in nothing). The row and the event are written together or not at all."""
    if repeated(actor, key, "moved"):
        return key
    why, above = stated(reason), holder(parent)
    unit = Unit(
        code=code.strip().upper(), kind=kind, name=name.strip(), agency=agency or actor.person.agency,
        rows=rows, cols=cols, naming=naming, nominal_centi=nominal_centi, alarm_above_centi=alarm_above_centi,
        alarm_below_centi=alarm_below_centi,
    )  # fmt: skip
    _valid(unit)

    def save() -> None:
        with saving(actor.person.user, why, unit):
            unit.save(force_insert=True)

    return write(actor, "moved", key, at, [_stands(unit, above)], {"reason": why}, before=save)


def move_unit(actor: Actor, key: str, unit: str, to: str, reason: str, at: datetime | None = None) -> str:
    """One `moved` event: the unit, with all that is in it, into another (empty: it stands in nothing)."""
    if repeated(actor, key, "moved"):
        return key
    why, moving, above = stated(reason), known_unit(unit), holder(to)
    if above and above.pk == moving.pk:
        raise Refused("unit_inside_itself", f"{moving.code} cannot stand inside itself.")
    standing = ledger.units()
    if moving.code in standing and standing[moving.code] == (above.code if above else None):
        where = f"stands in {above.code}" if above else "stands in nothing"
        raise Refused("unit_already_there", f"{moving.code} {where} already.")
    return write(actor, "moved", key, at, [_stands(moving, above)], {"reason": why})


def holder(text: str) -> Unit | None:
    """The unit that shall hold another; None for an empty text."""
    if not text.strip():
        return None
    found = known_unit(text)
    if found.kind == "box":
        raise Refused("unit_holds_tubes", f"{found.code} is a box: it holds tubes, not units.")
    return found


def _stands(unit: Unit, above: Unit | None) -> dict[str, Any]:
    return {"u": unit.code, "role": "subj", "to": above.code if above else None}


def _valid(unit: Unit) -> None:
    if unit_by_code(unit.code) is not None:
        raise Refused("unit_exists", f"There is a unit with the code {unit.code} already.")
    if (unit.kind == "box") != bool(unit.rows and unit.cols):
        raise Refused("unit_malformed", "A box has rows and columns; no other unit has.")
    try:
        unit.full_clean()
    except ValidationError as why:
        raise Refused("unit_malformed", " ".join(why.messages)) from why
