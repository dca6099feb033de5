"""Pages of field days, tube sets, workups and animals. Ask, do, show."""

from __future__ import annotations

from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe

from biobank.access import right
from biobank.acting import Actor
from biobank.core import codes
from biobank.forms import act_view
from biobank.labels.actions import print_sets
from biobank.labels.views import paper_form, rights, set_page
from biobank.models import FieldDay, Tube, TubeSet
from custody.core.refusal import Refused

from . import actions, queries
from .forms import (
    BindForm,
    ClockForm,
    DayForm,
    DrawForm,
    DrawOneForm,
    IdentifyForm,
    NewAnimalForm,
    NewSetsForm,
)

PAGE = 50


def _actor(request: HttpRequest) -> Actor:
    return Actor(request.person, request.user.get_username())


def _page(request: HttpRequest, found: Any) -> Any:
    return Paginator(found, PAGE).get_page(request.GET.get("page"))


@right("see")
@require_safe
def days(request: HttpRequest) -> HttpResponse:
    """Field days, newest first."""
    page = _page(request, queries.days(request.person.programme))
    return render(request, "field/days.html", {"page": page, **rights(request)})


@right("draw")
def day_new(request: HttpRequest) -> HttpResponse:
    form = DayForm(request.POST if request.method == "POST" else None, programme=request.person.programme)

    def do(said: dict[str, Any]) -> str:
        made = actions.open_day(_actor(request), said["site"], said["date"], said["expected"])
        return reverse("day", args=[made.pk])

    return act_view(request, form, "field/day_new.html", do, done="Field day opened.")


@right("see")
@require_safe
def day(request: HttpRequest, pk: int) -> HttpResponse:
    """One field day: its sets and workups."""
    found = queries.day_or_404(request.person, pk)
    of_day = queries.sets(request.person.programme).filter(day=found)
    context = {
        "day": found,
        "rows": queries.set_rows(of_day),
        "workups": queries.workups(request.person.programme).filter(day=found),
    }
    return render(request, "field/day.html", {**context, **rights(request)})


@right("see")
@require_safe
def sets(request: HttpRequest) -> HttpResponse:
    """Tube sets, newest first; `?state=` narrows, `?set=` (repeated) shows those just printed."""
    found = queries.sets(request.person.programme)
    state, made = request.GET.get("state", ""), request.GET.getlist("set")
    found = found.filter(code__in=made[:100]) if made else found
    found = found.filter(state=state) if state in TubeSet.State.values else found
    page = _page(request, found)
    context = {"page": page, "rows": queries.set_rows(page), "made": made, "state": state}
    context |= {"paper_form": paper_form(), "states": TubeSet.State.choices}
    return render(request, "field/sets.html", {**context, **rights(request)})


@right("print")
def set_new(request: HttpRequest) -> HttpResponse:
    """Make sets and say that their labels are printed; then offer the paper."""
    programme = request.person.programme
    asked = FieldDay.objects.filter(site__programme=programme, pk=_whole(request.GET.get("day"))).first()
    form = NewSetsForm(
        request.POST if request.method == "POST" else None, programme=programme, initial={"day": asked}
    )

    def do(said: dict[str, Any]) -> str:
        plan, of_day, count = said["plan"], said["day"], said["count"]
        made = print_sets(_actor(request), said["key"], plan, of_day, count, at=said["at"])
        if len(made) == 1:
            return reverse("set", args=[made[0].code])
        return reverse("sets") + "?" + "&".join(f"set={one.code}" for one in made)

    return act_view(request, form, "field/set_new.html", do, done="Sets made. Now print their labels.")


def _whole(text: str | None) -> int | None:
    return int(text) if text and text.isdigit() and len(text) < 10 else None


@right("see")
@require_safe
def tube_set(request: HttpRequest, code: str) -> HttpResponse:
    """One set: its tubes, and what can be done with it."""
    found = queries.set_or_404(request.person, code)
    chosen = [tube for tube in request.GET.getlist("tube")[:200] if codes.is_valid(tube)]
    return render(request, "field/set.html", {**set_page(found), **rights(request), "chosen": chosen})


@right("draw")
def set_bind(request: HttpRequest, code: str) -> HttpResponse:
    """Give a set to a workup."""
    found = queries.set_or_404(request.person, code)
    form = BindForm(
        request.POST if request.method == "POST" else None, programme=request.person.programme, tube_set=found
    )

    def do(said: dict[str, Any]) -> str:
        actions.bind(
            _actor(request), said["key"], found, said["workup"], said["animal"], form.clock(), said["at"]
        )
        return reverse("set_draw", args=[found.code])

    return act_view(request, form, "field/bind.html", do, {"set": found}, done="Bound. Ready to draw.")


