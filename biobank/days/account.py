"""Every number that was printed for a field day, and what became of it.

Promises: pure values over rows and histories that are at hand; nothing is asked or written here. Each number
has exactly one word of WORDS, so the words always add up to what was printed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from biobank.core import codes
from biobank.models import FieldDay, Tube, TubeSet, Workup
from custody.core.state import FILLED as HAD
from custody.core.state import Happening, Problem, TubeState

FILLED, MISSED, VOID, RETURNED, OPEN = "filled", "not collected", "void", "spare returned", "unaccounted"
WORDS = [FILLED, MISSED, VOID, RETURNED, OPEN]
SPENT = {"not_collected", "void", "discarded"}  # nothing can be made from such a tube any more


@dataclass(frozen=True)
class Number:
    """One printed number: its tube, what the ledger says of it, and the word that it counts under."""

    tube: Tube
    tube_set: TubeSet
    word: str
    state: TubeState | None = None
    said: Sequence[Happening] = ()

    @property
    def code(self) -> str:
        return self.tube.code

    @property
    def is_aliquot(self) -> bool:
        return bool(self.tube.parent_hint)

    @property
    def drawn(self) -> Happening | None:
        return next((one for one in self.said if one.kind == "drawn"), None)

    @property
    def is_short(self) -> bool:
        return bool(self.drawn and self.drawn.line.get("short"))


def word(tube_set: TubeSet, state: TubeState | None, returned: bool) -> str:
    """Under which word a number counts. returned: its set went back to the store."""
    status = state.status if state else "unknown"
    if returned:
        return RETURNED
    if status in HAD:
        return FILLED
    if status == "void" or tube_set.state == TubeSet.State.VOID:
        return VOID
    return MISSED if status == "not_collected" else OPEN


@dataclass(frozen=True)
class Tally:
    """Expected and seen of one animal or of one kind of tube."""

    name: str
    numbers: Sequence[Number]
    workup: Workup | None = None

    @property
    def expected(self) -> int:
        return len(self.numbers)

    @property
    def filled(self) -> int:
        return self._of(FILLED)

    @property
    def missed(self) -> int:
        return self._of(MISSED)

    @property
    def void(self) -> int:
        return self._of(VOID)

    @property
    def open(self) -> int:
        return self._of(OPEN)

    @property
    def short(self) -> int:
        return sum(one.is_short for one in self.numbers)

    def _of(self, wanted: str) -> int:
        return sum(one.word == wanted for one in self.numbers)


@dataclass(frozen=True)
class Account:
    """A field day's numbers.

    sets  those that count here; returned: once of this day, now in the store; elsewhere: used on another day
    offsets  of each device, as `checks.offsets` gives it
    """

    day: FieldDay
    sets: Sequence[TubeSet]
    returned: Sequence[TubeSet]
    elsewhere: Sequence[TubeSet]
    workups: Sequence[Workup]
    numbers: Sequence[Number]
    findings: Sequence[Problem] = ()
    offsets: Mapping[str, int] = field(default_factory=dict)

    @cached_property
    def counts(self) -> list[tuple[str, int]]:
        found = Counter(one.word for one in self.numbers)
        return [(name, found[name]) for name in WORDS]

    @cached_property
    def by_code(self) -> dict[str, Number]:
        return {one.code: one for one in self.numbers}

    @cached_property
    def open(self) -> list[Number]:
        """Numbers that nobody has accounted for, by code."""
        return sorted((one for one in self.numbers if one.word == OPEN), key=lambda one: one.code)

    @cached_property
    def unbound(self) -> list[TubeSet]:
        """Sets that are neither used nor back in the store."""
        return [one for one in self.sets if one.workup_id is None and one.state != TubeSet.State.VOID]

    @cached_property
    def without_parent(self) -> list[Number]:
        """Labels for aliquots of a tube that was not collected, is void, or is gone."""
        return [one for one in self._labels if (p := self._parent(one)) is None or p.status in SPENT]

    @cached_property
    def not_made(self) -> list[Number]:
        """Labels that were left over: their tube was short, or was aliquoted already."""
        left = [one for one in self._labels if one not in self.without_parent]
        return [one for one in left if self._is_used_up(one.tube.parent_hint)]

    @cached_property
    def to_do(self) -> list[Number]:
        """What is left of bound sets: to be filled, aliquoted, or said to be not collected."""
        done = {one.code for one in [*self.without_parent, *self.not_made]}
        return [one for one in self.open if one.tube_set.workup_id and one.code not in done]

    @cached_property
    def _labels(self) -> list[Number]:
        return [one for one in self.open if one.is_aliquot and one.tube_set.workup_id]

    def _parent(self, one: Number) -> TubeState | None:
        parent = self.by_code.get(one.tube.parent_hint)
        return parent.state if parent else None

    def _is_used_up(self, code: str) -> bool:
        parent = self.by_code[code]
        if parent.word != FILLED:
            return False
        return parent.is_short or any(one.kind == "aliquoted" for one in parent.said)

    @cached_property
    def by_animal(self) -> list[Tally]:
        """Tubes to draw, workup by workup."""
        return [
            Tally(one.code, [n for n in self._drawn_from if n.tube_set.workup_id == one.pk], one)
            for one in self.workups
        ]

    @cached_property
    def by_type(self) -> list[Tally]:
        """Tubes of the bound sets by what they are: tubes to draw by label, aliquots by what they are of."""
        groups: dict[str, list[Number]] = {}
        for one in self.numbers:
            if one.tube_set.workup_id:
                groups.setdefault(_type(one), []).append(one)
        return [Tally(name, some) for name, some in groups.items()]

    @cached_property
    def _drawn_from(self) -> list[Number]:
        return [one for one in self.numbers if not one.is_aliquot]


def _type(one: Number) -> str:
    if not one.is_aliquot:
        return one.tube.label
    return f"{one.tube.get_matrix_display().capitalize()} for aliquots"


def listed(numbers: Iterable[Number], show: int = 8) -> str:
    """Their codes in a sentence."""
    named = [codes.show(one.code) for one in numbers]
    more = f" and {len(named) - show} more" if len(named) > show else ""
    return ", ".join(named[:show]) + more
