"""The samples of a long paper of custody, drawn on leaves (`leaves`): laying out hundreds of rows takes long.

Promises: the same fields as the table that a short paper has, on as many leaves as they need.
"""

from __future__ import annotations

from collections.abc import Sequence

from biobank.core import codes
from biobank.handoffs import leaves
from biobank.handoffs.custody_paper import Sample
from biobank.labels import content
from biobank.labels.pdf import Sheet

MOST = 40  # samples that a table takes; it looks better beside the rest and is laid out in time
TOP, HIGH = 29.0, 10.2
EACH = int((275 - TOP) // HIGH)
HEADS = [
    (leaves.MARGIN, "Sample number"), (43, "Sample type (matrix), preservative"), (97, "Volume"),
    (111, "Date and time of collection"), (150, "Collector, signature"),
]  # fmt: skip


def leaves_of(samples: Sequence[Sample], title: str) -> list[Sheet]:
    """None when a table will do."""
    if len(samples) <= MOST:
        return []
    parts = [samples[at : at + EACH] for at in range(0, len(samples), EACH)]
    return [_leaf(part, n * EACH + 1, len(samples), title) for n, part in enumerate(parts)]


def _leaf(part: Sequence[Sample], first: int, count: int, title: str) -> Sheet:
    sheet = leaves.leaf()
    beside = f"samples {first} to {first + len(part) - 1} of {count}"
    leaves.heads(sheet, f"Custody, {title}", beside, HEADS, TOP)
    for at, one in enumerate(part):
        _row(sheet, TOP + at * HIGH, one)
    return sheet


def _row(sheet: Sheet, top: float, one: Sample) -> None:
    left, low = leaves.MARGIN, top + 4.2
    leaves.say(sheet, codes.show(one.tube), left, top + 0.6, 26, 8.5, bold=True)
    leaves.say(sheet, content.title(one.label, 19), left, low, 26, 6.5)
    leaves.say(sheet, one.matrix, 43, top + 0.7, 40, 7.2)
    leaves.say(sheet, f"{one.preservative}; {one.container}", 43, low, 48, 6.5)
    leaves.say(sheet, one.volume, 84, top + 0.7, 22, 7.2, right=True)
    leaves.say(sheet, one.collected, 111, top + 0.7, 37, 7.2)
    made = f", as {one.made_from}" if one.made_from else ""
    leaves.say(sheet, one.zone + made, 111, low, 37, 6.5)
    leaves.say(sheet, one.collector, 150, top + 0.7, 44, 7.2)
    leaves.say(sheet, one.signed, 150, low, 44, 6.5)
    received = f"Condition received: {one.condition}. Laboratory number: {one.number}."
    leaves.say(sheet, received, 43, top + 6.8, leaves.RIGHT - 43, 6.5)
    leaves.rule(sheet, left, top + HIGH - 0.4, leaves.RIGHT, 1)
