"""The pages that show what tubes are checked for."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from biobank.access import may, right
from biobank.checks import compare, queries, rule_forms, rule_sheet, trial
from biobank.checks.rule_history import history_of
from biobank.checks.rule_refused import set_or_404
from biobank.checks.rule_values import value_of
from biobank.models import RuleSet

KINDS = {
    "csv": (rule_sheet.to_csv, "text/csv; charset=utf-8"),
    "xlsx": (rule_sheet.to_xlsx, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
}


@require_safe
@right("see")
def rules(request: HttpRequest) -> HttpResponse:
    """The rule set in force, and the list of all versions."""
    return _shown(request, queries.in_force())


@require_safe
@right("see")
def rule_set(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """One version, in force or not."""
    return _shown(request, set_or_404(code, version))


def _shown(request: HttpRequest, shown: RuleSet | None) -> HttpResponse:
    groups = queries.groups(shown) if shown else []
    draft = bool(shown and shown.status == RuleSet.Status.DRAFT)
    curates = may(request.person, "curate")  # type: ignore[attr-defined]
    context = {
        "shown": shown, "groups": groups, "versions": queries.rule_sets(), "draft": draft,
        "counts": queries.evidence_counts(groups), "may_edit": draft and curates, "may_copy": curates,
        "questions": queries.count_questions(groups), "trial": trial.of(shown) if shown and draft else None,
        "reason_form": rule_forms.ReasonForm(auto_id="copy_%s"),
        "delete_form": rule_forms.ReasonForm(auto_id="delete_%s"),
    }  # fmt: skip
    return render(request, "checks/rules.html", context)


@require_safe
@right("see")
def rule_history(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """Who changed what in this version, and why."""
    found = set_or_404(code, version)
    return render(request, "checks/rule_history.html", {"shown": found, "changes": history_of(found)})


@require_safe
@right("see")
def rule_export(request: HttpRequest, code: str, version: int, kind: str) -> HttpResponse:
    if kind not in KINDS:
        raise Http404("A rule set is exported as csv or xlsx.")
    found = set_or_404(code, version)
    write, mime = KINDS[kind]
    answer = HttpResponse(write(value_of(found)), content_type=mime)
    answer["Content-Disposition"] = f'attachment; filename="{found.code}-{found.version}.{kind}"'
    return answer


@require_safe
@right("see")
def rules_compare(request: HttpRequest) -> HttpResponse:
    """Two versions side by side: `old` and `new` are "CODE-VERSION"."""
    versions = queries.rule_sets()
    by_key = {f"{one.code}-{one.version}": one for one in versions}
    asked = [request.GET.get(name, "") for name in ("old", "new")]
    if any(key and key not in by_key for key in asked):
        raise Http404("There is no such rule set.")
    old, new = (by_key.get(key) for key in asked)
    context = {
        "versions": [(key, one, str(one)) for key, one in by_key.items()], "old": old, "new": new,
        "picked": (old or queries.in_force(), new or next(iter(versions), None)),
    }  # fmt: skip
    if old and new:
        groups = queries.named(compare.between(value_of(old), value_of(new)))
        context |= {"groups": groups, "counts": compare.count([group for _, group in groups])}
    return render(request, "checks/rule_compare.html", context | {"asked": asked})


@require_safe
@right("see")
def disagreements(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """The rules that answer one question, side by side."""
    found = set_or_404(code, version)
    may_edit = found.status == RuleSet.Status.DRAFT and may(request.person, "curate")  # type: ignore[attr-defined]
    rows = [(one, rule_forms.ChooseForm(rules=one.rules, prefix=one.key)) for one in queries.questions(found)]
    context = {"shown": found, "rows": rows, "may_edit": may_edit}
    return render(request, "checks/rule_disagreements.html", context)
