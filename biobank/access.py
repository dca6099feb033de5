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
from custody.core.refusal import Refused

WORK = {"see", "handoff"}
RIGHTS: dict[str, set[str]] = {
    Role.FIELD: WORK | {"print", "draw"},
    Role.LAB: WORK | {"print", "bench", "store", "loggers"},
    Role.CURATOR: WORK | {"print", "bench", "store", "loggers", "import", "curate", "catalogue"},
    Role.COLLABORATOR: {"catalogue"},
    Role.AUDITOR: {"see", "catalogue"},
    Role.ADMINISTRATOR: WORK
    | {"print", "draw", "bench", "store", "loggers", "import", "curate", "catalogue"},
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
