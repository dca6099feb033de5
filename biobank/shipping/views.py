"""Pages of shipments that only show: the list, one shipment, its marks; and when an agency takes parcels."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from biobank.access import may, right
from biobank.acting import ms
from biobank.bench.asked import actor
from biobank.forms import act_view
from biobank.models import Agency, Shipment
from biobank.shipping import hours as opening
from biobank.shipping import planning, points, queries, sending
from biobank.shipping.forms import ClosedForm, HoursForm, KeepForm

asks = require_http_methods(["GET", "HEAD", "POST"])
KEEP_G = 1000  # dry ice that shall be left, unless another mass is asked (common practice, no source)


@require_safe
@right("see")
def shipments(request: HttpRequest) -> HttpResponse:
    """Drafts, what is on the way, what is overdue, what has arrived."""
    who, now = actor(request), ms(timezone.now())
    context = {"board": queries.board(who.person, now), "now_ms": now, "may_send": may(who.person, "handoff")}
    return render(request, "shipping/list.html", context)


@require_safe
@right("see")
def shipment(request: HttpRequest, pk: int) -> HttpResponse:
    """One shipment with all its parts."""
    who, now = actor(request), ms(timezone.now())
    one = queries.shipment_or_404(who.person, pk)
    mine = one.giver_id == who.person.agency_id and may(who.person, "handoff")
    row = queries.sent_rows([one], who.person, now)[0] if one.handoff else None
    return render(request, "shipping/shipment.html", {
        **parts(request, one, now, blind=bool(row and row.blind)),
        "row": row, "may_change": mine and not one.handoff and not one.dropped,
        "may_hours": may(who.person, "curate"),
    })  # fmt: skip


def parts(request: HttpRequest, one: Shipment, now_ms: int, blind: bool = False) -> dict[str, Any]:
    """Everything that a page about one shipment may show; blind: neither tubes nor how many."""
    rows = queries.legs(one)
    inside = [] if blind else queries.contents(one)
    tubes = [each.tube for each in inside]
    way = planning.way(one, rows, tubes if one.handoff is None else [], now_ms)
    keep = KeepForm(request.GET if "keep" in request.GET else None, initial={"keep": f"{KEEP_G / 1000:g}"})
    keep_g = round(keep.cleaned_data["keep"] * 1000) if keep.is_bound and keep.is_valid() else KEEP_G
    asked = queries.packing(one, rows, inside)
    said = queries.situation(one, rows, inside)
    covered = [] if blind else queries.covered(one, tubes, sending.day_of(one, _leaves(rows)))
    return {
        "shipment": one, "legs": rows, "inside": inside, "blind": blind, "way": way, "now_ms": now_ms,
        "ices": planning.ices(way, rows, keep_g), "keep": keep, "keep_g": keep_g, "packing": asked,
        "open_points": sum(each.check is None for each in asked), "covered": covered,
        "gases": [points.GASES[name] for name in points.GASES if name in said], "caution": points.CAUTION,
        "blocking": sending.blocking(one, rows, inside, way, covered) if one.handoff is None else [],
        "doubts": sending.doubts(way, covered) if one.handoff is None else [],
    }  # fmt: skip


def _leaves(rows: list[Any]) -> Any:
    """When it leaves, for the day on which a permit must hold: as planned, but not in the past."""
    now = timezone.now()
    return max(rows[0].leaves, now) if rows else now


@require_safe
@right("see")
def marks(request: HttpRequest, pk: int) -> HttpResponse:
    """The packing list and the marks of the outside, to print."""
    who = actor(request).person
    one = queries.shipment_or_404(who, pk)
    rows, inside = queries.legs(one), queries.contents(one)
    row = queries.sent_rows([one], who, ms(timezone.now()))[0] if one.handoff else None
    said = queries.situation(one, rows, inside)
    return render(request, "shipping/marks.html", {
        "shipment": one, "packing": queries.packing(one, rows, inside), "marks": points.marks(said),
        "blind": bool(row and row.blind), "ice_g": planning.ice_g(rows), "caution": points.CAUTION,
        "gases": [points.GASES[name] for name in points.GASES if name in said],
    })  # fmt: skip


@require_safe
@right("see")
def receivers(request: HttpRequest) -> HttpResponse:
    """Every agency and when it takes parcels."""
    found = Agency.objects.prefetch_related("hours", "closed_days").order_by("name")
    return render(request, "shipping/receivers.html", {
        "agencies": found, "may_hours": may(request.person, "curate"),
    })  # fmt: skip


@asks
@right("curate")
def hours(request: HttpRequest, code: str) -> HttpResponse:
    """When one agency takes parcels: add hours or a closed day."""
    agency = get_object_or_404(Agency, code=code)
    closing = "day" in request.POST
    form = (ClosedForm if closing else HoursForm)(request.POST or None)
    others = HoursForm() if closing else ClosedForm()

    def do(said: dict[str, Any]) -> str:
        (opening.close_on if closing else opening.open_on)(agency, user=request.user, **said)
        return reverse("open_hours", args=[code])

    context = {
        "agency": agency, "hours": agency.hours.all(), "closed": agency.closed_days.all(), "days":
        opening.DAYS, "hours_form": others if closing else form, "closed_form": form if closing else others,
    }  # fmt: skip
    return act_view(request, form, "shipping/hours.html", do, context)


@require_POST
@right("curate")
def hours_out(request: HttpRequest, code: str, what: str, pk: int) -> HttpResponse:
    """Take out one stretch or one closed day."""
    if what not in {"hours", "day"}:
        raise Http404("No such thing.")
    opening.forget(get_object_or_404(Agency, code=code), what, pk, request.user)
    messages.success(request, "Taken out.")
    return redirect("open_hours", code)
