"""Who may read verdicts, and of which tubes.

Promises: everybody of the programme who may see tubes reads all; who may only see the catalogue reads
words and durations, of tubes of the own programme; for anybody else such a tube does not exist.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import wraps
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse

from biobank.access import may, person
from biobank.core import codes
from biobank.models import Person, Programme, Tube
from custody.core.refusal import Refused

View = Callable[..., HttpResponse]


def reads(view: View) -> View:
    """Only for people who may see tubes or the catalogue; puts them on `request.person`."""

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        request.person = person(request.user)  # type: ignore[attr-defined]
        if not (may(request.person, "see") or may(request.person, "catalogue")):  # type: ignore[attr-defined]
            raise PermissionDenied("Your role does not include the right to read verdicts.")
        return view(request, *args, **kwargs)

    return guarded


def whole(who: Person) -> bool:
    """May this person see places, times of day, events and names? Else words and durations alone."""
    return may(who, "see")


def tube_to_read(who: Person, code: str) -> Tube:
    """The tube with this code (any way of writing it) in this person's programme, or 404.

    Who sees the catalogue alone needs a tube that is surely of the programme; one of no set is nobody's.
    """
    try:
        plain = codes.normalise(code)
    except Refused as no:
        raise Http404(no.sentence) from no
    found = Tube.objects.select_related("tube_set__workup", "tube_set__plan", "planned")
    tube = found.filter(code=plain).first()
    owner = tube and tube.tube_set and tube.tube_set.plan.programme_id
    strange = owner != who.programme_id if owner or not whole(who) else False
    if tube is None or strange:
        raise Http404("No such tube.")
    return tube


def known(rows: QuerySet[Any], who: Person) -> QuerySet[Any]:
    """Of rows with a column `tube` those of tubes that this person may read. 1 query at most, to ask
    whether there is another programme at all."""
    mine = Tube.objects.filter(code=OuterRef("tube"), tube_set__plan__programme=who.programme_id)
    if not whole(who):
        return rows.filter(Exists(mine))
    if not Programme.objects.exclude(pk=who.programme_id).exists():
        return rows
    owned = Tube.objects.filter(code=OuterRef("tube"), tube_set__isnull=False)
    return rows.exclude(Exists(owned.exclude(tube_set__plan__programme=who.programme_id)))


def readable(codes: Iterable[str], who: Person) -> set[str]:
    """Those of the codes that are tubes which this person may read. 1 query."""
    mine = Q(tube_set__plan__programme=who.programme_id)
    if whole(who):
        mine |= Q(tube_set=None)
    return set(Tube.objects.filter(mine, code__in=list(codes)).values_list("code", flat=True))
