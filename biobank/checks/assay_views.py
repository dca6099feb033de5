"""Pages of assays and their families. Ask, do, show."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from biobank.access import may, right
from biobank.checks import queries, rule_forms, ruling_assays
from biobank.checks.assay_forms import AssayForm
from biobank.checks.rule_refused import asked, refusing
from biobank.forms import act_view
from biobank.models import Assay

TEMPLATE = "checks/assay_form.html"


@require_safe
@right("see")
def assays(request: HttpRequest) -> HttpResponse:
    """Every assay, families with their members, and how many rules each has. 4 queries."""
    context = {"heads": queries.assays(), "may_edit": may(request.person, "curate")}  # type: ignore[attr-defined]
    return render(request, "checks/assays.html", context)


@right("curate")
def assay_new(request: HttpRequest) -> HttpResponse:
    form = AssayForm(asked(request))

    def do(said: dict[str, Any]) -> str:
        made = ruling_assays.add_assay(said, request.user, said["reason"])
        return f"{reverse('assays')}#{made.code}"

    return act_view(request, form, TEMPLATE, do, {}, "Assay added.")


def _assay(code: str) -> Assay:
    return get_object_or_404(Assay.objects.select_related("family").prefetch_related("takes"), code=code)


@right("curate")
def assay_edit(request: HttpRequest, code: str) -> HttpResponse:
    found = _assay(code)
    form = AssayForm(asked(request), assay=found)

    def do(said: dict[str, Any]) -> str:
        ruling_assays.change_assay(found, said, request.user, said["reason"])
        return f"{reverse('assays')}#{found.code}"

    context = {"assay": found, "retire_form": rule_forms.ReasonForm(auto_id="retire_%s")}
    return act_view(request, form, TEMPLATE, do, context, "Changed.")


@right("curate")
@require_POST
@refusing
def assay_retire(request: HttpRequest, code: str) -> HttpResponse:
    """No longer run; with `again`: run again."""
    found = _assay(code)
    retire_form = rule_forms.ReasonForm(request.POST, auto_id="retire_%s")

    def do(said: dict[str, Any]) -> str:
        retired = "again" not in request.POST
        ruling_assays.retire_assay(found, retired, request.user, said["reason"])
        return f"{reverse('assays')}#{found.code}"

    context = {"shown": None, "assay": found, "title": f"Retire {found.name}", "button": "Do it",
               "again": "again" in request.POST}  # fmt: skip
    return act_view(request, retire_form, "checks/rule_reason.html", do, context, "Changed.")
