"""Pages of what is out of the cold: the list, the way back, the question after it, the limits."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import event_or_404, may, right
from biobank.acting import ms
from biobank.bench.asked import actor, bound
from biobank.disposal import clocks, out_actions, returned
from biobank.disposal.out_forms import BackForm, LimitForm, ThawForm
from biobank.forms import act_view
from biobank.store.queries import box_codes, holder_codes

asks = require_http_methods(["GET", "HEAD", "POST"])


@require_safe
@right("see")
def out(request: HttpRequest) -> HttpResponse:
    """What this agency has out of the cold, the most urgent first."""
    who, now = actor(request), ms(timezone.now())
    programme = who.person.programme
    return render(request, "disposal/out.html", {
        "out": clocks.out(who.org, programme, now), "now_ms": now,
        "questions": returned.open_questions(who.org, programme, now),
        "may_store": may(who.person, "store"), "may_curate": may(who.person, "curate"),
    })  # fmt: skip


@asks
@right("store")
def back(request: HttpRequest) -> HttpResponse:
    """A box, a rack or tubes go back; when they were out for too long the next page asks about a thaw."""
    start = {name: request.GET.get(name, "") for name in ("unit", "to", "slot")}
    form = bound(BackForm, request, initial=start)
    form.fields["to" if start["unit"] or request.GET.get("tube") else "unit"].widget.attrs["autofocus"] = True

    def do(said: dict[str, Any]) -> str:
        who = actor(request)
        return returned.then(out_actions.bring_back(who, **said), who, reverse("out"))

    context = {"places": sorted({*box_codes(), *holder_codes()})}
    return act_view(request, form, "disposal/back.html", do, context, done="Back in the cold.")


@asks
@right("store")
def thaw(request: HttpRequest, key: UUID) -> HttpResponse:
    """Count a thaw? For everything that one event brought back too late."""
    who = actor(request)
    told = event_or_404(who.person, key)
    if told.said.header["org"] != who.org:
        raise Http404("Another agency brought this back.")
    asked = returned.question(str(key), who.org, who.person.programme)
    if asked is None and request.method != "POST":
        return redirect("out")

    def do(said: dict[str, Any]) -> str:
        out_actions.answer(who, said["key"], str(key), said["counted"] == "yes", said["why"])
        return reverse("out")

    context = {"asked": asked, "told": told}
    return act_view(
        request, bound(ThawForm, request), "disposal/thaw.html", do, context, done="Answered."
    )  # fmt: skip


@asks
@right("curate")
def limits(request: HttpRequest) -> HttpResponse:
    """How long what is kept at which class may be out."""
    who = actor(request)
    found = clocks.limits_of(who.person.programme)
    form = LimitForm(request.POST if request.method == "POST" else None)

    def do(said: dict[str, Any]) -> str:
        out_actions.set_limit(who, **said)
        return reverse("out_limits")

    bands = [(words, found[band]) for band, words in LimitForm.base_fields["band"].choices]  # type: ignore[attr-defined]
    return act_view(request, form, "disposal/limits.html", do, {"bands": bands}, done="Limit saved.")
