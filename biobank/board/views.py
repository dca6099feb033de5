"""The countdown board for a wall screen, and the rotors that its runs are proposed for."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.acting import ms
from biobank.bench.asked import actor
from biobank.board import actions, queries
from biobank.board.forms import RotorForm
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

    context = {"rotors": Rotor.objects.filter(agency=who.person.agency, retired=False)}
    form = RotorForm(request.POST if request.method == "POST" else None)
    return act_view(request, form, "board/rotors.html", do, context, done="Rotor added.")
