"""Pages of the bench: what waits, spin, aliquot, grade."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import right, tube_or_404
from biobank.acting import ms
from biobank.bench import actions, queries
from biobank.bench.asked import actor, bound
from biobank.bench.forms import AliquotForm, GradeForm, ParentForm, SpinForm, name
from biobank.bench.spinning import warnings
from biobank.forms import act_view
from custody.core.refusal import Refused


@require_safe
@right("bench")
def bench(request: HttpRequest) -> HttpResponse:
    """What this agency holds and has not put away, by what should be done next."""
    found = queries.bench(actor(request).org, ms(timezone.now()))
    return render(request, "bench/bench.html", {"bench": found, "now": timezone.now()})


@require_http_methods(["GET", "HEAD", "POST"])
@right("bench")
def spin(request: HttpRequest) -> HttpResponse:
    """Scan a rack, say how it was spun."""
    who = actor(request)
    start = {name: request.GET[name] for name in ("g", "minutes", "rotor") if name in request.GET}
    form = bound(SpinForm, request, initial=start, agency=who.person.agency)
    if "work_out" in request.POST:
        return worked_out(request, form)

    def do(said: dict[str, Any]) -> str:
        force = actions.spin_force(said["g"], said["rpm"], said["radius_mm"])
        begun = ms(said["at"] or timezone.now())
        actions.spin(who, **said)
        for sentence in warnings(said["tubes"], force, said["minutes"], begun):
            messages.info(request, f"Take note. {sentence}")
        return reverse("bench")

    return act_view(request, form, "bench/spin.html", do, done="Spun. Next: aliquot.")


def worked_out(request: HttpRequest, form: SpinForm) -> HttpResponse:
    """Shows the force that a speed and a radius give, and changes nothing."""
    form.is_valid()
    typed, said = request.POST.dict(), form.cleaned_data
    agency = actor(request).person.agency
    try:
        force = actions.spin_force(None, said.get("rpm"), said.get("radius_mm"))
    except Refused as no:
        context = {"form": SpinForm(initial=typed, tz=form.tz, agency=agency), "no": no}
        return render(request, "bench/spin.html", context, status=422)
    typed |= {"g": str(force), "radius_mm": str(said["radius_mm"])}
    shown = SpinForm(initial=typed, tz=form.tz, agency=agency)
    return render(request, "bench/spin.html", {"form": shown, "force": force})


@require_http_methods(["GET", "HEAD", "POST"])
@right("bench")
def grade(request: HttpRequest) -> HttpResponse:
    """Grade separated samples by eye."""

    def do(said: dict[str, Any]) -> str:
        actions.grade(actor(request), **said)
        return reverse("bench")

    return act_view(request, bound(GradeForm, request), "bench/grade.html", do, done="Grades saved.")


@require_http_methods(["GET", "HEAD", "POST"])
@right("bench")
def choose(request: HttpRequest) -> HttpResponse:
    """Scan the tube to be aliquoted, or take one from the list."""
    form = ParentForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        return redirect("aliquot_tube", code=form.cleaned_data["tube"])
    waiting = queries.bench(actor(request).org, ms(timezone.now())).to_aliquot
    status = 422 if form.is_bound and form.errors else 200
    return render(request, "bench/choose.html", {"form": form, "waiting": waiting}, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
@right("bench")
def aliquot(request: HttpRequest, code: str) -> HttpResponse:
    """Make aliquots of one tube."""
    tube = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    source = queries.source(tube.code)
    if source is None:
        raise Http404("No such tube.")
    # A label that somebody else filled meanwhile stays in the form, so that it is refused and not dropped.
    labels = [one for one in source.labels if one.code in source.unused or name(one) in request.POST]
    form = bound(AliquotForm, request, labels=labels, proposed=source.proposed)

    def do(said: dict[str, Any]) -> str:
        children, loss = form.children(), said["loss_ul"] or 0
        actions.aliquot(actor(request), said["key"], tube.code, children, loss_ul=loss, at=said["at"])
        return reverse("tube", args=[tube.code])

    context = {"tube": tube, "source": source}
    return act_view(
        request, form, "bench/aliquot.html", do, context, done="Aliquots made. Next: put them away."
    )
