"""The pages that show what tubes are checked for."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from biobank.access import right
from biobank.checks import queries
from biobank.models import RuleSet


@require_safe
@right("see")
def rules(request: HttpRequest) -> HttpResponse:
    """The rule set in force, and the list of all versions."""
    return _shown(request, queries.in_force())


@require_safe
@right("see")
def rule_set(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """One version, in force or not."""
    return _shown(request, get_object_or_404(RuleSet, code=code, version=version))


def _shown(request: HttpRequest, shown: RuleSet | None) -> HttpResponse:
    groups = queries.groups(shown) if shown else []
    context = {
        "shown": shown, "groups": groups, "versions": queries.rule_sets(),
        "counts": queries.evidence_counts(groups),
    }  # fmt: skip
    return render(request, "checks/rules.html", context)
