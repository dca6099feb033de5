"""Pages of the bench: what waits, spin, aliquot, grade."""

from __future__ import annotations

import re
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import right, tube_or_404
from biobank.acting import ms
from biobank.bench import actions, grading, queries, source
from biobank.bench.asked import actor, bound
from biobank.bench.forms import AliquotForm, GradeForm, ParentForm, SpinForm, name
from biobank.bench.spinning import of_rotor, recorded, warnings
from biobank.core.indices import NAMES, SUBSTANCE
from biobank.forms import act_view
from biobank.models import Tube
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
        force, _ = actions.run_of(said["g"], said["rpm"], said["radius_mm"])
        begun = ms(said["at"] or timezone.now())
        key = actions.spin(who, **said)
        messages.info(request, recorded(key))
        notes = warnings(said["tubes"], force, said["minutes"], begun)
        for sentence in [*notes, *of_rotor(form.rotor, said["tubes"])]:
            messages.info(request, f"Take note. {sentence}")
        return reverse("bench")

    return act_view(request, form, "bench/spin.html", do, done="Spun. Next: aliquot.")


def worked_out(request: HttpRequest, form: SpinForm) -> HttpResponse:
    """Shows the force that speed and radius give, or the speed of a force, and changes nothing."""
    form.is_valid()
    typed, said = request.POST.dict(), form.cleaned_data
    agency = actor(request).person.agency
    try:
        force, speed = run_worked_out(said)
    except Refused as no:
        context = {"form": SpinForm(initial=typed, tz=form.tz, agency=agency), "no": no}
        return render(request, "bench/spin.html", context, status=422)
    typed |= {"g": str(force), "rpm": str(speed), "radius_mm": str(said["radius_mm"])}
    shown = SpinForm(initial=typed, tz=form.tz, agency=agency)
    return render(request, "bench/spin.html", {"form": shown, "force": force, "speed": speed})


def run_worked_out(said: dict[str, Any]) -> tuple[int, int]:
    """Force and speed; the speed leads, since it is what the centrifuge shows."""
    rpm, radius = said.get("rpm"), said.get("radius_mm")
    force, speed = actions.run_of(None if rpm is not None else said.get("g"), rpm, radius)
    if speed is None:
        raise Refused("radius_missing", "Give the rotor's radius: without it neither follows from the other.")
    return force, speed


@require_http_methods(["GET", "HEAD", "POST"])
@right("bench")
def grade(request: HttpRequest) -> HttpResponse:
    """Grade separated samples by eye, each in its row or all alike."""
    scanned = [request.POST["tubes"]] if "tubes" in request.POST else request.GET.getlist("tube")
    rows = grading.rows("\n".join(scanned))
    form = bound(GradeForm, request, rows=rows)
    if "rows" in request.POST:
        form = GradeForm(initial=request.POST.dict(), tz=form.tz, rows=rows)

    def do(said: dict[str, Any]) -> str:
        seen = form.seen()
        actions.grade_each(actor(request), said["key"], seen, at=said["at"])
        for sentence in grading.disagreements(seen):
            messages.info(request, f"Take note. {sentence}")
        return reverse("bench")

    context = {"rows": grading.described(form.by_tube()), "heads": [(one, SUBSTANCE[one]) for one in NAMES]}
    return act_view(request, form, "bench/grade.html", do, context, done="Grades saved.")


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
    found = source.source(tube.code, _typed(request, "recovered_ul"), _typed(request, "hct_pct"))
    if found is None:
        raise Http404("No such tube.")
    form = bound(AliquotForm, request, **_given(request, found))
    if "work_out" in request.POST:
        return proposed_anew(request, tube, found, form)

    def do(said: dict[str, Any]) -> str:
        more = {
            name: said[name] for name in ("loss_ul", "recovered_ul", "hct_pct", "rack", "unspun_why", "at")
        }
        key = actions.aliquot(actor(request), said["key"], tube.code, form.children(), **more)
        for sentence in source.told(key):
            messages.info(request, sentence)
        return reverse("tube", args=[tube.code])

    context = {"tube": tube, "source": found, "rows": source.rows(found, form.volumes())}
    return act_view(
        request, form, "bench/aliquot.html", do, context, done="Aliquots made. Next: put them away."
    )


def _given(request: HttpRequest, found: source.Source) -> dict[str, Any]:
    """A label that somebody else filled meanwhile stays in the form: it is refused, not dropped."""
    labels = [one for one in found.labels if one.code in found.unused or name(one) in request.POST]
    return {"labels": labels, "proposed": found.proposed, "spun": found.spun is not None}


def _typed(request: HttpRequest, field: str) -> int | None:
    """A number as it was sent, for the proposal beside the form; the form says when it is none."""
    text = request.POST.get(field, "").strip()
    return int(text) if re.fullmatch(r"-?[0-9]{1,8}", text) else None


def proposed_anew(request: HttpRequest, tube: Tube, found: source.Source, form: AliquotForm) -> HttpResponse:
    """What to fill from the volume that was measured; changes nothing."""
    form.is_valid()
    kept = {field: text for field, text in request.POST.items() if not field.startswith("ul_")}
    shown = AliquotForm(initial=kept, tz=form.tz, **_given(request, found))
    wrong = {"recovered_ul", "hct_pct"} & set(form.errors)
    asked = form if wrong else shown
    context = {"tube": tube, "source": found, "form": asked, "rows": source.rows(found, asked.volumes())}
    context |= {"worked_out": not wrong and not found.no, "no": found.no}
    return render(request, "bench/aliquot.html", context, status=422 if wrong or found.no else 200)
