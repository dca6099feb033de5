"""Fit for use: which assays there are, one tube for all of them, one of them for many tubes."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_POST, require_safe

from biobank.access import may
from biobank.acting import ms
from biobank.checks import fit_due, fit_lists, fit_page, fit_sheet, fit_words, preanalytical
from biobank.checks.fit_access import readable, reads, tube_to_read, whole
from biobank.checks.fit_forms import SelectForm
from biobank.checks.passport_veil import Veil
from biobank.core import codes
from biobank.models import Assay, Person, RuleSet
from biobank.tubes.forms import FindForm
from custody.core.refusal import Refused
from custody.core.sprec import Code

log = logging.getLogger("biobank.exports")
TYPES = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "pdf": "application/pdf",
}
NOT_A_CONDITION = {"page", "order", "as"}


def _who(request: HttpRequest) -> Person:
    return request.person  # type: ignore[attr-defined,no-any-return]


@require_safe
@reads
def fit(request: HttpRequest) -> HttpResponse:
    """Scan a tube, or choose an assay; how many tubes are fit for each, and how old that is."""
    who, form = _who(request), FindForm(request.GET if "scan" in request.GET else None)
    if form.is_valid():
        code = form.cleaned_data["scan"]
        if readable([code], who):
            return redirect("fit_tube", code)
        form.add_error("scan", ValidationError("There is no tube with this code here.", "tube_unknown"))
    return render(request, "checks/fit.html", {
        "form": form, "branches": fit_lists.tree(who, ms(timezone.now())), "full": whole(who),
        "in_force": _in_force(), "order": fit_words.WORD_ORDER[::-1],
        "doors": [(name, words) for name, words in DOORS if whole(who) or name == "passport_batch"],
    }, status=422 if form.is_bound and form.errors else 200)  # fmt: skip


DOORS = [
    ("work", "Open findings"), ("overrides", "Overrides"), ("deviations", "Deviations"),
    ("passport_batch", "Passports"),
]  # fmt: skip


@require_safe
@reads
def fit_tube(request: HttpRequest, code: str) -> HttpResponse:
    """One tube and all assays that take it, with why and how sure."""
    who = _who(request)
    tube = tube_to_read(who, code)
    if tube.code != code:
        return redirect("fit_tube", tube.code)
    now = ms(timezone.now())
    page = fit_page.page_of(tube, who, now)
    return render(request, "checks/fit_tube.html", {
        "tube": tube, "page": page, "full": whole(who), "now_ms": now,
        "preanalytical": _preanalytical(tube.code, who, now),
        "passport": fit_words.address("passport", tube.code) if page.filled else "",
    })  # fmt: skip


def _preanalytical(code: str, who: Person, now: int) -> Code | None:
    """The tube's preanalytical code; for who sees the catalogue alone without names in its words."""
    found = preanalytical.codes_of([code], now).get(code)
    if found is None or whole(who):
        return found
    veil = Veil(False, who.programme.tz)
    return replace(found, elements=tuple(one._replace(why=veil.clean(one.why)) for one in found.elements))


@require_safe
@reads
def fit_assay(request: HttpRequest, assay: str) -> HttpResponse:
    """One assay and a selection of tubes, on pages or as a file."""
    who, now = _who(request), ms(timezone.now())
    found = get_object_or_404(Assay.objects.select_related("family"), code=assay)
    form = _form(request, found, who)
    by = request.GET.get("order", "rank")
    rows = _rows(form, found, who, by)
    wanted = request.GET.get("as", "")
    answer = _file(form, rows, found, who, now, wanted) if wanted in TYPES and rows is not None else None
    if answer:
        return answer
    context = _listed(request, form, rows, found, who, now)
    return render(request, "checks/fit_assay.html", context, status=422 if form.errors else 200)


def _form(request: HttpRequest, assay: Assay, who: Person) -> SelectForm:
    takes = {matrix for matrix, _ in fit_due.takes_of(assay)}
    return SelectForm(request.GET, who=who, takes=sorted(takes))


def _rows(form: SelectForm, assay: Assay, who: Person, by: str) -> Any:
    """The kept answers that are asked for; None when the form refuses."""
    if not form.is_valid():
        return None
    try:
        return fit_lists.ordered(fit_lists.selection(assay, form.cleaned_data, who), by, whole(who))
    except Refused as no:
        form.add_error("unit", ValidationError(no.sentence, no.code))
        return None


