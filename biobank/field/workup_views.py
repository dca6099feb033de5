"""The page of a workup, where tubes are filled; every form on it comes back to it. Ask, do, show."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from biobank.access import may, right
from biobank.acting import Actor, ms
from biobank.animals.forms import ChipForm
from biobank.animals.queries import known
from biobank.blood.queries import budget
from biobank.core import codes
from biobank.core.elapsed import SIGNS
from biobank.forms import act_view, named, undo_tag
from biobank.labels.views import rights
from biobank.models import Tube, Vital, Workup
from custody.core.refusal import Refused

from . import actions, beach, queries, scanning, vitals
from .forms import (
    BEACH,
    BeachForm,
    ClockForm,
    MeasuresForm,
    Millilitres,
    ScanAnyForm,
    ShortForm,
    TapForm,
    VitalsForm,
)

PAGE = "field/workup.html"
Do = Callable[[], str | scanning.Answer]


def actor_of(request: HttpRequest) -> Actor:
    return Actor(request.person, request.user.get_username())


@right("see")
def workup(request: HttpRequest, code: str) -> HttpResponse:
    """The page. POST: a scan or a tap on tubes (`act` empty), on the clock, or how short a tube is."""
    found = queries.workup_or_404(request.person, code)
    if request.method != "POST":
        return render(request, PAGE, page(request, found))
    if not may(request.person, "draw"):
        raise PermissionDenied("Your role does not include the right to draw.")
    posted = {"clock": _clock, "short": _short}.get(request.POST.get("act", ""), _tubes)
    return posted(request, found)


def page(request: HttpRequest, found: Workup, about: str = "", **sent: Any) -> dict[str, Any]:
    """All that the page shows. about: the tube that was asked about or refused.

    At most 24 queries, and one more a generation of merged animals.
    """
    tz = request.person.programme.tz
    owned = getattr(found, "tube_set", None)
    there = beach.beach(owned)
    stands = budget(found, owned)
    left = _left(request)
    about = about or _asked(request)
    chosen = [row for row in there.rows if row.code == about]
    girths = list(found.girths.all())
    return {
        "workup": found, "set": owned, "beach": there, "budget": stands, "signs": SIGNS,
        "now_ms": ms(timezone.now()),
        "clocks": beach.clocks(found, request.person),
        "shortage": beach.shortage(there.rows, stands.left_ul if left is None else left),
        "left_typed": left, "form_id": BEACH,
        "card": chosen or there.last, "chosen": bool(chosen), "elsewhere": _elsewhere(about, chosen),
        "animal": known(found.animal) if found.animal else None,
        "chip_form": ChipForm(auto_id="chip_%s"),
        "readings": found.vitals.select_related("by"), "girths": girths,
        "form": BeachForm(tz=tz, auto_id="beach_%s"),
        "short_form": ShortForm(tz=tz, auto_id="short_%s"),
        "tap_form": TapForm(tz=tz, auto_id="tap_%s"),
        "vitals_form": VitalsForm(tz=tz, auto_id="vital_%s"),
        "measures_form": MeasuresForm(workup=found, girths=girths, tz=tz, auto_id="measure_%s"),
        **rights(request), **sent,
    }  # fmt: skip


def _left(request: HttpRequest) -> int | None:
    """`?left=` how much blood may still come, as it was typed, in mL."""
    try:
        typed = Millilitres().clean(request.GET.get("left", "")[:20])
    except ValidationError:
        return None
    return None if typed is None else max(0, typed)


def _asked(request: HttpRequest) -> str:
    try:
        return codes.normalise(request.GET.get("tube", "")[:40])
    except Refused:
        return ""


def _elsewhere(about: str, chosen: list[Any]) -> Tube | None:
    """The tube that was scanned and is none of this table, for a way to where it belongs."""
    if not about or chosen:
        return None
    return Tube.objects.select_related("tube_set__workup", "tube_set__plan").filter(code=about).first()


def _done(request: HttpRequest, found: Workup, form: Any, do: Do, shown: str, at: str = "") -> HttpResponse:
    """Do it and come back to the page; a refusal is shown on the page, with what was scanned."""
    about = ""
    if form.is_valid():
        try:
            done = do()
        except Refused as no:
            form.add_error(None, ValidationError(named(no), no.code))
            about = no.tube or ""
        else:
            answer = done if isinstance(done, scanning.Answer) else scanning.Answer(done)
            messages.success(request, answer.sentence, extra_tags=undo_tag(request, form.cleaned_data))
            for warning in answer.warnings:
                messages.warning(request, warning)
            return redirect(answer.to or reverse("workup", args=[found.code]) + at)
    context = page(request, queries.workup_or_404(request.person, found.code), about, **{shown: form})
    return render(request, PAGE, context | {"refused": form}, status=422)


def _tubes(request: HttpRequest, found: Workup) -> HttpResponse:
    """A scan, a tap on one tube, a run of them, the ticked ones, or all that stay empty."""
    form, actor, sent = (
        BeachForm(request.POST, tz=request.person.programme.tz, auto_id="beach_%s"),
        actor_of(request),
        request.POST,
    )

    def do() -> str | scanning.Answer:
        ticked = [code for code in sent.getlist("tube") if codes.is_valid(code)][:200]
        if "fill" in sent:
            return scanning.fill(actor, found, [codes.tube(sent["fill"])], form.sent())
        if "run" in sent:
            run = [code for code in sent["run"].split() if codes.is_valid(code)]
            return scanning.fill(actor, found, scanning.empty_of(found, run), form.sent())
        if "ticked" in sent:
            return scanning.fill(actor, found, ticked, form.sent())
        if "missed" in sent:
            left = ticked if sent["missed"] == "ticked" else scanning.empty_of(found)
            return scanning.miss(actor, found, left, form.cleaned_data["reason"], form.sent())
        return scanning.scan(actor, found, form.cleaned_data["scan"], form.sent())

    return _done(request, found, form, do, "form")


def _short(request: HttpRequest, found: Workup) -> HttpResponse:
    """So much is in a tube: a share of what it holds when full (`share`), or mL."""
    form = ShortForm(request.POST, tz=request.person.programme.tz, auto_id="short_%s")

    def do() -> str:
        code, share = form.cleaned_data["tube"], request.POST.get("share", "")
        tube = get_object_or_404(Tube.objects.select_related("tube_set", "planned"), code=code)
        if tube.tube_set_id is None or tube.tube_set != getattr(found, "tube_set", None):
            raise Refused("tube_of_another_set", f"This is no tube of {found}.", code)
        ul = form.cleaned_data["ml"] if not share else scanning.share_of(tube, share)
        if ul is None:
            raise Refused("volume_required", "How much is in it? Press a share, or type the mL.", code)
        actions.short(actor_of(request), form.cleaned_data["key"], tube.tube_set, code, ul)
        return f"{tube.label} holds {ul / 1000:g} mL."

    return _done(request, found, form, do, "short_form")


def _clock(request: HttpRequest, found: Workup) -> HttpResponse:
    form = TapForm(request.POST, tz=request.person.programme.tz, auto_id="tap_%s")

    def do() -> str:
        tapped, taken_back = form.cleaned_data["tap"], form.cleaned_data["untap"]
        if taken_back:
            actions.untap(actor_of(request), found, taken_back)
            return "Undone."
        actions.tap(actor_of(request), found, tapped)
        return f"{tapped.replace('_', ' ').capitalize()}: now."

    return _done(request, found, form, do, "tap_form")


@right("draw")
def workup_clock(request: HttpRequest, code: str) -> HttpResponse:
    """Other times than now, for the whole clock."""
    found = queries.workup_or_404(request.person, code)
    form = ClockForm(
        request.POST if request.method == "POST" else None, workup=found, tz=request.person.programme.tz
    )

    def do(said: dict[str, Any]) -> str:
        actions.set_clock(actor_of(request), found, form.clock(), said["reason"])
        return reverse("workup", args=[found.code])

    return act_view(request, form, "field/clock.html", do, {"workup": found}, done="Clock set.")


@right("draw")
def workup_vitals(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.workup_or_404(request.person, code)
    if request.method != "POST":
        return redirect("workup", found.code)
    form = VitalsForm(request.POST, tz=request.person.programme.tz, auto_id="vital_%s")

    def do() -> str:
        said = form.cleaned_data
        vitals.take(actor_of(request), said["key"], found, form.readings(), said["at"], said["why"])
        return "Written down."

    return _done(request, found, form, do, "vitals_form", "#vitals")


@right("draw")
def workup_measures(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.workup_or_404(request.person, code)
    if request.method != "POST":
        return redirect("workup", found.code)
    form = MeasuresForm(
        request.POST,
        workup=found,
        girths=found.girths.all(),
        tz=request.person.programme.tz,
        auto_id="measure_%s",
    )

    def do() -> str:
        why = form.cleaned_data.get("why", "")
        vitals.measure(actor_of(request), found, form.measured(), form.girths(), why)
        return "Written down."

    return _done(request, found, form, do, "measures_form", "#measures")


@right("draw")
@require_POST
def workup_strike(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """A reading was mistyped, or it counts after all."""
    found = queries.workup_or_404(request.person, code)
    vital = get_object_or_404(Vital.objects.select_related("workup__day"), workup=found, pk=pk)
    try:
        vitals.strike(actor_of(request), vital, request.POST.get("struck") == "1")
    except Refused as no:
        messages.error(request, f"{no.sentence} {no.code}")
    return redirect(reverse("workup", args=[found.code]) + "#vitals")


@right("see")
@require_safe
def workup_past(request: HttpRequest, code: str) -> HttpResponse:
    """How the facts of a workup came to be."""
    found = queries.workup_or_404(request.person, code)
    context = {"workup": found, "changes": queries.changes(found, request.person.programme.tz)}
    return render(request, "field/past.html", context)


@right("draw")
def set_draw(request: HttpRequest, code: str) -> HttpResponse:
    """Tubes of a set are filled on the page of its workup; a set without one is bound first."""
    found = queries.set_or_404(request.person, code)
    if found.workup is None:
        return redirect("set_bind", found.code)
    return redirect("workup", found.workup.code)


@right("draw")
def draw_one(request: HttpRequest) -> HttpResponse:
    """The first scan of an animal: a tube is filled, and the page of its workup opens for the next."""
    form = ScanAnyForm(request.POST if request.method == "POST" else None)

    def do(said: dict[str, Any]) -> str:
        return scanning.first(actor_of(request), said["code"], said["key"])

    return act_view(request, form, "field/draw_one.html", do, done="Here is its page.")
