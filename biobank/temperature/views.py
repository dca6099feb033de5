"""Pages of the loggers: list, one logger with its trace, placing, and taking in a file in two steps."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from biobank.access import may, right
from biobank.acting import Actor, ms
from biobank.forms import act_view
from biobank.models.loggers import Logger, LoggerDraft, LoggerImport
from biobank.temperature import actions, queries
from biobank.temperature.forms import EndForm, FileForm, KeyForm, LoggerForm, PlaceForm, SpanForm
from biobank.temperature.parse import Mapping
from biobank.temperature.trace import draw
from custody.core.refusal import Refused
from custody.core.thermal import Series

PROBLEMS_SHOWN = 50
get_or_post = require_http_methods(["GET", "POST"])


@require_GET
@right("see")
def loggers(request: HttpRequest) -> HttpResponse:
    """Every logger, where it is, what it has seen."""
    return render(request, "temperature/loggers.html", {
        "loggers": queries.loggers(), "may_load": may(request.person, "loggers"),
    })  # fmt: skip


@require_GET
@right("see")
def logger(request: HttpRequest, code: str) -> HttpResponse:
    """One logger: trace, excursions, placements, files."""
    found = get_object_or_404(Logger.objects.select_related("agency"), code=code)
    whole, spans = queries.span_of(found), SpanForm(request.GET)
    tz = request.person.programme.tz
    trace = queries.logger_trace(found, *spans.span(whole, _midnight(tz)), tz) if whole else None
    return render(request, "temperature/logger.html", {
        "logger": found, "trace": trace, "span_form": _shown(trace, tz), "tz": tz,
        "placements": found.placements.select_related("unit").order_by("-from_ms"),
        "imports": found.imports.select_related("person").defer("content")[:50],
        "may_load": may(request.person, "loggers"),
    })  # fmt: skip


def _midnight(tz: str) -> Any:
    def of(day: date) -> int:
        return ms(datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(tz)))

    return of


def _shown(trace: Any, tz: str) -> SpanForm:
    """The form that says which days the picture shows now."""
    if trace is None:
        return SpanForm()
    start = datetime.fromtimestamp(trace.start_ms / 1000, ZoneInfo(tz)).date()
    end = (datetime.fromtimestamp(trace.end_ms / 1000, ZoneInfo(tz)) - timedelta(seconds=1)).date()
    return SpanForm(initial={"start": start.isoformat(), "end": end.isoformat()})


@get_or_post
@right("loggers")
def logger_new(request: HttpRequest) -> HttpResponse:
    """Add a logger."""

    def do(said: dict[str, Any]) -> str:
        actor = Actor.of(request.user)
        made = actions.add_logger(actor, said["code"], said["minutes"], said["name"], said["serial"])
        return reverse("logger", args=[made.code])

    return act_view(
        request, LoggerForm(request.POST or None), "temperature/new.html", do, done="Logger added."
    )


@get_or_post
@right("loggers")
def logger_place(request: HttpRequest, code: str) -> HttpResponse:
    """Say where a logger stands."""
    found = get_object_or_404(Logger, code=code)
    form = PlaceForm(request.POST or None, tz=request.person.programme.tz)

    def do(said: dict[str, Any]) -> str:
        actions.place(
            Actor.of(request.user), found, said["unit"], said["start"], said["end"], probe=said["probe"],
            medium=said["medium"], governing=said["governing"], reason=said["reason"],
        )  # fmt: skip
        return reverse("logger", args=[found.code])

    return act_view(request, form, "temperature/place.html", do, {"logger": found}, "Placement saved.")


@get_or_post
@right("loggers")
def logger_take_out(request: HttpRequest, code: str) -> HttpResponse:
    """Say when a logger was taken out."""
    found = get_object_or_404(Logger, code=code)
    placement = found.placements.select_related("unit").filter(to_ms=None).first()
    if placement is None:  # also the second tap
        messages.info(request, f"{found.code} stands in no unit.")
        return redirect("logger", found.code)
    form = EndForm(request.POST or None, tz=request.person.programme.tz)

    def do(said: dict[str, Any]) -> str:
        actions.end_placement(Actor.of(request.user), placement, said["end"], said["reason"])
        return reverse("logger", args=[found.code])

    context = {"logger": found, "placement": placement}
    return act_view(request, form, "temperature/take_out.html", do, context, "Placement ended.")


@get_or_post
@right("loggers")
def logger_import(request: HttpRequest) -> HttpResponse:
    """Step one: a file and how to read it."""
    form = FileForm(
        request.POST or None, request.FILES or None, initial={"logger": request.GET.get("logger")}
    )

    def do(said: dict[str, Any]) -> str:
        actor, file = Actor.of(request.user), said["file"]
        held = actions.draft(
            actor, said["logger"], form.mapping, file.name, file.read(), form.mapping_name,
            save_as=said["save_as"],
        )  # fmt: skip
        return reverse("logger_draft", args=[held.pk])

    done = "The file was read. Nothing is stored yet."
    return act_view(request, form, "temperature/import.html", do, done=done)


@get_or_post
@right("loggers")
def logger_draft(request: HttpRequest, pk: int) -> HttpResponse:
    """Step two: what the file says, and the button that stores it."""
    form = KeyForm(request.POST or None)
    pressed = request.method == "POST" and form.is_valid()
    if pressed and (known := LoggerImport.objects.filter(key=form.cleaned_data["key"]).first()):
        return redirect("logger", known.logger.code)  # the second tap finds the draft gone
    held = get_object_or_404(LoggerDraft.objects.select_related("logger"), pk=pk, person=request.person)
    if pressed:
        try:
            stored = actions.store(Actor.of(request.user), held, str(form.cleaned_data["key"]))
        except Refused as no:
            form.add_error(None, ValidationError(no.sentence, no.code))
        else:
            messages.success(request, _said(stored))
            return redirect("logger", held.logger.code)
    return _preview(request, held, form)


def _said(stored: actions.Stored) -> str:
    if stored.source is None:
        return f"Nothing new: all {stored.already:,} readings of this file are stored already."
    return f"{stored.new:,} new readings stored; {stored.already:,} were stored already."


def _preview(request: HttpRequest, held: LoggerDraft, form: KeyForm) -> HttpResponse:
    tz = request.person.programme.tz
    mapping = Mapping.of(held.mapping_spec)
    found = actions.look(held.logger, bytes(held.content), mapping)
    times, centi = found.parsed.times, found.parsed.centi
    trace = None
    if times:
        part = (Series(times, centi, found.gap_ms), times[0], times[-1] + 1)
        trace = draw([part], [], times[0], times[-1] + 1, tz)
    context = {
        "held": held, "look": found, "mapping": mapping, "trace": trace, "form": form, "tz": tz,
        "problems": found.problems[:PROBLEMS_SHOWN], "more": len(found.problems) - PROBLEMS_SHOWN,
        "future": bool(times) and times[-1] > ms(timezone.now()),
        "interval_differs": found.parsed.interval_ms not in (0, held.logger.interval_s * 1000),
    }  # fmt: skip
    return render(request, "temperature/draft.html", context, status=422 if form.errors else 200)
