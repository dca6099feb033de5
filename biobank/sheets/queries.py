"""What stands on the field sheet of a tube set, and which photos of it there are.

Promises: every function says how many queries it needs, and none grows with the number of tubes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from django.db.models import QuerySet
from django.http import Http404

from biobank.access import may
from biobank.core import codes
from biobank.field.drawing import BLOOD
from biobank.labels.actions import nominal_ul
from biobank.labels.queries import in_order
from biobank.models import FieldDay, Person, PlannedTube, SheetPhoto, ShortRule, Tube, TubeSet

NEEDS_CARE = {"F10": "formalin", "ETOH": "ethanol", "DMSO": "DMSO"}


@dataclass(frozen=True)
class Row:
    """A tube to draw, as it stands on paper."""

    tube: Tube
    label: str
    nominal_ul: int | None
    handling: str

    @property
    def code(self) -> str:
        return self.tube.code

    @property
    def planned(self) -> PlannedTube | None:
        return self.tube.planned

    @property
    def is_blood(self) -> bool:
        return self.tube.matrix in BLOOD

    @property
    def number(self) -> str:
        """The three digits that also stand on the cap."""
        return f"{codes.number_of(self.tube.code):03d}"


@dataclass(frozen=True)
class Family:
    """A tube to draw and the labels that were printed for what is made of it."""

    row: Row
    children: Sequence[Row]


@dataclass(frozen=True)
class Paper:
    """One field sheet.

    ladder  (priority, numbers of tubes), first to fill first; void: numbers that are not used when short
    """

    tube_set: TubeSet
    rows: Sequence[Row]
    families: Sequence[Family]
    ladder: Sequence[tuple[int, str]]
    void: str
    care: Sequence[str]

    @property
    def aliquots(self) -> int:
        return sum(len(one.children) for one in self.families)

    @property
    def bag(self) -> str:
        return codes.set_label(self.tube_set.code)


def papers(sets: Sequence[TubeSet]) -> list[Paper]:
    """The sheets of these sets, in their order. 1 query."""
    tubes: dict[int, list[Tube]] = {one.pk: [] for one in sets}
    found = Tube.objects.filter(tube_set__in=tubes).select_related("planned", "planned_aliquot")
    for tube in sorted(found, key=in_order):
        tubes[tube.tube_set_id].append(tube)
    return [_paper(one, tubes[one.pk]) for one in sets]


def _paper(tube_set: TubeSet, tubes: Sequence[Tube]) -> Paper:
    rows = [_row(tube) for tube in tubes if not tube.parent_hint]
    children: dict[str, list[Row]] = {}
    for tube in tubes:
        if tube.parent_hint:
            children.setdefault(tube.parent_hint, []).append(_row(tube))
    families = [Family(row, children[row.code]) for row in rows if row.code in children]
    care = {NEEDS_CARE[row.tube.additive] for row in rows if row.tube.additive in NEEDS_CARE}
    return Paper(tube_set, rows, families, list(_ladder(rows)), _void(rows), sorted(care))


def _row(tube: Tube) -> Row:
    planned = tube.planned if not tube.parent_hint else None
    return Row(tube, tube.label, nominal_ul(tube), "; ".join(_handling(planned)))


def _handling(planned: PlannedTube | None) -> Iterator[str]:
    """Invert, clot, separate: what cannot wait until a page can be read again."""
    if planned is None:
        return
    if planned.inversions:
        yield f"invert {planned.inversions} ×"
    if planned.clot_min:
        most = f"–{planned.clot_max_min}" if planned.clot_max_min else ""
        yield f"clot {planned.clot_min}{most} min"
    if planned.separate_min:
        yield f"separate within {planned.separate_min} min"
    if planned.handling.strip():
        yield planned.handling.strip()


def _ladder(rows: Iterable[Row]) -> Iterator[tuple[int, str]]:
    """Of tubes that hold a volume: what is filled first when blood is short."""
    wanted = [row for row in rows if row.planned and row.nominal_ul]
    wanted.sort(key=lambda row: row.planned.priority if row.planned else 0)
    for priority, some in groupby(wanted, key=lambda row: row.planned.priority if row.planned else 0):
        yield priority, spans(codes.number_of(row.code) for row in some)


def _void(rows: Iterable[Row]) -> str:
    found = [row for row in rows if row.planned and row.planned.short_rule == ShortRule.VOID]
    return spans(codes.number_of(row.code) for row in found)


def spans(numbers: Iterable[int]) -> str:
    """1, 2, 3, 5 as 001–003, 005."""
    found: list[list[int]] = []
    for n in sorted(numbers):
        if found and n == found[-1][-1] + 1:
            found[-1].append(n)
        else:
            found.append([n])
    return ", ".join(f"{one[0]:03d}" if len(one) == 1 else f"{one[0]:03d}–{one[-1]:03d}" for one in found)


# --- a day ----------------------------------------------------------------------------------------


def sets_of(day: FieldDay) -> list[TubeSet]:
    """The sets that may be filled on a day: all of it that are neither void nor closed. 1 query."""
    states = [TubeSet.State.VOID, TubeSet.State.CLOSED]
    found = TubeSet.objects.filter(day=day).exclude(state__in=states).order_by("spare", "pk")
    return list(found.select_related("plan__programme", "day__site__programme", "workup__animal", "out_with"))


def crew(day: FieldDay) -> list[Person]:
    """Who may draw in this programme, for initials. 1 query."""
    found = Person.objects.filter(programme=day.site.programme).select_related("agency").order_by("name")
    return [one for one in found if may(one, "draw")]


def fillers(who: Person) -> list[Person]:
    """For whom this person may type: colleagues of the same agency who draw. 1 query."""
    found = Person.objects.filter(agency=who.agency, programme=who.programme).select_related("agency")
    return [one for one in found.order_by("name") if may(one, "draw")]


# --- photos ---------------------------------------------------------------------------------------


def photos(tube_set: TubeSet) -> QuerySet[SheetPhoto]:
    """Photos of the sheets of a set, oldest first, without their bytes. 1 query."""
    return tube_set.photos.defer("content").select_related("by").order_by("pk")


def photo_or_404(who: Person, name: str) -> SheetPhoto:
    """The photo whose hash begins with `name` (16 characters or more), of this person's programme."""
    there = SheetPhoto.objects.filter(tube_set__plan__programme=who.programme).select_related("tube_set")
    found = there.filter(sha256__startswith=name.lower()).first() if len(name) >= 16 else None
    if found is None:
        raise Http404("No such photo of a sheet.")
    return found
