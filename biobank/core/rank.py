"""In which order boxes leave a failing freezer, and where they go: a ranking that says its reasons.

Promises: the same facts give the same order, and each box says in words why it stands where it stands.
Nothing is weighed against anything else: what cannot be replaced goes first however few tubes it is, then
what is scarce, then what suffers most, then the rest; within a rank by walking order, so that a door is
opened once. `Ranked.points` is a help for the eye and decides nothing.

Irreplaceable  the only tube left of its animal and matrix, a tube kept in reserve, the last aliquot left of
               what it was made from.
Scarce         FEW or fewer tubes left of its animal and matrix, or less than LITTLE_UL of them together, or
               less than SMALL_UL in the tube; also a tube of which nobody knows the animal, because nobody
               can say how many are left: what is not known never counts as good.
Sensitive      a rule in force or a plan keeps its kind below −60 °C, or it was drawn for RNA.
A tube counts once, by the highest of these. Value times scarcity times sensitivity is the trade's order
(common practice, no source for the numbers FEW, LITTLE_UL, SMALL_UL).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from biobank.core.places import RANK, class_of

FEW, LITTLE_UL, SMALL_UL = 3, 500, 200
IRREPLACEABLE, SCARCE, SENSITIVE, REST = 1, 2, 3, 4
WORDS = {IRREPLACEABLE: "irreplaceable", SCARCE: "scarce", SENSITIVE: "sensitive", REST: "the rest"}
POINTS = {IRREPLACEABLE: 100, SCARCE: 10, SENSITIVE: 1, REST: 0}

Kind = tuple[str, str]  # what a tube cannot be told from: animal, matrix. Empty animal: not known


@dataclass(frozen=True)
class Group:
    """Tubes of one box that are of one animal, matrix and additive.

    kept      those in reserve or last of their parent, each once; reserved, last: of these, which
    small     those with less than SMALL_UL in them that are not among `kept`
    """

    unit: str
    kind: Kind
    tubes: int
    kept: int = 0
    reserved: int = 0
    last: int = 0
    small: int = 0
    rna: bool = False


@dataclass(frozen=True)
class Left:
    """All there is of an animal and matrix, wherever. ul: together; None when one was not measured."""

    tubes: int
    ul: int | None = None

    @property
    def few(self) -> bool:
        return self.tubes <= FEW or (self.ul is not None and self.ul < LITTLE_UL)


@dataclass
class Ranked:
    """A box with its rank, why in words, and where it stands below the unit that is emptied."""

    unit: str
    path: tuple[str, ...] = ()
    tubes: int = 0
    irreplaceable: int = 0
    scarce: int = 0
    sensitive: int = 0
    only: int = 0
    reserved: int = 0
    last: int = 0
    unknown: int = 0
    rna: int = 0
    small: int = 0
    few: int = 0

    @property
    def rank(self) -> int:
        counts = (self.irreplaceable, self.scarce, self.sensitive)
        return next((rank for rank, n in enumerate(counts, 1) if n), REST)

    @property
    def word(self) -> str:
        return WORDS[self.rank] if self.tubes else "empty"

    @property
    def points(self) -> int:
        """100 a tube that cannot be replaced, 10 a scarce one, 1 a sensitive one."""
        return 100 * self.irreplaceable + 10 * self.scarce + self.sensitive

    @property
    def why(self) -> str:
        """The reasons in words, the gravest first."""
        said = [
            (self.only, "last of its animal and matrix", "last of their animal and matrix"),
            (self.reserved, "in reserve", ""),
            (self.last, "last aliquot of its tube", "last aliquots of their tubes"),
            (self.few, "of which little is left", ""),
            (self.small, f"with less than {SMALL_UL} µL", ""),
            (self.unknown, "whose animal is not known here", ""),
            (self.rna, "drawn for RNA", ""),
            (self.sensitive - self.rna, "of a kind kept below −60 °C", ""),
        ]  # fmt: skip
        told = [f"{n} {one if n == 1 or not more else more}" for n, one, more in said if n > 0]
        return "; ".join(told) or ("nothing special known" if self.tubes else "no tube in it")


@dataclass
class _Count:
    """What `ranked` adds up."""

    boxes: dict[str, Ranked] = field(default_factory=dict)

    def add(self, group: Group, left: Left | None, deep: bool) -> None:
        box = self.boxes[group.unit]
        box.tubes += group.tubes
        only = left is not None and left.tubes == 1 and bool(group.kind[0])
        kept = group.tubes if only else group.kept
        box.only += group.tubes if only else 0
        box.irreplaceable += kept
        box.reserved += group.reserved
        box.last += 0 if only else group.last
        rest = group.tubes - kept
        scarce = self._scarce(box, group, left, rest)
        box.scarce += scarce
        if deep or group.rna:
            box.sensitive += rest - scarce
            box.rna += rest - scarce if group.rna else 0

    def _scarce(self, box: Ranked, group: Group, left: Left | None, rest: int) -> int:
        if not group.kind[0]:
            box.unknown += rest
            return rest
        if left is not None and left.few:
            box.few += rest
            return rest
        small = min(group.small, rest)
        box.small += small
        return small


def ranked(
    boxes: Mapping[str, tuple[str, ...]],
    groups: Iterable[Group],
    left: Mapping[Kind, Left],
    deep: frozenset[str] | set[str],
) -> list[Ranked]:
    """The boxes in the order in which they leave.

    boxes  box -> codes from just below the unit that is emptied down to it
    left   all there is of each animal and matrix; deep: matrices that are kept below −60 °C
    A group of a box that is not among `boxes` is left out. Empty boxes come last.
    """
    count = _Count({code: Ranked(code, path) for code, path in boxes.items()})
    for group in groups:
        if group.unit in count.boxes:
            count.add(group, left.get(group.kind), group.kind[1] in deep)
    return sorted(count.boxes.values(), key=lambda box: (not box.tubes, box.rank, walking(box.path)))


def walking(path: Sequence[str]) -> tuple[tuple[tuple[int, int | str], ...], ...]:
    """The order in which one walks: shelf, rack, box, numbers in codes as numbers (S2 before S10)."""
    return tuple(
        tuple((0, int(part)) if part.isdigit() else (1, part) for part in re.split(r"(\d+)", code) if part)
        for code in path
    )


# --- where they go --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Berth:
    """A shelf, rack or freezer that boxes stand in. boxes: how many more; centi: its set point."""

    unit: str
    device: str
    centi: int
    boxes: int


def berths_for(places: Iterable[Berth], centi: int | None) -> list[Berth]:
    """Places of the class of this set point or colder, with room, in the order in which they are used: the
    same class before a colder one, in the freezer with most room first, there the emptiest first.
    None: not known how cold it must be, so none."""
    if centi is None:
        return []
    need = RANK[class_of(centi)]
    fit = [one for one in places if one.boxes > 0 and RANK[class_of(one.centi)] >= need]
    room: dict[str, int] = {}
    for one in fit:
        room[one.device] = room.get(one.device, 0) + one.boxes

    def order(one: Berth) -> tuple[int, int, str, int, str]:
        return RANK[class_of(one.centi)], -room[one.device], one.device, -one.boxes, one.unit

    return sorted(fit, key=order)


def assign(boxes: Sequence[str], berths: Sequence[Berth]) -> dict[str, str]:
    """Box -> place, the first boxes into the first places; boxes without a place are left out."""
    places = (one.unit for one in berths for _ in range(one.boxes))
    return dict(zip(boxes, places, strict=False))


def most_at_once(stays: Iterable[tuple[int, int | None]]) -> int:
    """How many of these stays (from, to; None: still) overlapped at most; to is not part of a stay."""
    real = [(start, end) for start, end in stays if end is None or end > start]
    marks = [(start, 1) for start, _ in real] + [(end, -1) for _, end in real if end is not None]
    most = now = 0
    for _, step in sorted(marks):
        now += step
        most = max(most, now)
    return most
