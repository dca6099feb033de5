"""Pages of animals, and of which animal a workup is of. Ask, do, show."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from biobank.access import right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.models import Workup

from . import actions, queries
from .forms import IdentifyForm, NewAnimalForm


def _actor(request: HttpRequest) -> Actor:
    return Actor(request.person, request.user.get_username())


def _whose(request: HttpRequest, found: Workup, **sent: Any) -> dict[str, Any]:
    """The page on which one says which animal a workup is of, with its two forms."""
    programme = request.person.programme
    return {
        "workup": found,
        "identify_form": IdentifyForm(programme=programme, auto_id="known_%s"),
        "new_form": NewAnimalForm(tz=programme.tz, auto_id="new_%s"),
        **sent,
    }


@right("draw")
def workup_animal(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.workup_or_404(request.person, code)
    form = IdentifyForm(
        request.POST if request.method == "POST" else None,
        programme=request.person.programme,
        auto_id="known_%s",
    )

    def do(said: dict[str, Any]) -> str:
        actions.identify(_actor(request), found, said["animal"], said["reason"])
        return reverse("workup", args=[found.code])

    context = _whose(request, found, identify_form=form)
    return act_view(request, form, "field/whose.html", do, context, done="Animal said.")


@right("draw")
def workup_new_animal(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.workup_or_404(request.person, code)
    form = NewAnimalForm(
        request.POST if request.method == "POST" else None, tz=request.person.programme.tz, auto_id="new_%s"
    )

    def do(said: dict[str, Any]) -> str:
        actions.new_animal(_actor(request), found, said["species"], said["sex"], said["kind"], said["text"])
        return reverse("workup", args=[found.code])

    context = _whose(request, found, new_form=form)
    return act_view(request, form, "field/whose.html", do, context, done="New animal.")
