"""Pages about the instrument and where it stands: add, edit, place, take out, correct, which one counts."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from biobank.access import right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.models import Logger, LoggerPlacement, Unit
from biobank.temperature import placing
from biobank.temperature.placing_forms import (
    EndForm,
    GovernForm,
    LoggerEditForm,
    LoggerForm,
    PlaceForm,
    PlacementForm,
)

asks = require_http_methods(["GET", "HEAD", "POST"])


def tz_of(request: HttpRequest) -> str:
    return str(request.person.programme.tz)  # type: ignore[attr-defined]


def typed(at_ms: int | None, tz: str) -> str:
    """UTC ms as a field of date and time holds them."""
    if at_ms is None:
        return ""
    return datetime.fromtimestamp(at_ms / 1000, ZoneInfo(tz)).strftime("%Y-%m-%dT%H:%M")


@asks
@right("loggers")
def logger_new(request: HttpRequest) -> HttpResponse:
    """Add a logger."""
    form = LoggerForm(request.POST or None)

    def do(_: dict[str, Any]) -> str:
        made = placing.add_logger(Actor.of(request.user), **form.said)
        return reverse("logger", args=[made.code])

    return act_view(request, form, "temperature/new.html", do, done="Logger added.")


@asks
@right("loggers")
def logger_edit(request: HttpRequest, code: str) -> HttpResponse:
    """What the instrument is, corrected; or that it is retired."""
    found = get_object_or_404(Logger, code=code)
    start = {name: getattr(found, name) for name in ("name", "make", "model", "serial", "between", "retired")}
    minutes = f"{found.interval_s / 60:.2f}".removesuffix(".00")
    form = LoggerEditForm(request.POST or None, initial=start | {"minutes": minutes})

    def do(_: dict[str, Any]) -> str:
        placing.edit_logger(Actor.of(request.user), found, **form.said)
        return reverse("logger", args=[found.code])

    history = found.history.select_related("history_user").order_by("-history_date")[:20]
    context = {"logger": found, "history": history}
    return act_view(request, form, "temperature/logger_edit.html", do, context)


@asks
@right("loggers")
def logger_place(request: HttpRequest, code: str) -> HttpResponse:
    """Say where a logger stands."""
    found = get_object_or_404(Logger, code=code)
    form = PlaceForm(request.POST or None, tz=tz_of(request), initial={"unit": request.GET.get("unit")})

    def do(said: dict[str, Any]) -> str:
        placing.place(
            Actor.of(request.user), found, said["unit"], said["start"], said["end"], probe=said["probe"],
            medium=said["medium"], governing=said["governing"], reason=said["reason"],
        )  # fmt: skip
        return reverse("logger", args=[found.code])

    context = {"logger": found, "units": Unit.objects.exclude(kind="box").only("code", "name")}
    return act_view(request, form, "temperature/place.html", do, context, "Placement saved.")


@asks
@right("loggers")
def logger_take_out(request: HttpRequest, code: str) -> HttpResponse:
    """Say when a logger was taken out."""
    found = get_object_or_404(Logger, code=code)
    placement = found.placements.select_related("unit").filter(to_ms=None).first()
    if placement is None:  # also the second tap
        messages.info(request, f"{found.code} stands in no unit.")
        return redirect("logger", found.code)
    form = EndForm(request.POST or None, tz=tz_of(request))

    def do(said: dict[str, Any]) -> str:
        placing.end_placement(Actor.of(request.user), placement, said["end"], said["reason"])
        return reverse("logger", args=[found.code])

    context = {"logger": found, "placement": placement}
    return act_view(request, form, "temperature/take_out.html", do, context, "Placement ended.")


@asks
@right("loggers")
def placement_correct(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """What was said of a placement was wrong."""
    rows = LoggerPlacement.objects.select_related("logger", "unit")
    row, tz = get_object_or_404(rows, pk=pk, logger__code=code), tz_of(request)
    start = {
        "start": typed(row.from_ms, tz), "end": typed(row.to_ms, tz), "probe": row.probe,
        "medium": row.medium, "governing": row.governing,
    }  # fmt: skip
    form = PlacementForm(request.POST or None, tz=tz, initial=start)

    def do(said: dict[str, Any]) -> str:
        placing.correct_placement(
            Actor.of(request.user), row, said["reason"], from_ms=_kept(said["start"], row.from_ms, tz),
            to_ms=_kept(said["end"], row.to_ms, tz), probe=said["probe"], medium=said["medium"],
            governing=said["governing"],
        )  # fmt: skip
        return reverse("logger", args=[row.logger.code])

    history = row.history.select_related("history_user").order_by("-history_date")[:20]
    context = {"logger": row.logger, "placement": row, "history": history}
    return act_view(request, form, "temperature/placement.html", do, context, "Placement corrected.")


def _kept(said: Any, was: Any, tz: str) -> Any:
    """The moment as it was when its minute, which is all that the field shows, was not changed."""
    return was if said is not None and typed(said, tz) == typed(was, tz) else said


@asks
@right("loggers")
def unit_governing(request: HttpRequest, code: str) -> HttpResponse:
    """Which of several loggers in a unit counts from when on."""
    unit = get_object_or_404(Unit, code=code)
    there = (
        unit.logger_placements.select_related("logger").filter(to_ms=None).order_by("-governing", "from_ms")
    )
    others = Logger.objects.filter(placements__in=there).distinct()
    form = GovernForm(request.POST or None, tz=tz_of(request), there=others)

    def do(said: dict[str, Any]) -> str:
        placing.govern(Actor.of(request.user), unit, said["logger"], said["at"], said["reason"])
        return reverse("logger", args=[said["logger"].code])

    context = {"unit": unit, "there": there}
    return act_view(request, form, "temperature/governing.html", do, context)
