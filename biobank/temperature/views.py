"""Pages of the loggers: list, one logger with its trace, placing, and taking in a file in two steps."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_GET, require_http_methods

from biobank.access import may, right
from biobank.acting import ms
from biobank.models import Logger
from biobank.temperature import queries, record_queries
from biobank.temperature.forms import SpanForm

PROBLEMS_SHOWN = 50
get_or_post = require_http_methods(["GET", "POST"])


@require_GET
@right("see")
def loggers(request: HttpRequest) -> HttpResponse:
    """Every logger, where it is, what it has seen."""
    return render(request, "temperature/loggers.html", {
        "loggers": queries.loggers(), "waiting": record_queries.waiting(),
        "may_load": may(request.person, "loggers"),
    })  # fmt: skip


@require_GET
@right("see")
def logger(request: HttpRequest, code: str) -> HttpResponse:
    """One logger: trace, excursions, placements, files."""
    found = get_object_or_404(Logger.objects.select_related("agency"), code=code)
    whole, spans = record_queries.whole(found), SpanForm(request.GET)
    tz = request.person.programme.tz
    span, raw = spans.span(whole, _midnight(tz)) if whole else None, "raw" in request.GET
    trace = queries.logger_trace(found, *span, tz, raw=raw) if span else None
    return render(request, "temperature/logger.html", {
        "logger": found, "trace": trace, "span_form": _shown(trace, tz), "tz": tz, "raw": raw,
        "other_query": _other(request),
        "known": record_queries.known(found, span), "may_curate": may(request.person, "curate"),
        "imports": found.imports.select_related("person").defer("content")[:50],
        "may_load": may(request.person, "loggers"),
    })  # fmt: skip


def _other(request: HttpRequest) -> str:
    """The same page with the readings as they were read, or as they count."""
    asked = request.GET.copy()
    if asked.pop("raw", None) is None:
        asked["raw"] = "1"
    return str(asked.urlencode())


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
