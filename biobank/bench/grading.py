"""Grading many tubes on one page: which rows, what each tube is, where eye and instrument disagree.

Promises: nothing is written and nothing refused; a code that cannot be read gets no row (the form
says so).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from biobank.core import codes
from biobank.core.indices import NAMES, disagreement
from custody import queries as ledger
from custody.core.state import TubeState


def rows(text: str) -> list[str]:
    """The tube codes in a scanned text, each once, in order."""
    said = [line for line in text.replace(",", "\n").split("\n") if line.strip() and codes.is_valid(line)]
    return list(dict.fromkeys(codes.normalise(line) for line in said))


def described(by_tube: Sequence[tuple[str, Any]]) -> list[tuple[str, TubeState | None, Any]]:
    """Each row of the form with what the tube is. 1 query."""
    states = ledger.states([code for code, _ in by_tube])
    return [(code, states.get(code), fields) for code, fields in by_tube]


def disagreements(seen: Mapping[str, Mapping[str, int | None]]) -> Iterator[str]:
    """One sentence for each tube whose grade and measured value do not go together."""
    for code, said in seen.items():
        found = [disagreement(name, said.get(name), said.get(f"{name}_cmgdl")) for name in NAMES]
        if any(found):
            yield f"{codes.show(code)}: {'; '.join(one for one in found if one)}."
