"""The countdown board for a wall screen, and the rotors that its runs are proposed for."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.acting import ms
from biobank.bench.asked import actor
from biobank.board import actions, queries
from biobank.board.forms import ReasonForm, RotorChangeForm, RotorForm
from biobank.board.history import history_of
from biobank.forms import act_view
from biobank.models import Rotor


@require_safe
@right("see")
def board(request: HttpRequest) -> HttpResponse:
    """Every tube in this agency's hands by how soon something must happen to it."""
    who, now = actor(request), timezone.now()
    found = queries.board(who.org, ms(now), who.tz)
    return render(
        request,
        "board/board.html",
        {"board": found, "now_ms": ms(now), "may_bench": may(who.person, "bench")},
    )


@require_http_methods(["GET", "HEAD", "POST"])
@right("bench")
def rotors(request: HttpRequest) -> HttpResponse:
    """This agency's rotors, and a form for another."""
    who = actor(request)

    def do(said: dict[str, Any]) -> str:
        actions.add_rotor(who, **said)
        return reverse("rotors")

    every = list(Rotor.objects.filter(agency=who.person.agency))
    context = {
        "rotors": [one for one in every if not one.retired],
        "retired": [one for one in every if one.retired],
    }
    form = RotorForm(request.POST if request.method == "POST" else None)
    return act_view(request, form, "board/rotors.html", do, context, done="Rotor added.")


def _own(request: HttpRequest, pk: int) -> Rotor:
    return get_object_or_404(Rotor, pk=pk, agency=actor(request).person.agency)


@require_http_methods(["GET", "HEAD", "POST"])
@right("bench")
def rotor(request: HttpRequest, pk: int) -> HttpResponse:
    """One rotor: what changes, and how it came to be as it is."""
    found = _own(request, pk)
    start = {name: getattr(found, name) for name in actions.FIELDS}
    form = RotorChangeForm(request.POST if request.method == "POST" else None, initial=start)

    def do(said: dict[str, Any]) -> str:
        actions.change_rotor(actor(request), pk, said.pop("reason"), **said)
        return reverse("rotor", args=[pk])

    context = {"rotor": found, "changes": history_of(found)}
    return act_view(request, form, "board/rotor.html", do, context, done="Changed.")


@require_http_methods(["GET", "HEAD", "POST"])
@right("bench")
def rotor_retire(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a rotor out of use, or use it again."""
    found = _own(request, pk)
    form = ReasonForm(request.POST if request.method == "POST" else None)
    do_it = actions.bring_back_rotor if found.retired else actions.retire_rotor

    def do(said: dict[str, Any]) -> str:
        do_it(actor(request), pk, said["reason"])
        return reverse("rotors")

    done = "In use again." if found.retired else "Out of use."
    return act_view(request, form, "board/rotor_retire.html", do, {"rotor": found}, done=done)
