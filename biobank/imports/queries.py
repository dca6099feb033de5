"""What the import pages ask: how a draft would be read, what is known already, what was taken in.

Promises: each function says how many queries it needs; none grows with the rows but for slices of 500.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone

from biobank.imports import mapping as maps
from biobank.imports.plan import Known, KnownAnimal, Reading, individuals, read_rows
from biobank.imports.read import Table, read_table
from biobank.models import (
    ADDITIVES,
    MATRICES,
    Identifier,
    Person,
    Programme,
    Site,
    TableDraft,
    TableImport,
    TableMapping,
    Tube,
    Workup,
)
from custody import queries as ledger
from custody.core.state import TubeState

SLICE = 500


@dataclass(frozen=True)
class TakenWorkup:
    """A workup that an import made, with its tubes and what the ledger says of them now."""

    workup: Workup
    tubes: list[tuple[Tube, TubeState | None]]


def parsed(spec: Any) -> maps.Mapping:
    """The mapping that this data means here. Refused: mapping_malformed. No query."""
    return maps.parse(spec, {code for code, _ in MATRICES}, {code for code, _ in ADDITIVES})


def read_draft(draft: TableDraft) -> Reading:
    """The draft as it would be taken in now. 2 queries and one for 500 individuals. Refused as read_rows."""
    return read(read_table(bytes(draft.content), draft.sheet), draft.mapping)


def read(table: Table, mapping: TableMapping) -> Reading:
    found = parsed(mapping.spec)
    known = known_to(mapping.programme, found, individuals(table, found))
    return read_rows(table, found, known, timezone.now(), mapping.programme.tz)


def known_to(programme: Programme, mapping: maps.Mapping, names: Iterable[str]) -> Known:
    """Which of these identifiers are borne already, and every site. 1 query, and one for 500 names."""
    animals = {
        one.text: KnownAnimal(one.animal.code, one.animal.species, one.animal.sex, ours)
        for one in identifiers(mapping.individual.kind, names)
        for ours in [one.animal.programme_id == programme.pk]
    }
    sites = list(Site.objects.all())
    ours = [site for site in sites if site.programme_id == programme.pk]
    foreign = {site.code: f"{site.name} (of another programme)" for site in sites if site not in ours}
    return Known(
        animals, {site.name: site.code for site in ours}, {site.code: site.name for site in ours} | foreign
    )


def identifiers(kind: str, names: Iterable[str]) -> Iterator[Identifier]:
    """Those borne now. One query for 500 names."""
    wanted = sorted(names)
    borne = Identifier.objects.filter(kind=kind, until=None).select_related("animal")
    for start in range(0, len(wanted), SLICE):
        yield from borne.filter(text__in=wanted[start : start + SLICE])


def drafts_of(person: Person) -> QuerySet[TableDraft]:
    """Without the content, which only reading needs."""
    return TableDraft.objects.filter(person=person).select_related("mapping").defer("content")


def imports_of(programme: Programme) -> QuerySet[TableImport]:
    return TableImport.objects.filter(mapping__programme=programme).select_related("mapping", "person")


def mappings_of(programme: Programme) -> QuerySet[TableMapping]:
    return TableMapping.objects.filter(programme=programme)


def workups_of(done: TableImport) -> QuerySet[Workup]:
    found = Workup.objects.filter(code__startswith=done.workup_prefix)
    return found.select_related("day__site", "animal").order_by("code")


def with_tubes(workups: Iterable[Workup]) -> list[TakenWorkup]:
    """These workups with their tubes and states. 2 queries."""
    shown = list(workups)
    tubes = Tube.objects.filter(tube_set__workup__in=shown).select_related("tube_set").order_by("code")
    by_workup: dict[int | None, list[Tube]] = {}
    for tube in tubes:
        by_workup.setdefault(tube.tube_set and tube.tube_set.workup_id, []).append(tube)
    states = ledger.states([tube.code for some in by_workup.values() for tube in some])
    return [
        TakenWorkup(one, [(tube, states.get(tube.code)) for tube in by_workup.get(one.pk, [])])
        for one in shown
    ]
