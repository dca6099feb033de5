"""The whole ledger folded anew: all tubes piece by piece, by any number of processes, and all units.

Promises: the same functions fold one tube after a write (`refold.touch`) and all of them here. A piece is all
that was ever said of the tubes between two codes; its histories are forgotten before the next one is read.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from operator import attrgetter
from typing import Any, NamedTuple

from django.db import connection
from django.db.models import Count, QuerySet

from custody import refold, spread
from custody.core.fold import Standing, contested, fold, fold_unit, standing
from custody.core.state import Happening, Problem, TubeState, UnitState
from custody.models import Finding, Head, Line
from custody.models import TubeState as TubeRow

LINES = 5_000  # in a piece, and those of its last tube: few enough to stay near the processor
NAMES = [field.attname for field in TubeRow._meta.concrete_fields]
PLAIN = [name for name in NAMES if name != "contested"]  # what one tube's own history says
values, plain = attrgetter(*NAMES), attrgetter(*PLAIN)
Values = tuple[Any, ...]
Cause = tuple[str, str, str]  # code, subject and event of a finding


class Piece(NamedTuple):
    """Tubes from one code up to, not including, another; None: no end."""

    start: str
    stop: str | None

    def of(self, rows: QuerySet[Any], name: str) -> QuerySet[Any]:
        """Those rows whose column `name` is a code of this piece."""
        found = rows.filter(**{f"{name}__gte": self.start})
        return found if self.stop is None else found.filter(**{f"{name}__lt": self.stop})


def pieces() -> list[Piece]:
    """All tubes that the ledger names, and every code between, before and after them. 1 query a piece."""
    subjects = Line.objects.filter(what="t").order_by("subject").values_list("subject", flat=True)
    ends, last = [""], ""
    while more := list(subjects.filter(subject__gt=last)[LINES : LINES + 1]):
        last = more[0]
        ends.append(last)
    return [Piece(start, stop) for start, stop in zip(ends, [*ends[1:], None], strict=True)]


def size() -> int:
    """Events in the log. 1 query."""
    head = Head.objects.filter(id=1).first()
    return head.size if head else 0


def amended() -> Standing:
    """What stands of all voids and corrections. 1 query."""
    return standing(refold.amendments(None))


def _folded(known: Standing, piece: Piece) -> tuple[dict[str, TubeState], set[Problem]]:
    told = refold.histories_of(piece.of(Line.objects.filter(what="t"), "subject"), known)
    overdrawn = refold.overdrawn(told, known)
    states, problems = {}, set[Problem]()
    for name, said in told.items():
        states[name], wrong = _one(name, said, overdrawn)
        problems |= wrong
    return states, problems


def _one(name: str, said: list[Happening], overdrawn: dict[str, str]) -> tuple[TubeState, set[Problem]]:
    found = fold(name, said, overdrawn)
    return found.state, set(found.problems)


class States(NamedTuple):
    """A piece folded anew: the columns of each tube's row, and what is wrong."""

    rows: list[Values]
    problems: set[Problem]


def states(known: Standing, piece: Piece) -> States:
    """What shall be stored of the tubes of a piece; whether a slot is contested is not known here."""
    with spread.snapshot():
        found, problems = _folded(known, piece)
    return States([values(one) for one in found.values()], problems)


class Compared(NamedTuple):
    """How many tubes; what is stored otherwise, in sentences, and whether a place is among it; findings that
    are stored or should be, but not both."""

    tubes: int
    wrong: list[str]
    moved: bool
    findings: set[Cause]


def compared(known: Standing, piece: Piece) -> Compared:
    """The tubes of a piece and the findings about them as they are stored, beside what the ledger says."""
    with spread.snapshot():
        # what is amended meanwhile is part of the moment, so it is asked again when anything differs
        found = _compared(known, piece)
        return _compared(amended(), piece) if found.wrong or found.findings else found


