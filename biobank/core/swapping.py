"""A swap of freezers: in which order boxes are fetched, and how far each has come.

Promises: from values alone; how far a box has come follows from where it stands now, so whoever moved it and
on whichever page counts. A loop of units (possible only in what devices sent) ends the way outwards.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence, Set

TO_GO, ON_THE_WAY, ARRIVED, ELSEWHERE = "to_go", "on_the_way", "arrived", "elsewhere"
WORDS = {
    TO_GO: "still to go",
    ON_THE_WAY: "on the way",
    ARRIVED: "arrived",
    ELSEWHERE: "elsewhere",
}


def outwards(unit: str, parent_of: Mapping[str, str | None]) -> list[str]:
    """What a unit stands in, what that stands in, and so on; empty when it stands in nothing."""
    found: list[str] = []
    above = parent_of.get(unit)
    while above is not None and above != unit and above not in found:
        found.append(above)
        above = parent_of.get(above)
    return found


def come(path: Iterable[str], out_of: Set[str], into: Set[str], devices: Set[str]) -> str:
    """How far a box has come that stands in the first of `path`, this in the second, and so on.

    The nearest unit of the swap decides. In none of them: elsewhere, when it stands in a freezer, tank or
    fridge (`devices`); else on the way: on a bench, in a cooler, in a rack that stands nowhere.
    """
    units = list(path)
    for one in units:
        if one in into:
            return ARRIVED
        if one in out_of:
            return TO_GO
    return ELSEWHERE if devices & set(units) else ON_THE_WAY


def walk(boxes: Mapping[str, Sequence[str]], out_of: Sequence[str]) -> list[tuple[str, list[str]]]:
    """Boxes with their paths (outwards, as `outwards` gives them) in walking order: one old unit after the
    other, there shelf by shelf and rack by rack, codes as people count: R2 before R10. What stands in none
    of them is left out."""
    rank = {unit: n for n, unit in enumerate(out_of)}
    found = []
    for box, path in boxes.items():
        top = next((n for n, one in enumerate(path) if one in rank), None)
        if top is not None:
            found.append((box, list(path[: top + 1])))

    def place(one: tuple[str, list[str]]) -> tuple[int, list[list[int | str]]]:
        box, path = one
        return rank[path[-1]], [counted(code) for code in (*path[::-1], box)]

    return sorted(found, key=place)


def counted(code: str) -> list[int | str]:
    """A key that sorts codes by their numbers; text and number take turns, so any two can be compared."""
    return [int(part) if part.isdigit() else part for part in re.split(r"([0-9]+)", code)]
