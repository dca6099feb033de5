"""A tube's lineage as a small drawing: what it was drawn or made from, its siblings, itself, what was made of
it.

Promises: pure; coordinates in a box of `width` x `height`; at most GENERATIONS boxes, the ones between are
counted. Siblings and children are counted, not drawn one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

WIDE, TALL, ROOM, STEP = 168, 46, 36, 56
GENERATIONS = 3  # ancestors that are drawn


@dataclass(frozen=True)
class Node:
    """One box: code (empty: a count), two lines of words, and where it stands."""

    code: str
    title: str
    words: str
    x: int
    y: int
    mine: bool = False

    @property
    def middle(self) -> int:
        return self.y + TALL // 2


@dataclass(frozen=True)
class Kin:
    """One tube of the line: code, what it holds, how it came to be."""

    code: str
    what: str
    how: str


@dataclass
class Tree:
    """Boxes and the lines between them."""

    width: int
    height: int
    nodes: list[Node] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    box: tuple[int, int] = (WIDE, TALL)


def tree(line: Sequence[Kin], siblings: int, children: int) -> Tree:
    """The drawing. line: oldest first, the tube itself last; siblings: made of the same tube beside it."""
    shown = list(line)
    hidden = len(shown) - GENERATIONS - 1
    columns: list[Kin | str] = list(shown)
    if hidden > 0:
        columns = [shown[0], f"{hidden} tube{'s' if hidden > 1 else ''} between", *shown[-GENERATIONS:]]
    count = len(columns) + bool(children)
    made = Tree(count * WIDE + (count - 1) * ROOM + 2, TALL + 2 + (STEP if siblings else 0))
    for k, one in enumerate(columns):
        x = 1 + k * (WIDE + ROOM)
        kin = one if isinstance(one, Kin) else Kin("", one, "")
        made.nodes.append(Node(kin.code, kin.what, kin.how, x, 1, k == len(columns) - 1))
        if k:
            made.lines.append(f"M{x - ROOM} {1 + TALL // 2}H{x}")
    last = made.nodes[-1]
    if siblings:
        words = f"{siblings} sibling{'s' if siblings > 1 else ''}"
        made.nodes.append(Node("", words, "made from the same tube", last.x, 1 + STEP))
        made.lines.append(f"M{last.x - ROOM // 2} {1 + TALL // 2}V{1 + STEP + TALL // 2}H{last.x}")
    if children:
        x = last.x + WIDE + ROOM
        made.nodes.append(
            Node("", f"{children} tube{'s' if children > 1 else ''}", "made from this one", x, 1)
        )
        made.lines.append(f"M{x - ROOM} {1 + TALL // 2}H{x}")
    return made
