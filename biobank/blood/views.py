"""Pages of blood limits. Ask, do, show."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone

from biobank.access import right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.models import Person

from . import actions, queries
from .access import may_set
from .forms import AllowForm, LimitForm
from .published import TEXTS


def _who(request: HttpRequest) -> Person:
    """Who asks; 403 when somebody sends a form who may not set anything."""
    who: Person = request.person  # type: ignore[attr-defined]
    if request.method == "POST" and not may_set(who):
        raise PermissionDenied("The veterinarian of the programme, or an administrator, sets blood limits.")
    return who


@right("see")
def limits(request: HttpRequest) -> HttpResponse:
    """The limits, those of others to compare with, and the draws over the limit. 15 queries more."""
    who = _who(request)
    today = timezone.now().astimezone(ZoneInfo(who.programme.tz)).date()
    asked = request.POST if request.method == "POST" else None
    form = LimitForm(asked, tz=who.programme.tz, initial={"since": today, "window": 14})

    def do(said: dict[str, Any]) -> str:
        actor, rule = Actor(who, request.user.get_username()), form.rule()
        actions.set_limit(
            actor, said["key"], rule, said["since"], said["source"], said["species"], said["note"]
        )
        return reverse("blood")

    species = queries.species_of(who.programme)
    context = {
        "species": species,
        "rows": queries.shown(queries.limits(who.programme), today, species),
        "texts": TEXTS,
        "over": queries.over_limit(who.programme),
        "looked_at": queries.LOOKED_AT,
        "may_set": may_set(who),
    }
    return act_view(request, form, "blood/limits.html", do, context, done="The limit is set.")


@right("see")
def workup_blood(request: HttpRequest, code: str) -> HttpResponse:
    """How one workup stands, what still fits, and where the veterinarian allows more."""
    who = _who(request)
    found = queries.workup_or_404(who, code)
    form = AllowForm(request.POST if request.method == "POST" else None, tz=who.programme.tz)

    def do(said: dict[str, Any]) -> str:
        actor = Actor(who, request.user.get_username())
        actions.allow(actor, said["key"], found, said["ml"], said["reason"])
        return reverse("workup_blood", args=[found.code])

    context = {"workup": found, "budget": queries.budget(found), "may_set": may_set(who)}
    return act_view(request, form, "blood/workup.html", do, context, done="Written down.")
