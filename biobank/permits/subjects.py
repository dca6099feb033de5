"""What papers ask about a tube: of which species and animal it is, and what is in it.

Promises: an aliquot is of the animal of the tube that was drawn; a fixed number of queries for each
generation of aliquots, however many tubes (but for slices of 500).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from biobank.models import Tube
from custody import queries as ledger
from custody.core.state import TubeState

AT_ONCE = 5_000


@dataclass(frozen=True)
class Subject:
    """Empty or None: not known. hand: the workup; ul: what is in it now."""

    tube: str
    matrix: str = ""
    species: str = ""
    animal: int | None = None
    hand: str = ""
    programme: int | None = None
    ul: int | None = None


@dataclass(frozen=True)
class _Row:
    matrix: str
    species: str
    animal: int | None
    hand: str
    programme: int | None


def of(codes: Iterable[str]) -> dict[str, Subject]:
    """Every one of these tubes, also those of which nothing is known."""
    wanted = list(dict.fromkeys(codes))
    states = _upwards(wanted)
    lines = {code: _line(code, states) for code in wanted}
    rows = _rows({one for line in lines.values() for one in line})
    return {code: _subject(code, lines[code], states, rows) for code in wanted}


def _upwards(codes: Iterable[str]) -> dict[str, TubeState]:
    """Their states, and those of everything they were made from: one round for each generation."""
    found = ledger.states(codes)
    fresh = {one.parent for one in found.values() if one.parent} - set(found)
    while fresh:
        up = ledger.states(fresh)
        found |= up
        fresh = {one.parent for one in up.values() if one.parent} - set(found)
    return found


def _line(code: str, states: Mapping[str, TubeState]) -> list[str]:
    """A tube, what it was made from, and so on up."""
    line = [code]
    while (state := states.get(line[-1])) and state.parent and state.parent not in line:
        line.append(state.parent)
    return line


def _rows(codes: Iterable[str]) -> dict[str, _Row]:
    wanted, found = sorted(codes), dict[str, _Row]()
    names = ("code", "matrix", "tube_set__workup__animal__species", "tube_set__workup__animal_id",
             "tube_set__workup__code", "tube_set__plan__programme_id")  # fmt: skip
    for k in range(0, len(wanted), AT_ONCE):
        rows = Tube.objects.filter(code__in=wanted[k : k + AT_ONCE]).values_list(*names)
        for code, matrix, species, animal, hand, programme in rows:
            found[code] = _Row(matrix, species or "", animal, hand or "", programme)
    return found


def _subject(
    code: str, line: list[str], states: Mapping[str, TubeState], rows: Mapping[str, _Row]
) -> Subject:
    mine, state = rows.get(code), states.get(code)
    # the drawn tube first: its set is surely bound to the animal that it was drawn from
    known = next((rows[one] for one in reversed(line) if one in rows and rows[one].hand), mine)
    matrix = (state.matrix if state else "") or (mine.matrix if mine else "")
    ul = state.volume_ul if state else None
    if known is None:
        return Subject(code, matrix, ul=ul)
    return Subject(code, matrix, known.species, known.animal, known.hand, known.programme, ul)
