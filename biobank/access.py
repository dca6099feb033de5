"""Every "may this person": fetches the object or raises.

Promises: a stranger to a tube gets 404, a member without the right 403; no other file asks about roles.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse

from biobank.core import codes
from biobank.models import Person, Role, Tube
from custody import queries as ledger
from custody.core.refusal import Refused

WORK = {"see", "handoff"}
BENCH = WORK | {"print", "bench", "store", "loggers"}
DECIDE = {"import", "curate", "catalogue", "identify", "override"}
RIGHTS: dict[str, set[str]] = {
    Role.FIELD: WORK | {"print", "draw", "identify"},
    Role.LAB: BENCH,
    Role.CURATOR: BENCH | DECIDE,
    Role.COLLABORATOR: {"catalogue"},
    Role.AUDITOR: {"see", "catalogue"},
    Role.ADMINISTRATOR: BENCH | DECIDE | {"draw", "register"},
}

View = Callable[..., HttpResponse]


def person(user: Any) -> Person:
    """The person who is signed in; a login that belongs to nobody may do nothing."""
    found = Person.objects.select_related("agency", "programme").filter(user_id=user.pk).first()
    if found is None:
        raise PermissionDenied("This login belongs to no person of the programme.")
    return found


def may(who: Person, name: str) -> bool:
    return name in RIGHTS[who.role]


def right(name: str) -> Callable[[View], View]:
    """Only for people with this right; puts them on `request.person`."""

    def wrap(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            request.person = person(request.user)  # type: ignore[attr-defined]
            if not may(request.person, name):  # type: ignore[attr-defined]
                raise PermissionDenied(f"Your role does not include the right to {name}.")
            return view(request, *args, **kwargs)

        return guarded

    return wrap


def tube_or_404(who: Person, code: str) -> Tube:
    """The tube with this code (any way of writing it) in this person's programme."""
    try:
        plain = codes.normalise(code)
    except Refused as no:
        raise Http404(no.sentence) from no
    if not may(who, "see"):
        raise Http404("No such tube.")
    found = Tube.objects.select_related("tube_set__workup__animal", "planned", "tube_set__plan")
    tube = found.filter(code=plain).first()
    programme = tube and tube.tube_set and tube.tube_set.plan.programme_id
    if tube is None or (programme and programme != who.programme_id):
        raise Http404("No such tube.")
    return tube


def event_or_404(who: Person, key: Any) -> ledger.Told:
    """An event of the ledger that is about tubes of this person's programme, with what became of it.

    An amendment is about what it amends. Units belong to no programme.
    """
    found = ledger.told([str(key)]).get(str(key))
    if found is None or not may(who, "see"):
        raise Http404("No such event.")
    named = ledger.subjects(found.said.id)
    owners = Tube.objects.filter(code__in=named, tube_set__isnull=False).values_list(
        "tube_set__plan__programme_id", flat=True
    )
    if set(owners) - {who.programme_id}:
        raise Http404("No such event.")
    return found


def may_amend(who: Person, org: str) -> bool:
    """The agency that said something may amend it, and a curator; those who only look on may not."""
    return may(who, "curate") or (may(who, "handoff") and who.agency.code == org)


def event_to_amend(who: Person, key: Any) -> ledger.Told:
    """An event that this person may void or correct; 403 when it is another agency's."""
    found = event_or_404(who, key)
    if not may_amend(who, found.said.header["org"]):
        raise PermissionDenied("Only the agency that said this, or a curator, may amend it.")
    return found
