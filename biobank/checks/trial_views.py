"""Pages of a trial: begin it, go on with it, look at what would change. Ask, do, show."""

from __future__ import annotations

import csv
import io
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_safe

from biobank.access import may, right
from biobank.checks import queries, trial, trial_queries
from biobank.checks.rule_refused import draft_or_refused, page_of, refusing, set_or_404
from biobank.models import RuleSet, Trial
from biobank.plans.sheet import harmless
from custody.core.refusal import Refused

ROWS = 50


@right("see")
@refusing
def trial_page(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """GET: how far it is and what it found. POST, by a curator: begin, go on, or with `anew` begin again."""
    found = set_or_404(code, version)
    curates = may(request.person, "curate")  # type: ignore[attr-defined]
    if request.method != "POST":
        return _shown(request, found, curates)
    if not curates:
        raise PermissionDenied("Your role does not include the right to curate.")
    draft = draft_or_refused(code, version)
    try:
        by, anew = request.person, "anew" in request.POST  # type: ignore[attr-defined]
        trial.go_on(trial.begin(draft, by, anew))
    except Refused as no:
        return _shown(request, found, curates, no)
    return redirect(page_of(draft, "trial"))


def _shown(request: HttpRequest, found: RuleSet, curates: bool, no: Refused | None = None) -> HttpResponse:
    one = trial.of(found)
    context: dict[str, Any] = {
        "shown": found, "trial": one, "no": no, "may_edit": curates and found.status == RuleSet.Status.DRAFT,
        "stale": bool(one and trial.stale(one)),
    }  # fmt: skip
    if one:
        context |= _changes(request, one)
    return render(request, "checks/trial.html", context, status=422 if no else 200)


def _changes(request: HttpRequest, one: Trial) -> dict[str, Any]:
    programme = request.person.programme  # type: ignore[attr-defined]
    step = request.GET.get("step", "")
    changes = trial_queries.changes_of(one, programme)
    some = trial_queries.chosen(changes, step).order_by("assay", "before", "now", "tube")
    page = Paginator(some, ROWS).get_page(request.GET.get("page"))
    rows = [trial_queries.worded(change) for change in page]
    return queries.counted(one, programme) | {"page": page, "rows": rows, "step": step}


@require_safe
@right("see")
def trial_csv(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """All changes, or those of one step, as a table."""
    one = trial.of(set_or_404(code, version))
    if one is None:
        raise Http404("This set was not tried out.")
    programme = request.person.programme  # type: ignore[attr-defined]
    changes = trial_queries.chosen(trial_queries.changes_of(one, programme), request.GET.get("step", ""))
    text = io.StringIO()
    lines = ([harmless(cell) for cell in line] for line in trial_queries.lines(changes))
    csv.writer(text, lineterminator="\r\n").writerows(lines)
    answer = HttpResponse(text.getvalue().encode("utf-8-sig"), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="trial-{code}-{version}.csv"'
    return answer
