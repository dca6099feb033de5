"""Pages of one event: what was said, what became of it, and saying it better."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from biobank.access import event_or_404, event_to_amend, may_amend, right
from biobank.acting import Actor
from biobank.amend import actions, queries
from biobank.amend.forms import CorrectForm, OtherTubeForm, VoidForm
from biobank.amend.lines import DECIDED
from biobank.amend.undoing import SETS_PAGE
from biobank.forms import act_view
from custody.core.kinds import AMENDING
from custody.core.refusal import Refused

asks = require_http_methods(["GET", "HEAD", "POST"])
BROKEN = (
    "The refusal says what would not fit in the history any more. Put that right first; or, if you are sure, "
    "tick “Keep it all the same” and send it again."
)


@require_safe
@right("see")
def event(request: HttpRequest, key: UUID) -> HttpResponse:
    """One event, whole."""
    told = event_or_404(request.person, key)  # type: ignore[attr-defined]
    kind, who = told.said.header["kind"], request.person  # type: ignore[attr-defined]
    allowed = may_amend(who, told.said.header["org"]) and not told.voided
    return render(request, "amend/event.html", {
        "page": queries.event_page(told), "must_count": queries.must_count(told, who.agency.code),
        "may_void": allowed and kind not in SETS_PAGE,
        "may_correct": allowed and kind not in AMENDING | DECIDED,
    })  # fmt: skip


@asks
@right("see")
def correct(request: HttpRequest, key: UUID) -> HttpResponse:
    """It happened, but otherwise."""
    told = event_to_amend(request.person, key)  # type: ignore[attr-defined]
    actor = Actor.of(request.user)
    only = request.GET.get("tube", "")
    form = CorrectForm(request.POST or None, tz=actor.tz, told=told, only=only)

    def do(said: dict[str, Any]) -> str:
        actions.correct(actor, said["key"], str(key), form.fix(), said["note"], said.get("keep", False))
        return reverse("event", args=[key])

    context = {"page": queries.event_page(told), "broken": BROKEN, "only": only}
    return act_view(
        request, form, "amend/correct.html", do, context, done="Corrected. The old stays beside it."
    )


@asks
@right("see")
def other_tube(request: HttpRequest, key: UUID, n: int) -> HttpResponse:
    """It was another tube."""
    told = event_to_amend(request.person, key)  # type: ignore[attr-defined]
    if n >= len(told.lines):
        raise Http404("This event has no such line.")
    actor = Actor.of(request.user)
    form = OtherTubeForm(request.POST or None, tz=actor.tz)

    def do(said: dict[str, Any]) -> str:
        tube, keep = said["tube"], said.get("keep", False)
        done = actions.other_tube(actor, said["key"], str(key), n, tube, said["note"], keep)
        return reverse("event", args=[done])

    context = {"page": queries.event_page(told), "row": queries.event_page(told).rows[n], "broken": BROKEN}
    return act_view(request, form, "amend/tube.html", do, context, done="Voided, and said again as it was.")


@asks
@right("see")
def void(request: HttpRequest, key: UUID) -> HttpResponse:
    """It did not happen."""
    told = event_to_amend(request.person, key)  # type: ignore[attr-defined]
    actor = Actor.of(request.user)
    form = VoidForm(request.POST or None, tz=actor.tz)

    def do(said: dict[str, Any]) -> str:
        keep = said.get("keep", False)
        actions.void(actor, said["key"], str(key), said["note"], said["reason"], keep)
        return reverse("event", args=[key])

    context = {"page": queries.event_page(told), "broken": BROKEN}
    return act_view(request, form, "amend/void.html", do, context, done="It does not count any more.")


@require_POST
@right("see")
def undo(request: HttpRequest, key: UUID) -> HttpResponse:
    """Take back what was just done."""
    told = event_or_404(request.person, key)  # type: ignore[attr-defined]
    try:
        actions.undo(Actor.of(request.user), str(key))
    except Refused as no:
        context = {"page": queries.event_page(told), "no": no}
        return render(request, "amend/undo.html", context, status=422)
    messages.success(request, "Undone. It stays in the ledger, struck out.")
    back = request.POST.get("next", "")
    safe = url_has_allowed_host_and_scheme(back, allowed_hosts={request.get_host()})
    return redirect(back if safe else reverse("event", args=[key]))
