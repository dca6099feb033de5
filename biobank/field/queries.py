"""What the field pages show.

Promises: every function says how many queries it needs, and none grows with the number of sets or tubes
(but for the ledger's slices of 500 tubes).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404

from biobank.labels.actions import nominal_ul
from biobank.labels.queries import in_order
from biobank.models import Animal, Person, Programme, Tube, TubeSet, Workup
from biobank.sets.queries import set_or_404, sets
from biobank.templatetags.words import when
from custody import queries as ledger
from custody.core.state import FILLED, Happening, TubeState

__all__ = ["set_or_404", "sets"]  # moved to the room of sets; labels ask for them here
MARKS = {"drawn": "pass", "short": "caution", "not collected": "not_collected", "not yet": "labelled"}


@dataclass(frozen=True)
class TubeRow:
    """A tube of a set, what the ledger says of it now, and how it was drawn."""

    tube: Tube
    state: TubeState | None
    drawn: Happening | None = None
    missed: Happening | None = None

    @property
    def code(self) -> str:
        return self.tube.code

    @property
    def nominal_ul(self) -> int | None:
        return nominal_ul(self.tube)

    @property
    def drawn_ul(self) -> int | None:
        return self.drawn.line.get("ul") if self.drawn else None

    @property
    def word(self) -> str:
        """drawn, short, not collected, not yet; the ledger's word for anything else."""
        status = self.state.status if self.state else "unknown"
        if self.drawn:
            return "short" if self.drawn.line.get("short") else "drawn"
        if status == "labelled":
            return "not yet"
        return "filled" if status in FILLED else status.replace("_", " ")

    @property
    def sign(self) -> str:
        return MARKS.get(self.word, self.state.status if self.state else "info")

    @property
    def is_open(self) -> bool:
        return self.state is not None and self.state.status == "labelled"


def workups(programme: Programme) -> QuerySet[Workup]:
    found = Workup.objects.filter(day__site__programme=programme)
    return found.select_related("animal", "day__site__programme", "tube_set__plan")


def workup_or_404(who: Person, code: str) -> Workup:
    return get_object_or_404(workups(who.programme), code=code)


def animal_or_404(who: Person, code: str) -> Animal:
    return get_object_or_404(Animal, programme=who.programme, code=code)


def tube_rows(tube_set: TubeSet) -> list[TubeRow]:
    """The tubes of a set, primaries in order of draw, then aliquots. At most 6 queries."""
    tubes = list(tube_set.tubes.select_related("planned"))
    tubes.sort(key=in_order)
    states = ledger.states(tube.code for tube in tubes)
    primaries = [tube.code for tube in tubes if not tube.parent_hint]
    said = ledger.histories(primaries) if primaries else {}
    return [tube_row(tube, states.get(tube.code), said.get(tube.code, [])) for tube in tubes]


def set_page(tube_set: TubeSet) -> dict[str, Any]:
    """What every page of one set shows. At most 6 queries."""
    rows = tube_rows(tube_set)
    return {
        "set": tube_set,
        "rows": [row for row in rows if not row.tube.parent_hint],
        "aliquots": [row for row in rows if row.tube.parent_hint],
        "totals": totals(rows, tube_set.workup),
    }


def tube_row(tube: Tube, state: TubeState | None, said: list[Happening]) -> TubeRow:
    counted = {one.kind: one for one in said if not one.voided}
    return TubeRow(tube, state, counted.get("drawn"), counted.get("not_collected"))


def totals(rows: Iterable[TubeRow], workup: Workup | None) -> dict[str, Any]:
    """Blood drawn so far and still planned, µL; per kilogram where the mass is known."""
    primaries = [row for row in rows if not row.tube.parent_hint]
    blood = [row for row in primaries if row.tube.matrix != "SWB"]
    drawn = sum(row.drawn_ul or 0 for row in blood)
    planned = sum(row.nominal_ul or 0 for row in blood)
    grams = workup.mass_g if workup else None
    words = Counter(row.word for row in primaries)
    return {
        "drawn_ul": drawn,
        "planned_ul": planned,
        "per_kg_ul": drawn * 1000 // grams if grams else None,
        "words": words,
        "not_collected": words["not collected"],
        "not_yet": words["not yet"],
        "unmeasured": sum(1 for row in blood if row.drawn and row.drawn_ul is None),
    }


@dataclass(frozen=True)
class Change:
    """One saved version of a reference row: who, when, why, what."""

    when: Any
    who: str
    why: str
    what: list[tuple[str, str, str]]


def changes(row: Workup | Animal, tz: str) -> list[Change]:
    """How a reference row came to be as it is, newest first; times in this zone. 1 query."""
    versions = list(row.history.select_related("history_user__person").all())
    return [_change(new, old, tz) for new, old in zip(versions, [*versions[1:], None], strict=True)]


def _change(new: Any, old: Any, tz: str) -> Change:
    what = []
    if old is not None:
        for one in new.diff_against(old).changes:
            what.append((one.field.replace("_", " "), _shown(one.old, tz), _shown(one.new, tz)))
    return Change(new.history_date, _name(new.history_user), new.history_change_reason or "", what)


def _name(user: Any) -> str:
    person = getattr(user, "person", None)
    return person.name if person else str(user or "")


def _shown(value: Any, tz: str) -> str:
    return when(value, tz) if hasattr(value, "tzinfo") else str("nothing" if value in (None, "") else value)
