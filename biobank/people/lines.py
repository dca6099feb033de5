"""Small shapes of the day's page: a section with its lines, and links to the other rooms' pages.

Promises: a list is never longer than SHOWN lines, and says how many more there are.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby

from django.urls import reverse

from biobank.acting import ms
from biobank.models import Person, Tube
from biobank.templatetags.words import span, tube_code
from custody.core.state import TubeState

SHOWN = 8


@dataclass(frozen=True)
class Line:
    """One thing that waits: what, where to go, what to know, and a sign with its word."""

    text: str
    href: str = ""
    hint: str = ""
    mark: str = ""
    word: str = ""
    code: bool = False  # a tube or set code, drawn large enough to compare with a label


@dataclass(frozen=True)
class Section:
    """One panel. `empty` is said when there are no lines; `action` is (address, words); `total` counts
    what the lines sum up, where that is not the lines themselves."""

    title: str
    lines: Sequence[Line] = field(default_factory=list)
    empty: str = ""
    action: tuple[str, str] | None = None
    total: int | None = None

    @property
    def shown(self) -> Sequence[Line]:
        return self.lines[:SHOWN]

    @property
    def count(self) -> int:
        return len(self.lines) if self.total is None else self.total

    @property
    def more(self) -> str:
        left = len(self.lines) - len(self.shown)  # `total` counts other things than lines
        return f"and {left} more" if left > 0 else ""


def to(name: str, words: str) -> tuple[str, str]:
    """An action that leads to the page of this name."""
    return reverse(name), words


def tube_line(code: str, hint: str = "", mark: str = "", word: str = "") -> Line:
    return Line(tube_code(code), reverse("tube", args=[code]), hint, mark, word, code=True)


def mine(who: Person, states: Iterable[TubeState]) -> list[TubeState]:
    """Without tubes whose set belongs to another programme. 1 query."""
    given = list(states)
    others = Tube.objects.filter(code__in=[one.tube for one in given], tube_set__isnull=False)
    foreign = set(others.exclude(tube_set__plan__programme=who.programme_id).values_list("code", flat=True))
    return [one for one in given if one.tube not in foreign]


def by_handoff(states: Iterable[TubeState]) -> list[tuple[str, list[TubeState]]]:
    """Tubes on their way, one group for each handoff."""
    keyed = sorted(states, key=lambda one: (one.pending_ref or "", one.tube))
    return [(ref, list(group)) for ref, group in groupby(keyed, key=lambda one: one.pending_ref or "")]


def many(n: int, word: str) -> str:
    """`1 tube`, `3 tubes`."""
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def since(at_ms: int | None, now: datetime, word: str) -> str:
    """`drawn 20 min ago`; nothing when it is not known."""
    return f"{word} {span(ms(now) - at_ms)} ago" if at_ms is not None else ""
