"""The sender's page of a one-time link.

Promises: address and code are on the page that made them and on no other.
"""

from __future__ import annotations

from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from biobank.access import right
from biobank.acting import Actor
from biobank.handoffs import links
from biobank.handoffs.link_forms import MakeForm
from biobank.handoffs.paper import qr
from biobank.handoffs.views import found_or_404
from custody.core.refusal import Refused


@right("handoff")
@require_http_methods(["GET", "POST"])
def link(request: HttpRequest, key: UUID) -> HttpResponse:
    """Make a link for the receiver of this handoff; what became of the ones before."""
    one, actor, now = found_or_404(request, key), Actor.of(request.user), timezone.now()
    _giver(actor, str(key))
    form, made = MakeForm(request.POST or None), None
    if request.method == "POST" and form.is_valid():
        try:
            made = links.make(actor, str(key), form.cleaned_data["days"], now)
        except Refused as no:
            form.add_error(None, ValidationError(no.sentence, no.code))
    status = 422 if form.is_bound and form.errors else 200
    answer = render(request, "handoffs/link.html", {
        "handoff": one, "form": MakeForm() if made else form,
        "links": [(row, links.state(row, now)) for row in links.of_handoff(str(key))],
        "most_tries": links.MOST_TRIES, **(_told(request, made) if made else {}),
    }, status=status)  # fmt: skip
    answer["Cache-Control"] = "no-store"
    return answer


def _told(request: HttpRequest, made: links.Made) -> dict[str, object]:
    path = reverse("answer", args=[made.secret])
    address = f"{settings.SITE_URL}{path}" if settings.SITE_URL else request.build_absolute_uri(path)
    return {
        "made": made.link,
        "address": address,
        "symbol": qr(address),
        "code": made.code,
        "secret": made.secret,
    }


@right("handoff")
@require_POST
def revoke(request: HttpRequest, key: UUID) -> HttpResponse:
    """The link counts no longer."""
    found_or_404(request, key)
    actor = Actor.of(request.user)
    _giver(actor, str(key))
    links.revoke(actor, str(key), timezone.now())
    messages.success(request, "Revoked. The link opens nothing any more.")
    return redirect("handoff_link", key)


def _giver(actor: Actor, handoff: str) -> None:
    try:
        links.check_giver(actor, handoff)
    except Refused as no:
        raise PermissionDenied(no.sentence) from no
