"""Pages of the answer strip (grade C) and of a carrier's word (grade D)."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.handoffs import strip, tracking
from biobank.handoffs.queries import Handoff
from biobank.handoffs.strip_forms import StripForm, TrackedForm
from biobank.handoffs.views import found_or_404
from biobank.models import HandoffPaper
from custody.core import evidence
from custody.core.refusal import Refused

TEMPLATE = "handoffs/strip.html"


@right("handoff")
@require_http_methods(["GET", "POST"])
def enter(request: HttpRequest, key: UUID) -> HttpResponse:
    """Type what a signed strip says, its photo beside it. A photo is kept at once, whatever becomes of the
    rest."""
    one, actor = _handoff(request, key)
    new, wrong = _taken(request, actor, str(key))
    papers = list(strip.papers(str(key)))
    context = {"handoff": one, "papers": papers, "wrong": wrong, "grade": evidence.C}
    if request.method == "POST" and (wrong or "add" in request.POST):
        typed = request.POST.dict() | ({"paper": new[-1].short} if new else {})
        form = StripForm(tz=actor.tz, papers=papers, initial=typed)
        return render(request, TEMPLATE, {**context, "form": form}, status=422 if wrong else 200)
    form = StripForm(_posted(request, new), tz=actor.tz, papers=papers)

    def do(said: dict[str, Any]) -> str:
        strip.enter(actor, said["key"], str(key), form.photo(), form.strip())
        return reverse("handoff", args=[key])

    return act_view(request, form, TEMPLATE, do, context, done="Saved as answered on paper.")


def _taken(request: HttpRequest, actor: Actor, handoff: str) -> tuple[list[HandoffPaper], Refused | None]:
    """Photos that came with this form; one byte more than allowed is read, so that it is refused."""
    most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    sent = [(file.name or "", file.read(most + 1)) for file in request.FILES.getlist("files")]
    try:
        return strip.keep(actor, handoff, sent) if sent else [], None
    except Refused as no:
        return [], no


def _posted(request: HttpRequest, new: list[HandoffPaper]) -> Any:
    """What was sent, with the photo that came with it."""
    if request.method != "POST":
        return None
    said = request.POST.copy()
    if new:
        said["paper"] = new[-1].short
    return said


@right("see")
@require_safe
def paper(request: HttpRequest, key: UUID, name: str) -> HttpResponse:
    """The exact bytes of a photo, to look at and never to run: it came from outside."""
    found_or_404(request, key)
    found = (
        HandoffPaper.objects.filter(handoff=key, sha256__startswith=name).first() if len(name) == 16 else None
    )
    if found is None:
        raise Http404("No such photo of a paper.")
    shown = content_disposition_header(found.kind == "application/pdf", strip.file_name(found)) or ""
    return HttpResponse(bytes(found.content), content_type=found.kind, headers={
        "Content-Disposition": shown, "X-Content-Type-Options": "nosniff",
        "Content-Security-Policy": "sandbox; default-src 'none'", "Cache-Control": "private, max-age=3600",
    })  # fmt: skip


@right("handoff")
@require_http_methods(["GET", "POST"])
def tracked(request: HttpRequest, key: UUID) -> HttpResponse:
    """Write down what the carrier says. It is no answer."""
    one, actor = _handoff(request, key)
    form = TrackedForm(request.POST or None, tz=actor.tz)

    def do(said: dict[str, Any]) -> str:
        tracking.say(actor, said["key"], str(key), said["said"], said["at"])
        return reverse("handoff", args=[key])

    context = {"handoff": one, "words": tracking.words(str(key)), "grade": evidence.D}
    return act_view(
        request, form, "handoffs/tracked.html", do, context, done="Noted. The tubes stay with their giver."
    )


def _handoff(request: HttpRequest, key: UUID) -> tuple[Handoff, Actor]:
    """For the giver's side and for curators; 403 for others who may see it."""
    one, actor = found_or_404(request, key), Actor.of(request.user)
    try:
        strip.check_may(actor, str(key))
    except Refused as no:
        raise PermissionDenied(no.sentence) from no
    return one, actor
