"""Pages of decisions about findings: the work list, overrides, deviations."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import event_or_404, may, right, tube_or_404
from biobank.acting import ms
from biobank.bench.asked import actor
from biobank.checks import deviations, gate, overrides, work_actions, work_queries
from biobank.checks.work_forms import AnswerForm, AskForm, CloseForm, FileForm, WorkForm
from biobank.core import codes
from biobank.forms import act_view
from biobank.models import Assay
from custody.core.rules import Verdict

asks = require_http_methods(["GET", "HEAD", "POST"])


def rights(request: HttpRequest) -> dict[str, bool]:
    who = request.person  # type: ignore[attr-defined]
    return {
        "may_override": may(who, "override"), "may_file": may(who, "handoff"),
        "may_close": may(who, "curate"),
    }  # fmt: skip


@require_safe
@right("see")
def work(request: HttpRequest) -> HttpResponse:
    """Open findings, by severity and age."""
    form = WorkForm(request.GET)
    wanted = form.cleaned_data if form.is_valid() else {}
    now_ms = ms(timezone.now())
    found = work_queries.work(request.person, wanted, request.GET.get("page"), now_ms)  # type: ignore[attr-defined]
    narrowed = {name: value for name, value in wanted.items() if value}
    context = {
        "form": form, "work": found, "narrowed": narrowed, "query": urlencode(narrowed),
        "rules": work_queries.rules_open(request.person),  # type: ignore[attr-defined]
        "batch": urlencode({"rule": wanted.get("rule", ""), "tube": found.files}, doseq=True),
    }  # fmt: skip
    return render(request, "checks/work.html", context | rights(request), status=422 if form.errors else 200)


# overrides ----------------------------------------------------------------------------------------


@require_safe
@right("see")
def override_list(request: HttpRequest) -> HttpResponse:
    """Overrides that wait for a second person, and those that were answered."""
    who = request.person  # type: ignore[attr-defined]
    context = {
        "waiting": work_queries.askings(who, waiting=True),
        "answered": work_queries.askings(who, waiting=False),
    }  # fmt: skip
    return render(request, "checks/overrides.html", context | rights(request))


@asks
@right("override")
def override_ask(request: HttpRequest, code: str, assay: str) -> HttpResponse:
    """Ask that one finding of this tube, and of others like it, does not stop them for one assay."""
    tube = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    run = Assay.objects.filter(code=assay, retired=False).first()
    if run is None:
        raise Http404("No such assay.")
    verdict = gate.for_assay([tube.code], run.code, ms(timezone.now())).get(tube.code)
    findings = work_queries.stopping(verdict.findings) if verdict else []
    start = {
        "tubes": "\n".join(codes.show(one) for one in _named_tubes(request, tube.code)),
        "rule": request.GET.get("rule") or (findings[0].rule.code if len(findings) == 1 else ""),
    }  # fmt: skip
    rules = [(one.rule.code, one.sentence) for one in findings]
    form = AskForm(request.POST or None, initial=start, rules=rules)

    def do(said: dict[str, Any]) -> str:
        work_actions.ask_override(actor(request), said.pop("key"), said.pop("tubes"), assay=run.code, **said)
        return reverse("overrides")

    context = {
        "tube": tube,
        "assay": run,
        "verdict": verdict,
        "findings": findings,
        "said": _said(tube.code, verdict),
    }
    done = "Asked. It counts when a second person grants it."
    return act_view(request, form, "checks/override_ask.html", do, context, done)


def _named_tubes(request: HttpRequest, first: str) -> list[str]:
    return list(dict.fromkeys([first, *(one for one in request.GET.getlist("tube") if codes.is_valid(one))]))


def _said(code: str, verdict: Verdict | None) -> list[tuple[overrides.Override, str]]:
    """Overrides of this tube for this assay, each with why it does not count (empty: it counts)."""
    if verdict is None:
        return []
    mine = [one for one in overrides.of([code])[code] if one.assay == verdict.assay.code]
    return [(one, overrides.why_not(verdict, one)) for one in mine]


@asks
@right("see")
def override_answer(request: HttpRequest, key: UUID) -> HttpResponse:
    """One asking, and the answer of a second person."""
    who = request.person  # type: ignore[attr-defined]
    asking = work_queries.asking(who, event_or_404(who, key))
    if asking is None:
        raise Http404("No such override, or it was withdrawn.")
    form = AnswerForm(request.POST or None)

    def do(said: dict[str, Any]) -> str:
        work_actions.answer_override(actor(request), said.pop("key"), str(key), **said)
        return reverse("override_answer", args=[key])

    context = {
        "asking": asking, "rows": _now(asking), "answers": asking.word == "waiting" and not asking.mine,
    } | rights(request)  # fmt: skip
    return act_view(request, form, "checks/override_answer.html", do, context, "Answered.")


def _now(asking: work_queries.Asking) -> list[dict[str, Any]]:
    """Each tube with its verdict as of now and whether the finding reads as it did."""
    found = gate.for_assay(list(asking.tubes), asking.assay, ms(timezone.now()))
    said = overrides.of(asking.tubes)
    rows = []
    for code, fact in asking.tubes.items():
        verdict = found.get(code)
        mine = next((one for one in said[code] if one.event == asking.event), None)
        gone = "The assay does not take this tube." if verdict is None else (
            (mine.flaw or overrides.lapsed(verdict, mine)) if mine else "It was withdrawn.")  # fmt: skip
        finding = overrides.finding(verdict, asking.rule) if verdict else None
        passes = verdict is not None and overrides.allowed(verdict, said[code])
        rows.append(
            {
                "code": code,
                "fact": fact,
                "verdict": verdict,
                "finding": finding,
                "gone": gone,
                "passes": passes,
            }
        )
    return rows


# deviations ---------------------------------------------------------------------------------------


@require_safe
@right("see")
def deviation_list(request: HttpRequest) -> HttpResponse:
    """Deviations that are open, and those that were closed."""
    who = request.person  # type: ignore[attr-defined]
    context = {"open": work_queries.filed(who, closed=False), "closed": work_queries.filed(who, closed=True)}
    return render(request, "checks/deviations.html", context | rights(request) | {"most": deviations.SHOWN})


@asks
@right("handoff")
def deviation_file(request: HttpRequest) -> HttpResponse:
    """Write down that tubes fail a rule, and what happened."""
    named = [one for one in request.GET.getlist("tube") if codes.is_valid(one)]
    start = {"tubes": "\n".join(codes.show(one) for one in named), "rule": request.GET.get("rule", "")}
    form = FileForm(request.POST or None, initial=start)

    def do(said: dict[str, Any]) -> str:
        work_actions.file_deviation(actor(request), said.pop("key"), said.pop("tubes"), **said)
        return reverse("deviations")

    context = {"rules": work_queries.rules_open(request.person, ["fail"])}  # type: ignore[attr-defined]
    return act_view(request, form, "checks/deviation_file.html", do, context, "Filed. The finding stays.")


@asks
@right("curate")
def deviation_close(request: HttpRequest, key: UUID) -> HttpResponse:
    """Say what was done about a deviation."""
    who = request.person  # type: ignore[attr-defined]
    found = work_queries.one_filed(who, event_or_404(who, key))
    if found is None:
        raise Http404("No such deviation, or it was withdrawn.")
    form = CloseForm(request.POST or None)

    def do(said: dict[str, Any]) -> str:
        work_actions.close_deviation(actor(request), said["key"], str(key), reason=said["reason"])
        return reverse("deviations")

    return act_view(request, form, "checks/deviation_close.html", do, {"one": found}, "Closed.")