def _listed(
    request: HttpRequest, form: SelectForm, rows: Any, assay: Assay, who: Person, now: int
) -> dict[str, Any]:
    by, full = request.GET.get("order", "rank"), whole(who)
    page = fit_lists.page_of(rows, request.GET.get("page")) if rows is not None else None
    shown = fit_lists.anew(page, assay, who, now) if page else []
    changed = [row.kept.tube for row in shown if row.before]
    query = request.GET.copy()
    for name in NOT_A_CONDITION:
        query.pop(name, None)
    return {
        "assay": assay, "members": list(assay.members.filter(retired=False)),
        "in_force": _in_force(), "form": form, "chosen": _chosen(form), "full": full,
        "page": page, "rows": shown,
        "passports": _passports(assay, [row.kept.tube for row in shown]),
        "order": by, "orders": fit_lists.orders(by, full), "columns": fit_lists.columns(by, full),
        "query": query.urlencode(),
        "due": fit_due.due(assay, who, now, changed) if full else None, "piece": fit_due.PIECE,
        "may_judge": may(who, "bench") or may(who, "curate"),
        "most": fit_sheet.MOST, "most_paper": fit_sheet.MOST_PAPER,
    }  # fmt: skip


def _passports(assay: Assay, shown: list[str]) -> str:
    """Address of the form that makes a passport for each tube of the page, for this assay."""
    said = urlencode({"assay": assay.code, "tubes": "\n".join(codes.show(one) for one in shown)})
    return f"{reverse('passport_batch')}?{said}" if shown else ""


def _in_force() -> RuleSet | None:
    return RuleSet.objects.filter(status=RuleSet.Status.IN_FORCE).first()


def _chosen(form: SelectForm) -> list[tuple[str, str]]:
    """What the selection was made by, in words."""
    found = []
    for name, field in form.fields.items():
        value = form.cleaned_data.get(name) if form.is_valid() else None
        if value in (None, "", []):
            continue
        if isinstance(value, list):
            value = f"{len(value)} of them"
        found.append((str(field.label), str(dict(getattr(field, "choices", ())).get(value, value))))
    return found


def _file(form: SelectForm, rows: Any, assay: Assay, who: Person, now: int, kind: str) -> HttpResponse | None:
    """The selection as a file; None, with the refusal in the form, when it is too large."""
    most = fit_sheet.MOST_PAPER if kind == "pdf" else fit_sheet.MOST
    many = rows.count()
    if many > most:
        sentence = f"{many:,} tubes are chosen, and a {kind.upper()} holds at most {most:,}. Choose fewer."
        form.add_error(None, ValidationError(sentence, "selection_too_large"))
        return None
    said = list(fit_sheet.lines(fit_lists.pieces(rows, assay, who, now), whole(who)))
    writers: Mapping[str, Any] = {
        "csv": fit_sheet.to_csv, "xlsx": fit_sheet.to_xlsx,
        "pdf": lambda some: fit_sheet.to_pdf(some, assay, _chosen(form)),
    }  # fmt: skip
    content = writers[kind](said)
    log.info("verdicts for %s as %s: %d tubes, by %s", assay.code, kind, len(said), who.code,
             extra={"who": who.code, "what": f"verdicts {assay.code} {kind}", "rows": len(said)})  # fmt: skip
    name = f"fit-for-{assay.code}.{kind}"
    return HttpResponse(
        content, TYPES[kind], headers={"Content-Disposition": f'attachment; filename="{name}"'}
    )


@require_POST
@reads
def fit_again(request: HttpRequest, assay: str) -> HttpResponse:
    """Work out a piece of what is due for an assay."""
    who = _who(request)
    if not (may(who, "bench") or may(who, "curate")):
        raise PermissionDenied("Your role does not include the right to work out verdicts.")
    found = get_object_or_404(Assay, code=assay)
    named = [one for one in request.POST.getlist("tube")[: fit_due.PIECE] if codes.is_valid(one)]
    many = fit_due.work_out(found, who, ms(timezone.now()), named)
    if many:
        messages.success(request, f"{many} tube{'' if many == 1 else 's'} worked out.")
    else:
        messages.info(request, "There is no tube to work out.")
    query = QueryDict(request.POST.get("query", "")).urlencode()
    return redirect(reverse("fit_assay", args=[found.code]) + (f"?{query}" if query else ""))
