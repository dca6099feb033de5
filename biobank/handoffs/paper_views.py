"""Papers of a handoff and of a box, as PDF."""

from __future__ import annotations

from uuid import UUID

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from biobank.access import may, right
from biobank.handoffs import lid as lid_paper
from biobank.handoffs import manifest as manifest_paper
from biobank.handoffs import paper, queries
from biobank.handoffs.views import found_or_404
from biobank.models import Person, Unit
from custody.core.refusal import Refused


def _pdf(content: bytes, name: str) -> HttpResponse:
    headers = {"Content-Disposition": f'inline; filename="{name}.pdf"', "Cache-Control": "no-store"}
    return HttpResponse(content, content_type="application/pdf", headers=headers)


@right("see")
@require_http_methods(["GET", "POST"])
def manifest(request: HttpRequest, key: UUID) -> HttpResponse:
    """The list that goes with the tubes; by POST with the secret of a new link, with the link."""
    one = found_or_404(request, key)
    _counted_first(request.person, one)  # type: ignore[attr-defined]
    link = _address(request, key) if request.method == "POST" else ""
    return _pdf(manifest_paper.manifest_pdf(one, link), f"manifest-{one.said.seq}")


@right("see")
def lid(request: HttpRequest, key: UUID) -> HttpResponse:
    """A sheet for the lid of each box, or of one (`?box=CODE`, or `?box=loose`)."""
    one = found_or_404(request, key)
    _counted_first(request.person, one)  # type: ignore[attr-defined]
    try:
        made = lid_paper.lid_pdf(one, request.GET.get("box") or None)
    except Refused as no:
        raise Http404(no.sentence) from no
    return _pdf(made, f"lid-{one.said.seq}")


@right("see")
def custody_pdf(request: HttpRequest, key: UUID) -> HttpResponse:
    """The chain-of-custody paper of a handoff."""
    one = found_or_404(request, key)
    _counted_first(request.person, one)  # type: ignore[attr-defined]
    return _pdf(paper.handoff_pdf(one), f"custody-{one.said.seq}")


@right("see")
def unit_custody(request: HttpRequest, code: str) -> HttpResponse:
    """The chain of custody of the tubes that are in a box now."""
    unit = get_object_or_404(Unit.objects.select_related("agency"), code=code)
    return _pdf(paper.box_pdf(unit), f"custody-{unit.code}")


def _counted_first(who: Person, one: queries.Handoff) -> None:
    """403 for whoever is to count these tubes and has not: the papers say how many there are."""
    mine = one.header["data"]["to"] == who.agency.code and may(who, "handoff")
    if mine and one.open and not one.answers:
        raise PermissionDenied("Count the tubes first: this paper says how many there are.")


def _address(request: HttpRequest, key: UUID) -> str:
    """The address of a one-time link of this handoff, of which only whoever made it knows the secret."""
    from biobank.handoffs import links  # answers by link; the papers do without

    secret = request.POST.get("secret", "")
    found = links.find(secret) if secret else None
    if found is None or found.handoff != key:
        raise Http404("This is no link of this handoff.")
    path = reverse("answer", args=[secret])
    return f"{settings.SITE_URL}{path}" if settings.SITE_URL else request.build_absolute_uri(path)
