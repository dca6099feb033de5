"""The work list of the ledger: what could not be taken, what does not fit, and slots that two tubes claim.

Promises: a fixed number of queries a page; of findings about tubes of another programme nothing is shown;
every finding says what can be done about it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from biobank.ledger.advice import advice
from biobank.models import Person, Tube, Unit
from custody import queries as ledger
from custody.core import canon
from custody.core.state import Problem, TubeState

PAGE, SHOWN = 50, 5
UNIT_CODE = "unit_inside_itself"


@dataclass(frozen=True)
class Found:
    """A finding with what can be done; `is_tube`, `is_unit`: it has a page of its own."""

    problem: Problem
    advice: str
    is_tube: bool
    is_unit: bool


@dataclass(frozen=True)
class Contest:
    """A slot that more than one tube claims."""

    unit: str
    slot: str
    tubes: list[TubeState]
    is_unit: bool


@dataclass(frozen=True)
class Page:
    """A slice of a list with its place in the whole."""

    rows: list[Any]
    number: int
    total: int

    @property
    def pages(self) -> int:
        return max(1, -(-self.total // PAGE))

    @property
    def older(self) -> int | None:
        return self.number - 1 if self.number > 1 else None

    @property
    def newer(self) -> int | None:
        return self.number + 1 if self.number < self.pages else None


def findings(who: Person, number: int) -> Page:
    """One page of findings. 5 queries."""
    problems = ledger.findings(start=(number - 1) * PAGE, most=PAGE)
    subjects = {one.subject for one in problems}
    ours, foreign = _tubes(who, subjects)
    units = set(Unit.objects.filter(code__in=subjects).values_list("code", flat=True))
    rows = [
        Found(one, advice(one.code), one.subject in ours, one.subject in units)
        for one in problems
        if one.subject not in foreign
    ]
    return Page(rows, number, ledger.count_findings())


def _tubes(who: Person, codes: Iterable[str]) -> tuple[set[str], set[str]]:
    """Those of this programme or of none, and those of another. 1 query."""
    rows = Tube.objects.filter(code__in=list(codes)).values_list("code", "tube_set__plan__programme_id")
    ours = {code for code, programme in rows if programme in (None, who.programme_id)}
    return ours, {code for code, _ in rows} - ours


def foreign(who: Person, subject: str) -> bool:
    """Whether it is a tube of another programme. 1 query."""
    return bool(_tubes(who, [subject])[1])


def finding(event: str, subject: str, code: str) -> Problem | None:
    """One open finding. 1 query."""
    return next((one for one in ledger.findings(subject) if (one.event, one.code) == (event, code)), None)


def contests(who: Person) -> list[Contest]:
    """Slots with more than one claim, by unit and slot. 3 queries."""
    states = ledger.find(contested=True)
    _, foreign = _tubes(who, [one.tube for one in states])
    boxes = {one.code: one for one in Unit.objects.filter(code__in={str(one.unit) for one in states})}

    def place(one: TubeState) -> tuple[str, int, int]:
        return str(one.unit), one.row or 0, one.col or 0

    mine = sorted((one for one in states if one.tube not in foreign), key=place)
    return [
        Contest(unit, _slot(boxes.get(unit), row, col), list(group), unit in boxes)
        for (unit, row, col), group in groupby(mine, key=place)
    ]


def _slot(box: Unit | None, row: int, col: int) -> str:
    if box is None or box.kind != "box" or not (row <= (box.rows or 0) and col <= (box.cols or 0)):
        return f"row {row}, column {col}"
    return box.grid.name(row, col)


def waiting(number: int, settled: bool = False) -> Page:
    """One page of held items. 2 queries."""
    rows = ledger.waiting((number - 1) * PAGE, PAGE, settled)
    return Page(rows, number, ledger.count_waiting(settled))


def held(pk: int) -> ledger.Waiting | None:
    return ledger.held_item(pk)


def said(row: ledger.Waiting) -> dict[str, Any]:
    """What a held item says, as far as it can be read: kind, at_ms, by, org, dev, and lines of text."""
    try:
        item = json.loads(row.raw)
        header = canon.read(item["header"])
        return {
            "kind": str(header["kind"])[:40], "by": str(header["by"])[:40], "org": str(header["org"])[:40],
            "dev": str(header["dev"])[:40], "at_ms": _moment(header["at"]), "tubes": _named(item["lines"]),
        }  # fmt: skip
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return {}


def _moment(value: Any) -> int | None:
    good = isinstance(value, int) and not isinstance(value, bool) and abs(value) < 4_102_444_800_000
    return value if good else None


def _named(lines: list[str]) -> list[str]:
    read = [canon.read(one) for one in lines[:PAGE]]
    return [str(one.get("t") or one.get("u"))[:40] for one in read if isinstance(one, dict)]


def devices() -> list[dict[str, Any]]:
    """Devices with the numbers that are missing of each, the first few of them. 4 queries."""
    found = ledger.devices()
    missing = ledger.missing_of([one.code for one in found])
    return [
        {"device": one, "missing": missing[one.code][:SHOWN], "more": len(missing[one.code]) - SHOWN}
        for one in found
    ]
