"""What the field pages show.

Promises: every function says how many queries it needs, and none grows with the number of sets or tubes
(but for the ledger's slices of 500 tubes).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Count, QuerySet
from django.shortcuts import get_object_or_404

from biobank.labels.actions import nominal_ul
from biobank.labels.queries import in_order
from biobank.models import Animal, FieldDay, Person, Programme, Tube, TubeSet, Workup
from biobank.templatetags.words import when
from custody import queries as ledger
from custody.core.state import Happening, TubeState

LIVE = {"held", "stored", "in_transit", "discarded"}  # has or had something in it
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
        return "filled" if status in LIVE else status.replace("_", " ")

    @property
    def sign(self) -> str:
        return MARKS.get(self.word, self.state.status if self.state else "info")

    @property
    def is_open(self) -> bool:
        return self.state is not None and self.state.status == "labelled"


@dataclass(frozen=True)
class SetRow:
    """A set in a list: how many of its primaries are drawn, not collected, or not yet either."""

    tube_set: TubeSet
    primaries: int
    aliquots: int
    counts: Mapping[str, int] = field(default_factory=dict)

    @property
    def drawn(self) -> int:
        return sum(self.counts.get(status, 0) for status in LIVE)

    @property
    def not_collected(self) -> int:
        return self.counts.get("not_collected", 0)

    @property
    def open(self) -> int:
        return self.counts.get("labelled", 0)


def days(programme: Programme) -> QuerySet[FieldDay]:
    """Field days, newest first, each with its numbers of sets and workups. 1 query."""
    found = FieldDay.objects.filter(site__programme=programme).select_related("site", "lead__agency")
    counts = {"set_count": Count("sets", distinct=True), "workup_count": Count("workups", distinct=True)}
    return found.annotate(**counts).order_by("-date", "-pk")


def day_or_404(who: Person, pk: int) -> FieldDay:
    return get_object_or_404(days(who.programme), pk=pk)


def sets(programme: Programme) -> QuerySet[TubeSet]:
    found = TubeSet.objects.filter(plan__programme=programme)
    return found.select_related(
        "plan", "day__site__programme", "workup__animal", "workup__day__site__programme"
    )


def set_or_404(who: Person, code: str) -> TubeSet:
    return get_object_or_404(sets(who.programme), code=code.upper())


def set_rows(found: Iterable[TubeSet]) -> list[SetRow]:
    """The sets with their counts. 2 queries, and the one that `found` is."""
    there = list(found)
    tubes: dict[int, list[tuple[str, str]]] = {one.pk: [] for one in there}
    named = Tube.objects.filter(tube_set__in=tubes).values_list("tube_set_id", "code", "parent_hint")
    for pk, code, parent in named:
        tubes[pk].append((code, parent))
    states = ledger.states(code for some in tubes.values() for code, parent in some if not parent)
    return [_set_row(one, tubes[one.pk], states) for one in there]


def _set_row(one: TubeSet, tubes: list[tuple[str, str]], states: Mapping[str, TubeState]) -> SetRow:
    primaries = [code for code, parent in tubes if not parent]
    counts = Counter(states[code].status for code in primaries if code in states)
    return SetRow(one, len(primaries), len(tubes) - len(primaries), counts)


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
    return [_tube_row(tube, states.get(tube.code), said.get(tube.code, [])) for tube in tubes]


def set_page(tube_set: TubeSet) -> dict[str, Any]:
    """What every page of one set shows. At most 6 queries."""
    rows = tube_rows(tube_set)
    return {
        "set": tube_set,
        "rows": [row for row in rows if not row.tube.parent_hint],
        "aliquots": [row for row in rows if row.tube.parent_hint],
        "totals": totals(rows, tube_set.workup),
    }


def _tube_row(tube: Tube, state: TubeState | None, said: list[Happening]) -> TubeRow:
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


def captures(animal: Animal) -> QuerySet[Workup]:
    """Every time this animal was in hand, newest first. 1 query."""
    return animal.workups.select_related("day__site", "tube_set").order_by("-day__date", "code")
