"""The register of permits: who may take and hold samples, by which paper, until when. Ask, do, show.

Promises: a permit of another programme is 404. What a paper allows is for the authorities to say, not for
this page.
"""

from __future__ import annotations

from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from biobank.access import may, right
from biobank.checks import ruling_assays
from biobank.checks.assay_forms import PermitForm
from biobank.checks.rule_refused import asked, today
from biobank.forms import act_view
from biobank.models import Permit


def _may(request: HttpRequest) -> bool:
    who = request.person  # type: ignore[attr-defined]
    return may(who, "curate") or may(who, "register")


@require_safe
@right("see")
def permits(request: HttpRequest) -> HttpResponse:
    """All of the programme, the newest first. 1 query."""
    programme = request.person.programme  # type: ignore[attr-defined]
    rows = Permit.objects.filter(programme=programme).select_related("agency")
    context = {"rows": rows, "today": today(request), "may_edit": _may(request)}
    return render(request, "checks/permits.html", context)


@right("see")
def permit_new(request: HttpRequest) -> HttpResponse:
    return _form(request, None)


@right("see")
def permit_edit(request: HttpRequest, pk: int) -> HttpResponse:
    programme = request.person.programme  # type: ignore[attr-defined]
    return _form(request, get_object_or_404(Permit, pk=pk, programme=programme))


def _form(request: HttpRequest, permit: Permit | None) -> HttpResponse:
    if not _may(request):
        raise PermissionDenied("Your role does not include the right to curate.")
    form = PermitForm(asked(request), permit=permit)
    programme = request.person.programme  # type: ignore[attr-defined]

    def do(said: dict[str, Any]) -> str:
        ruling_assays.save_permit(programme, permit, said, request.user, said["reason"])
        return reverse("permits")

    return act_view(request, form, "checks/permit_form.html", do, {"permit": permit}, "Saved.")
