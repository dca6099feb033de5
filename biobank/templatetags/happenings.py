"""What an event says beyond its kind, as pairs of words for a timeline.

Promises: every field that the ledger's table of kinds knows gets a word and a unit; a field that is
new there is shown under its own name rather than left out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from biobank.templatetags.signs import MARKS

Say = Mapping[str, Callable[[Any], str]]

SKIPPED = {"t", "u", "role", "row", "col", "result"}  # these stand in the heading, or with the unit
NAMES = {
    "ul": "volume", "loss_ul": "lost", "g": "force", "rpm": "speed", "radius_mm": "rotor radius",
    "minutes": "for", "centi_c": "temperature", "seal_intact": "seal intact", "due_ms": "due",
    "how": "kept", "to": "to", "of": "of", "counted": "counted", "short": "less than planned",
    "recovered_ul": "recovered", "hct_pct": "haematocrit", "haemolysis_cmgdl": "free haemoglobin",
    "lipaemia_cmgdl": "triglycerides", "icterus_cmgdl": "bilirubin",
    "assay": "for the analysis", "rules": "rule set", "verdict": "verdict then", "fact": "as it was",
}  # fmt: skip
UUID_SIZE = 36  # written out
HOW = {
    "hand": "in hand", "view": "in view", "locked": "in a locked place", "secured": "in a secured place",
    "sealed": "under seal",
}  # fmt: skip


def facts(data: Mapping[str, Any], line: Mapping[str, Any], say: Say) -> list[tuple[str, str]]:
    """(name, value) pairs of an event's data and of one of its lines, in the order in which they were said.

    `say` writes the quantities: volume, celsius, when, code, matrix, additive.
    """
    pairs = [
        (NAMES.get(name, name.replace("_", " ")), worded(name, value, say))
        for name, value in {**data, **line}.items()
        if name not in SKIPPED and value not in (None, "")
    ]
    return pairs + place(line)


def place(line: Mapping[str, Any]) -> list[tuple[str, str]]:
    if line.get("row") is None:
        return []
    return [("slot", f"row {line['row']}, column {line['col']}")]


def worded(name: str, value: Any, say: Say) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return ", ".join(f"{NAMES.get(k, k)} {worded(k, v, say)}" for k, v in value.items())
    if name.endswith("_cmgdl"):
        return f"{value / 100:.2f} mg/dL"
    units = {"g": " × g", "rpm": " rpm", "radius_mm": " mm", "minutes": " min", "hct_pct": " %"}
    quantity = {
        "ul": "volume", "loss_ul": "volume", "recovered_ul": "volume", "centi_c": "celsius",
        "due_ms": "when", "matrix": "matrix", "additive": "additive",
    }  # fmt: skip
    if name in quantity:
        return say[quantity[name]](value)
    if name == "of" and isinstance(value, str):
        return f"the event …{value[-6:]}" if len(value) == UUID_SIZE else say["code"](value)
    if name == "verdict" and value in MARKS:
        return MARKS[value][0]
    if name == "how":
        return HOW.get(value, str(value))
    return f"{value}{units[name]}" if name in units else str(value).replace("_", " ")
