"""Pages of temperatures by unit: the list of units, one unit over any stretch of time, the same as numbers
and on paper."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from biobank.access import may, right
from biobank.acting import ms
from biobank.models import Unit
from biobank.store.classes import path_of, set_point
from biobank.store.queries import unit_by_code
from biobank.temperature import drawn, overview, spans
from biobank.temperature import unit_queries as queries
from biobank.temperature.paper import unit_pdf
from biobank.temperature.spans import Span


@require_safe
@right("see")
def temperatures(request: HttpRequest) -> HttpResponse:
    """Every unit that has a logger, an alarm or a set point."""
    now = ms(timezone.now())
    return render(request, "temperature/units.html", {"rows": overview.rows(now), "now_ms": now})


def _unit_or_404(code: str) -> Unit:
    found = unit_by_code(code)
    if found is None:
        raise Http404("No such unit.")
    return found


def _tz(request: HttpRequest) -> str:
    return str(request.person.programme.tz)  # type: ignore[attr-defined]


def _seen(request: HttpRequest, unit: Unit, **more: Any) -> tuple[queries.Seen | None, Span | None]:
    """The picture that the address asks for, and all there is; without readings the stretch must be named."""
    tz, now = _tz(request), ms(timezone.now())
    on = queries.ground(unit, now)
    if on.whole is None and not (request.GET.get("from") or request.GET.get("to")):
        return None, None
    whole = on.whole or Span(now - spans.USUAL, now)
    return queries.seen(unit, on, spans.asked(request.GET, whole, tz), tz, **more), whole


@require_safe
@right("see")
def unit_temperature(request: HttpRequest, code: str) -> HttpResponse:
    """One unit over a stretch of time."""
    unit = _unit_or_404(code)
    if unit.code != code:
        return redirect("unit_temperature", unit.code)
    found, whole = _seen(request, unit)
    holder = queries.alarm_of(unit)
    context: dict[str, Any] = {
        "unit": unit,
        "holder": holder,
        "may_load": may(request.person, "loggers"),  # type: ignore[attr-defined]
        "seen": found,
        "tz": _tz(request),
    }
    if found and whole:
        zone = ZoneInfo(_tz(request))
        context |= {
            "trace": found.trace, "whole": whole, "links": spans.links(found.span, whole),
            "readings": f"{reverse('unit_readings', args=[unit.code])}?{found.span.query}",
            "report": f"{reverse('unit_report', args=[unit.code])}?{found.span.query}",
            "from_local": _local(found.span.start, zone), "to_local": _local(found.span.end, zone),
        }  # fmt: skip
    if found is None:
        context["nominal"] = set_point(path_of(unit.code))
    return render(request, "temperature/unit.html", context)


def _local(at: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at / 1000, zone):%Y-%m-%dT%H:%M}"


@require_safe
@right("see")
def unit_readings(request: HttpRequest, code: str) -> HttpResponse:
    """The same picture as numbers: as many as it has room for."""
    unit = _unit_or_404(code)
    text = request.GET.get("width", "")
    width = int(text) if text.isdecimal() and len(text) < 6 else drawn.USUAL
    found, _ = _seen(request, unit, frame=drawn.frame_of(width))
    said = drawn.as_json(found) if found else {"t": [], "c": [], "low": None, "high": None}
    return JsonResponse(said, json_dumps_params={"separators": (",", ":")})


@require_safe
@right("see")
def unit_report(request: HttpRequest, code: str) -> HttpResponse:
    """The picture and its tables on paper."""
    unit = _unit_or_404(code)
    found, _ = _seen(request, unit)
    if found is None:
        raise Http404("There are no readings for this unit.")
    holder = queries.alarm_of(unit)
    return _pdf(unit_pdf(found, holder, _tz(request)), f"temperature-{unit.code}")


def _pdf(content: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return answer
