"""From a request to who acts and to the form of the page, for every page of bench and store."""

from __future__ import annotations

from typing import Any, TypeVar

from django.http import HttpRequest

from biobank.acting import Actor
from biobank.forms import ActForm

F = TypeVar("F", bound=ActForm)


def actor(request: HttpRequest) -> Actor:
    """Who is signed in; `access.right` has put the person on the request."""
    return Actor(request.person, request.user.get_username())  # type: ignore[attr-defined]


def bound(kind: type[F], request: HttpRequest, *, initial: dict[str, Any] | None = None, **given: Any) -> F:
    """This form with what was sent, if anything was; codes in the address (`?tube=…`) stand in it already."""
    start = {"tubes": "\n".join(request.GET.getlist("tube"))} | (initial or {})
    zone = request.person.programme.tz  # type: ignore[attr-defined]
    return kind(request.POST if request.method == "POST" else None, tz=zone, initial=start, **given)
