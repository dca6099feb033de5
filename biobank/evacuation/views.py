"""Pages of a failing freezer: the list in advance, the evacuation with its scans, how warm it became."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.acting import ms
from biobank.bench.asked import actor, bound
from biobank.evacuation import actions, paper, queries, tree
from biobank.evacuation import letters as told
from biobank.evacuation.forms import BeginForm, EndForm, ScanForm, WarmForm, WithdrawForm
from biobank.forms import act_view, named
from biobank.models import Evacuation, ThermalEvent, Unit
from biobank.store.classes import path_of
from biobank.store.queries import unit_by_code
from custody.core.refusal import Refused

asks = require_http_methods(["GET", "HEAD", "POST"])


def may_store(request: HttpRequest) -> bool:
    return may(request.person, "store")  # type: ignore[attr-defined]


def tz_of(request: HttpRequest) -> str:
    return str(request.person.programme.tz)  # type: ignore[attr-defined]


def unit_or_404(code: str) -> Unit:
    found = unit_by_code(code)
    if found is None or found.kind == "box":
        raise Http404("No such unit, or a box, which is carried and not emptied.")
    return found


def evacuation_or_404(pk: int) -> Evacuation:
    rows = Evacuation.objects.select_related("unit__agency", "by", "ended_by")
    found = rows.filter(pk=pk).first()
    if found is None:
        raise Http404("No such evacuation.")
    return found


@require_safe
@right("see")
def evacuations(request: HttpRequest) -> HttpResponse:
    """Evacuations, and the lists that can be printed before anything happens."""
    context = {"rows": queries.evacuations(), "devices": queries.devices(), "may_store": may_store(request)}
    return render(request, "evacuation/evacuations.html", context)


@asks
@right("see")
def unit(request: HttpRequest, code: str) -> HttpResponse:
    """What would leave first, and where to; begin."""
    found = unit_or_404(code)
    if request.method == "POST" and not may_store(request):
        raise PermissionDenied("Your role does not include the right to store.")

    def do(said: dict[str, Any]) -> str:
        return reverse("evacuation", args=[actions.begin(actor(request), unit=found, **said).pk])

    plan = queries.plan(found)
    context = {
        "unit": found, "plan": plan,
        "left": queries.time_left(plan.path, None, ms(timezone.now()), tz_of(request)),
        "goes_on": queries.open_of(found), "events": queries.events_of(plan.path),
        "may_store": may_store(request),
    }  # fmt: skip
    return act_view(
        request,
        bound(BeginForm, request),
        "evacuation/unit.html",
        do,
        context,
        done="Begun. Scan the first box.",
    )


@require_safe
@right("see")
def list_pdf(request: HttpRequest, code: str) -> HttpResponse:
    """The list on paper, to be printed before anything happens."""
    found = unit_or_404(code)
    tz = request.person.programme.tz  # type: ignore[attr-defined]
    return _pdf(paper.list_pdf(queries.plan(found), tz), f"evacuation-{found.code}.pdf")


def _pdf(content: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{name}"'
    return answer


# one evacuation -----------------------------------------------------------------------------------


@asks
@right("see")
def boxes(request: HttpRequest, pk: int) -> HttpResponse:
    """The evacuation as it stands, and its one scan field."""
    one = evacuation_or_404(pk)
    if request.method == "POST" and not may_store(request):
        raise PermissionDenied("Your role does not include the right to store.")
    form = bound(ScanForm, request, initial={"hold": request.GET.get("hold", "")})
    if request.method == "POST" and form.is_valid():
        try:
            done = actions.scan(
                actor(request), form.cleaned_data["key"], one, form.cleaned_data["scan"],
                form.cleaned_data["hold"], form.cleaned_data["why"],
            )  # fmt: skip
        except Refused as no:
            form.add_error("scan", ValidationError(named(no), no.code))
        else:
            messages.success(request, done.sentence)
            held = f"?{urlencode({'hold': ' '.join(done.hold)})}" if done.hold else ""
            return redirect(reverse("evacuation", args=[one.pk]) + held)
    return render(
        request, "evacuation/boxes.html", _boxes(request, one, form), status=422 if form.errors else 200
    )


def _boxes(request: HttpRequest, one: Evacuation, form: ScanForm) -> dict[str, Any]:
    run = queries.run(one)
    hold = [code for code in str(form["hold"].value() or "").split() if code in run.crew.paths]
    path, since = path_of(one.unit.code) or [one.unit], one.warm_since
    return {
        "evacuation": one, "unit": one.unit, "run": run, "form": form, "hold": hold,
        "room": run.room_for(hold),
        "wrong_class": form.has_error("scan", "wrong_temperature_class"),
        "left": queries.time_left(path, ms(since) if since else None, ms(timezone.now()), tz_of(request)),
        "events": queries.events_of(path, ms(one.opened), None), "may_store": may_store(request),
    }  # fmt: skip


@asks
@right("store")
def end(request: HttpRequest, pk: int) -> HttpResponse:
    """The evacuation is over."""
    one = evacuation_or_404(pk)

    def do(said: dict[str, Any]) -> str:
        return reverse("evacuation", args=[actions.end(actor(request), evacuation=one, **said).pk])

    context = {"evacuation": one, "unit": one.unit, "run": queries.run(one)}
    return act_view(request, bound(EndForm, request), "evacuation/end.html", do, context, done="Ended.")


@require_safe
@right("store")
def letters(request: HttpRequest, pk: int) -> HttpResponse:
    """Who must be told."""
    one = evacuation_or_404(pk)
    rows = told.letters(one, tree.crew(one))
    path = path_of(one.unit.code) or [one.unit]
    context = {
        "evacuation": one,
        "unit": one.unit,
        "rows": rows,
        "events": queries.events_of(path, ms(one.opened)),
    }
    return render(request, "evacuation/letters.html", context)


@require_safe
@right("store")
def letter_pdf(request: HttpRequest, pk: int, agency: str) -> HttpResponse:
    """The letter to one agency."""
    one = evacuation_or_404(pk)
    crew = tree.crew(one)
    letter = told.letter(one, crew, agency)
    if letter is None:
        raise Http404("This agency has no tube there.")
    writer = request.person  # type: ignore[attr-defined]
    return _pdf(paper.letter_pdf(one, crew, letter, writer), f"letter-{agency}-{one.unit.code}.pdf")


# how warm it became -------------------------------------------------------------------------------


@asks
@right("store")
def warm(request: HttpRequest, code: str) -> HttpResponse:
    """Say from when to when a unit was too warm, and how warm."""
    found = unit_or_404(code)

    def do(said: dict[str, Any]) -> str:
        said["stop"] = said["stop"] or timezone.now()
        actions.say_thermal_event(actor(request), unit=found, **said)
        return reverse("evacuate", args=[found.code])

    context = {"unit": found, "events": queries.events_of(path_of(found.code) or [found])}
    return act_view(
        request, bound(WarmForm, request), "evacuation/warm.html", do, context,
        done=f"Written. It counts for every tube that was in {found.code} in that time.",
    )  # fmt: skip


@asks
@right("curate")
def withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    """A thermal event that was said by mistake."""
    event = ThermalEvent.objects.select_related("unit__agency", "by").filter(pk=pk).first()
    if event is None:
        raise Http404("No such event.")

    def do(said: dict[str, Any]) -> str:
        actions.withdraw(actor(request), event, said["why"])
        return reverse("evacuate", args=[event.unit.code])

    context = {"event": event, "unit": event.unit}
    return act_view(
        request, bound(WithdrawForm, request), "evacuation/withdraw.html", do, context, done="Withdrawn."
    )
