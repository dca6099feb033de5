"""Lines of an event as they should have been: another volume, another slot, another tube.

Promises: nothing is written here; each function gives lines for the ledger or raises Refused. A volume, a
slot and a tube are checked as when they are said for the first time; the rest is the ledger's to refuse.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from biobank.acting import ms
from biobank.core import codes
from biobank.field.clock import check_draw
from biobank.field.drawing import Filled, filled_line
from biobank.models import Tube, Workup
from biobank.store.actions import known_unit, places
from custody import queries as ledger
from custody.core.kinds import KINDS
from custody.core.refusal import Refused

DESCRIBED = ("label", "matrix", "additive", "container")
# decisions about a finding as it read then: voided and said anew, never put right
DECIDED = {"override_asked", "override_answered", "deviation_noted", "deviation_closed"}
TUBE_KINDS = {
    name for name, kind in KINDS.items() if kind.lines and name not in {"label_printed", "bound", *DECIDED}
}


def has_volume(told: ledger.Told, line: Mapping[str, Any]) -> bool:
    """Whether a volume was, or could have been, said on this line."""
    return told.said.header["kind"] in {"drawn", "aliquoted"} and "ul" in line


def has_slot(told: ledger.Told, line: Mapping[str, Any]) -> bool:
    return told.said.header["kind"] in {"put_away", "moved"} and "t" in line


def has_tube(told: ledger.Told, line: Mapping[str, Any]) -> bool:
    """Whether "wrong tube" can be said of this line."""
    return told.said.header["kind"] in TUBE_KINDS and "t" in line


def changed(
    told: ledger.Told, volumes: Mapping[int, int], slots: Mapping[int, tuple[str, str]]
) -> list[dict[str, Any]]:
    """What a correction says of lines: only those that differ."""
    found: dict[int, dict[str, Any]] = {}
    for n, ul in volumes.items():
        if ul != _line(told, n).get("ul"):
            found.setdefault(n, {"n": n}).update(_volume(told, n, ul))
    for n, (unit, slot) in slots.items():
        found.setdefault(n, {"n": n}).update(_slot(_line(told, n), unit, slot))
    return [found[n] for n in sorted(found) if _differs(_line(told, n), found[n])]


def _line(told: ledger.Told, n: int) -> dict[str, Any]:
    if not 0 <= n < len(told.lines):
        raise Refused("line_malformed", "This event has no such line.")
    return told.lines[n]


def _differs(line: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    return any(line.get(name) != value for name, value in new.items() if name != "n")


def _volume(told: ledger.Told, n: int, ul: int) -> dict[str, Any]:
    code = _line(told, n)["t"]
    row = Tube.objects.select_related("planned").filter(code=code).first()
    if told.said.header["kind"] == "drawn" and row is not None:
        return {"ul": ul, "short": bool(filled_line(row, Filled(code, ul=ul)).get("short"))}
    if ul <= 0:
        raise Refused(
            "volume_not_positive", f"{codes.show(code)}: the volume must be more than nought.", code
        )
    return {"ul": ul}


def _slot(line: Mapping[str, Any], unit: str, slot: str) -> dict[str, Any]:
    place = known_unit(unit)
    if place.kind != "box":
        loose = places(place, [line["t"]], slot)[0]
        return {"unit": loose["unit"], "row": None, "col": None}
    row, col = place.grid.parse(slot)
    return {"unit": place.code, "row": row, "col": col}


def instead(told: ledger.Told, n: int, tube: str) -> list[dict[str, Any]]:
    """All lines, with another tube on line n, or without it (empty). Empty: no line is left.

    Refused: line_malformed, nothing_changed, line_twice, tube_unknown, tube_of_another_set.
    """
    wrong = _line(told, n)
    if not has_tube(told, wrong):
        raise Refused("line_malformed", "On this line no tube can be put right.")
    if tube == wrong["t"]:
        raise Refused("nothing_changed", "This is the tube that stands there.")
    if not tube:
        return _without(told, n)
    if any(tube == line.get("t") for line in told.lines):
        raise Refused("line_twice", f"{codes.show(tube)} is in this event already.", tube)
    new = _about(told, wrong, _known(told, tube))
    rest = [new if m == n else dict(line) for m, line in enumerate(told.lines)]
    if wrong["role"] == "from":
        rest = [line | ({"of": tube} if line["role"] == "to" else {}) for line in rest]
    return [_said(line) for line in rest]


def _without(told: ledger.Told, n: int) -> list[dict[str, Any]]:
    """An aliquot that was not made leaves its volume in the parent, so both must be said anew."""
    if told.said.header["kind"] == "aliquoted":
        raise Refused("aliquot_balances", "Say which tube it was, or void the whole event and aliquot again.")
    return [_said(line) for m, line in enumerate(told.lines) if m != n]


def _known(told: ledger.Told, tube: str) -> Tube:
    """The row of the right tube; a draw stays within its workup, or blood would change its animal."""
    row = Tube.objects.select_related("planned", "tube_set__workup").filter(code=tube).first()
    if row is None:
        raise Refused("tube_unknown", f"No label with the code {codes.show(tube)} was printed.", tube)
    workup = told.header["data"].get("workup") if told.said.header["kind"] == "drawn" else None
    if workup and (row.tube_set is None or str(row.tube_set.workup) != workup):
        raise Refused("tube_of_another_set", f"{codes.show(tube)} is not a tube of {workup}.", tube)
    return row


def _about(told: ledger.Told, wrong: Mapping[str, Any], row: Tube) -> dict[str, Any]:
    line = dict(wrong) | {"t": row.code}
    line.pop("verdict", None)  # it was the other tube's
    if told.said.header["kind"] == "drawn" and line.get("ul") is not None:
        return {"note": line.get("note")} | filled_line(row, Filled(row.code, ul=line["ul"]))
    if line["role"] == "to":
        line |= {name: getattr(row, name) for name in DESCRIBED}
    return line


def _said(line: Mapping[str, Any]) -> dict[str, Any]:
    """Without fields that say nothing."""
    return {name: value for name, value in line.items() if value not in (None, "") or name == "ul"}


def check_draw_time(told: ledger.Told, at: datetime) -> None:
    """A tube is filled after its label was printed, while the animal is in hand.

    Refused: time_before_parent, time_before_capture, time_after_release.
    """
    if told.said.header["kind"] != "drawn":
        return
    for tube, said in ledger.histories([line["t"] for line in told.lines]).items():
        if said and said[0].kind == "label_printed" and said[0].at_ms > ms(at):
            sentence = f"The label {codes.show(tube)} was printed later than that."
            raise Refused("time_before_parent", sentence, tube)
    workups = Workup.objects.select_related("day__site__programme")
    workup = workups.filter(code=told.header["data"].get("workup", "")).first()
    if workup is not None:
        check_draw(workup, told.lines[0]["t"], at)
