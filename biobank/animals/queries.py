"""Animals: found by anything they ever bore, and everything known of one individual.

Promises: rows that were merged count as one individual, wherever animals are asked for; nothing is rewritten,
a capture stays with the row that it was written for. Every function says how many queries it needs.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import Prefetch, Q, QuerySet

from biobank.models import Animal, AnimalMerge, Identifier, Person, Programme, Workup

BORNE = Prefetch("identifiers", Identifier.objects.order_by("kind", "since"))


def individual(animal: Animal) -> list[Animal]:
    """All rows of the individual, the one that counts first. 1 query a generation of merges, and 1."""
    root, seen = animal, {animal.pk}
    while root.merged_into_id and root.merged_into_id not in seen:
        seen.add(root.merged_into_id)
        root = Animal.objects.get(pk=root.merged_into_id)
    found, fresh = [root], [root]
    while fresh:
        known = {one.pk for one in found}
        fresh = [one for one in Animal.objects.filter(merged_into__in=fresh) if one.pk not in known]
        found += fresh
    return found


def one(animal: Animal) -> Animal:
    """The row that counts."""
    return individual(animal)[0]


def of_programme(programme: Programme) -> QuerySet[Animal]:
    """Animals that are not merged into another, with what they bear. 2 queries."""
    found = Animal.objects.filter(programme=programme, merged_into=None)
    return found.prefetch_related(BORNE).order_by("code")


def find(programme: Programme, text: str) -> QuerySet[Animal]:
    """Animals whose code, or anything they ever bore, holds this text; merged rows as well. 2 queries."""
    plain = text.strip()
    digits = plain.replace(" ", "").replace(".", "").replace("-", "")
    asked = Q(code__icontains=plain) | Q(identifiers__text__icontains=plain)
    if digits.isdecimal():
        asked |= Q(identifiers__text__icontains=digits)
    found = Animal.objects.filter(programme=programme).filter(asked)
    return found.select_related("merged_into").prefetch_related(BORNE).order_by("code").distinct()


def bearer(programme: Programme, kind: str, text: str) -> Identifier | None:
    """Who bears this now, or else who bore it last. 1 query."""
    borne = Identifier.objects.select_related("animal").filter(kind=kind, text=text)
    found = list(borne.filter(animal__programme=programme))
    still = [one for one in found if one.until is None]
    return max(still or found, key=lambda one: (one.since, one.pk), default=None)


@dataclass(frozen=True)
class Known:
    """What the page of an animal shows. `rows`: of the individual, the one that counts first."""

    animal: Animal
    rows: list[Animal]
    identifiers: list[Identifier]
    captures: list[Workup]
    merges: list[AnimalMerge] = field(default_factory=list)

    @property
    def root(self) -> Animal:
        return self.rows[0]


def known(animal: Animal) -> Known:
    """An animal with all rows of the same individual. At most 6 queries, 1 more a generation of merges."""
    rows = individual(animal)
    identifiers = Identifier.objects.filter(animal__in=rows).select_related("animal")
    return Known(
        animal,
        rows,
        list(identifiers.order_by("kind", "since")),
        captures(rows),
        list(_merges(rows)),
    )


def captures(rows: Iterable[Animal]) -> list[Workup]:
    """Every time these were in hand, newest first. 1 query."""
    found = Workup.objects.filter(animal__in=list(rows))
    return list(found.select_related("animal", "day__site", "tube_set").order_by("-day__date", "code"))


def _merges(rows: list[Animal]) -> QuerySet[AnimalMerge]:
    about = Q(kept__in=rows) | Q(gone__in=rows)
    return AnimalMerge.objects.filter(about).select_related("kept", "gone", "by", "undone_by").order_by("-pk")


def others(who: Person, rows: list[Animal]) -> QuerySet[Animal]:
    """What an animal could be merged with: the other individuals of the programme. 1 query."""
    return of_programme(who.programme).exclude(pk__in=[one.pk for one in rows])
