"""What one tube is fit for, in a few lines: for the tube's own page and for where little room is.

Promises: the answers are those of verdicts_of; one line a family and one for each assay that stands alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from biobank.checks import fit_words as words
from biobank.checks.verdicts import in_force, verdicts_of
from custody.core.rules import Verdict


@dataclass(frozen=True)
class Line:
    """A family, or an assay by itself: how many of its assays have which word, and what the worst one
    says."""

    name: str
    tally: list[tuple[str, int]]
    worst: Verdict
    many: bool


@dataclass(frozen=True)
class Panel:
    lines: list[Line]
    label: str


def panel_of(code: str, now_ms: int) -> Panel:
    """The lines of one tube, what is least fit first; none when there is no verdict. Queries: those of
    verdicts_of and in_force."""
    law = in_force()
    found = verdicts_of([code], now_ms, law).get(code, [])
    names = {one.code: str(one) for one in law.assays}
    lines = [_line(names.get(key, ""), some) for key, some in by_family(found).items()]
    lines.sort(key=lambda one: (words.WORD_ORDER.index(one.worst.word), one.name))
    return Panel(lines, law.label)


def _line(name: str, some: Sequence[Verdict]) -> Line:
    worst = min(some, key=lambda one: words.WORD_ORDER.index(one.word))
    return Line(name or str(worst.assay), words.tally(one.word for one in some), worst, len(some) > 1)


def by_family(verdicts: Iterable[Verdict]) -> dict[str, list[Verdict]]:
    """By the code of the family, or of the assay that stands alone; a family itself stands with its
    members."""
    found: dict[str, list[Verdict]] = {}
    for one in verdicts:
        found.setdefault(one.assay.family or one.assay.code, []).append(one)
    return found