@right("draw")
def set_draw(request: HttpRequest, code: str) -> HttpResponse:
    """The beach page: tubes in order of draw."""
    found = queries.set_or_404(request.person, code)
    context = queries.set_page(found)
    form = DrawForm(
        request.POST if request.method == "POST" else None,
        rows=context["rows"],
        tz=request.person.programme.tz,
    )

    def do(said: dict[str, Any]) -> str:
        actions.draw(
            _actor(request), said["key"], found, form.filled(), form.missed(), said["at"], said["note"]
        )
        return reverse("set_draw", args=[found.code])

    return act_view(request, form, "field/draw.html", do, context, done="Saved with its times.")


@right("draw")
def draw_one(request: HttpRequest) -> HttpResponse:
    """Scan one tube, say that it is filled. `?code=` shows what the tube is before anything is said."""
    tz = request.person.programme.tz
    asked = _asked_tube(request)
    form = DrawOneForm(
        request.POST if request.method == "POST" else None,
        tz=tz,
        initial={"code": asked and codes.show(asked.code)},
    )

    def do(said: dict[str, Any]) -> str:
        actions.draw_one(_actor(request), said["key"], said["code"], said["at"], said["ml"])
        return reverse("draw_one")

    return act_view(request, form, "field/draw_one.html", do, {"tube": asked}, done="Drawn. Next tube.")


def _asked_tube(request: HttpRequest) -> Tube | None:
    try:
        code = codes.normalise(request.GET.get("code", ""))
    except Refused:
        return None
    found = Tube.objects.select_related("planned", "tube_set__workup").filter(code=code)
    return found.filter(tube_set__plan__programme=request.person.programme).first()


@right("see")
@require_safe
def workup(request: HttpRequest, code: str) -> HttpResponse:
    """One workup: animal, clock, set, counts, and how its facts came to be."""
    return render(request, "field/workup.html", _workup_context(request, code))


def _workup_context(request: HttpRequest, code: str) -> dict[str, Any]:
    found = queries.workup_or_404(request.person, code)
    owned = getattr(found, "tube_set", None)
    rows = queries.tube_rows(owned) if owned else []
    programme = request.person.programme
    return {
        "workup": found,
        "set": owned,
        "rows": [row for row in rows if not row.tube.parent_hint],
        "totals": queries.totals(rows, found),
        "identifiers": found.animal.identifiers.all() if found.animal else [],
        "captures": queries.captures(found.animal).exclude(pk=found.pk) if found.animal else [],
        "clock": [(name.replace("_", " "), getattr(found, name)) for name in found.CLOCK],
        "changes": queries.changes(found, request.person.programme.tz),
        "clock_form": ClockForm(workup=found, tz=programme.tz, auto_id="clock_%s"),
        "identify_form": IdentifyForm(programme=programme, auto_id="known_%s"),
        "new_form": NewAnimalForm(tz=programme.tz, auto_id="new_%s"),
        **rights(request),
    }


@right("draw")
def workup_clock(request: HttpRequest, code: str) -> HttpResponse:
    context = _workup_context(request, code)
    found = queries.workup_or_404(request.person, code)
    form = ClockForm(
        request.POST if request.method == "POST" else None,
        workup=found,
        tz=request.person.programme.tz,
        auto_id="clock_%s",
    )

    def do(said: dict[str, Any]) -> str:
        actions.set_clock(_actor(request), found, form.clock(), said["reason"])
        return reverse("workup", args=[found.code])

    return act_view(
        request, form, "field/workup.html", do, {**context, "clock_form": form}, done="Clock set."
    )


@right("draw")
def workup_animal(request: HttpRequest, code: str) -> HttpResponse:
    context = _workup_context(request, code)
    found = queries.workup_or_404(request.person, code)
    form = IdentifyForm(
        request.POST if request.method == "POST" else None,
        programme=request.person.programme,
        auto_id="known_%s",
    )

    def do(said: dict[str, Any]) -> str:
        actions.identify(_actor(request), found, said["animal"], said["reason"])
        return reverse("workup", args=[found.code])

    return act_view(
        request, form, "field/workup.html", do, {**context, "identify_form": form}, done="Animal said."
    )


@right("draw")
def workup_new_animal(request: HttpRequest, code: str) -> HttpResponse:
    context = _workup_context(request, code)
    found = queries.workup_or_404(request.person, code)
    form = NewAnimalForm(
        request.POST if request.method == "POST" else None, tz=request.person.programme.tz, auto_id="new_%s"
    )

    def do(said: dict[str, Any]) -> str:
        actions.new_animal(_actor(request), found, said["species"], said["sex"], said["kind"], said["text"])
        return reverse("workup", args=[found.code])

    return act_view(request, form, "field/workup.html", do, {**context, "new_form": form}, done="New animal.")


@right("see")
@require_safe
def animal(request: HttpRequest, code: str) -> HttpResponse:
    """An animal: what it bore and every time it was in hand."""
    found = queries.animal_or_404(request.person, code)
    context = {
        "animal": found,
        "identifiers": found.identifiers.all(),
        "captures": queries.captures(found),
        "changes": queries.changes(found, request.person.programme.tz),
    }
    return render(request, "field/animal.html", context)
