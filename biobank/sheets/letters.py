"""Why a tube was not collected, as one letter that is quickly written with a wet hand.

A letter never changes its meaning: sheets that were printed stay in the field for years.
"""

from __future__ import annotations

from biobank.field.drawing import OTHER

LETTERS: dict[str, str] = {
    "F": "flow stopped",
    "L": "blood limit reached",
    "R": "animal released early",
    "T": "tube failed",
    "N": "not needed",
    "O": OTHER,
}
WORDS: dict[str, str] = {
    "F": "flow stopped",
    "L": "blood limit reached",
    "R": "released early",
    "T": "tube failed",
    "N": "not needed",
    "O": "other (write it down)",
}
HOW: list[tuple[str, str]] = [  # how tubes are held, after the ledger's own words
    ("H", "in hand"),
    ("V", "in view"),
    ("L", "locked up"),
    ("A", "secured area"),
    ("S", "under seal"),
]