def _compared(known: Standing, piece: Piece) -> Compared:
    found, problems = _folded(known, piece)
    rows = piece.of(TubeRow.objects, "tube").values_list(*PLAIN)
    stored = {row[0]: row for row in spread.raw(rows)}
    odd = causes(problems) ^ findings(piece.of(Finding.objects.exclude(code=refold.LOOP), "subject"))
    folded = {name: plain(one) for name, one in found.items()}
    if folded == stored:  # SQLite's yes and no are 1 and 0, which are equal to them
        return Compared(len(folded), [], False, odd)
    stored = {row[0]: row for row in rows}
    moved = {row[:1] + _place(row) for row in folded.values()} != {
        row[:1] + _place(row) for row in stored.values()
    }
    return Compared(len(folded), list(differ("tube", PLAIN, folded, stored)), moved, odd)


def causes(problems: set[Problem]) -> set[Cause]:
    return {(one.code, one.subject, one.event) for one in problems}


def _place(row: Values) -> Values:
    return row[PLAIN.index("unit") : PLAIN.index("col") + 1]


def differ(
    noun: str, names: list[str], folded: dict[str, Values], stored: dict[str, Values]
) -> Iterator[str]:
    """What is stored otherwise than it was folded, in sentences."""
    for name in sorted(set(folded) | set(stored)):
        if name not in stored:
            yield f"{noun} {name} is not stored"
        elif name not in folded:
            yield f"{noun} {name} is stored, the ledger knows nothing of it"
        elif stored[name] != folded[name]:
            yield from (
                f"{noun} {name}: {field} is {was!r}, the ledger says {value!r}"
                for field, was, value in zip(names, stored[name], folded[name], strict=True)
                if was != value
            )


def contests(moved: bool) -> set[str]:
    """Tubes whose slot another tube claims too. By what is stored, unless that is known to differ."""
    if moved:
        known = amended()
        rows = [row for piece in pieces() for row in states(known, piece).rows]
        return in_contest(rows)
    slots = TubeRow.objects.filter(row__isnull=False).values("unit", "row", "col")
    doubled = slots.annotate(n=Count("tube")).filter(n__gt=1).order_by()
    found: set[str] = set()
    for unit, row, col in doubled.values_list("unit", "row", "col"):
        found |= set(TubeRow.objects.filter(unit=unit, row=row, col=col).values_list("tube", flat=True))
    return found


def in_contest(rows: Iterable[Values]) -> set[str]:
    """Those of these rows whose slot another one claims."""
    unit, row, col = (NAMES.index(name) for name in ("unit", "row", "col"))
    placed = (one for one in rows if one[row] is not None)
    return contested(
        {one[0]: TubeState(one[0], unit=one[unit], row=one[row], col=one[col]) for one in placed}
    )


def units() -> tuple[dict[str, UnitState], set[Problem]]:
    """All units folded anew, and those that stand in themselves. They are few."""
    moves = refold.histories("u", None)
    found = {name: fold_unit(name, said) for name, said in moves.items()}
    return found, refold.loops(moves, {name: one.parent for name, one in found.items()})


def store(rows: list[Values], found: dict[str, UnitState], problems: set[Problem]) -> None:
    """Put this into the derived tables, and take out what was there."""
    refold.forget()
    clash, at = in_contest(rows), NAMES.index("contested")
    named, places = ", ".join(map(connection.ops.quote_name, NAMES)), ", ".join(["%s"] * len(NAMES))
    rows = (
        [row if row[0] not in clash else (*row[:at], True, *row[at + 1 :]) for row in rows] if clash else rows
    )
    with connection.cursor() as cursor:
        if rows:
            sql = f"INSERT INTO {TubeRow._meta.db_table} ({named}) VALUES ({places})"
            cursor.executemany(sql, rows)
    refold.store(found, problems)


def findings(rows: QuerySet[Finding]) -> set[Cause]:
    """The causes of what is on the work list. 1 query."""
    return set(rows.values_list("code", "subject", "event"))


__all__ = [
    "Piece",
    "Values",
    "amended",
    "causes",
    "compared",
    "contests",
    "differ",
    "findings",
    "pieces",
    "size",
    "states",
    "store",
    "units",
]
