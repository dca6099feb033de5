"""Pages of a rack of tubes at once: choose the file, look at what it would do, do it."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods

from biobank.access import right
from biobank.bench.asked import actor, bound
from biobank.disposal import returned
from biobank.forms import act_view
from biobank.imports.read import MOST_BYTES
from biobank.store import queries
from biobank.store import rack as racks
from biobank.store.forms import RackForm, RackPutForm
from custody.core.refusal import Refused

asks = require_http_methods(["GET", "HEAD", "POST"])


@asks
@right("store")
def rack(request: HttpRequest) -> HttpResponse:
    """The file of a rack reader; answered with a look at what it would do. Nothing is written."""
    first = {"unit": request.GET.get("unit", "")}
    form = RackForm(request.POST or None, request.FILES or None, initial=first)
    if request.method == "POST" and form.is_valid():
        try:
            return _shown(request, form.cleaned_data)
        except Refused as no:
            form.add_error(None, ValidationError(no.sentence, no.code))
    context = {"form": form, "places": queries.box_codes()}
    return render(request, "store/rack.html", context, status=422 if form.errors else 200)


def _shown(request: HttpRequest, said: dict[str, Any]) -> HttpResponse:
    box = racks.box_for(said["unit"])
    content = said["file"].read(MOST_BYTES + 1)  # one more than allowed, so that reading it refuses
    seen = racks.look(actor(request), box, racks.spots_in(content, box, said["naming"]))
    zone = request.person.programme.tz  # type: ignore[attr-defined]
    form = RackPutForm(tz=zone, initial={"unit": box.code, "rack": seen.text})
    for name, needed in (("others", seen.moving), ("partly", seen.wrong)):
        if not needed:  # asked only when there is something to ask
            del form.fields[name]
    return render(request, "store/rack_look.html", {"form": form, "look": seen})


@asks
@right("store")
def rack_put(request: HttpRequest) -> HttpResponse:
    """What was looked at is put away; when something is in the way, it is looked at again."""
    if request.method != "POST":
        return redirect("rack")
    form = bound(RackPutForm, request)

    def do(said: dict[str, Any]) -> str:
        box = racks.box_for(said.pop("unit"))
        spots = racks.spots_in(said.pop("rack").encode(), box)
        who, key = actor(request), said.pop("key")
        done = racks.put_rack(who, key, box, spots, **said)
        tubes = [spot.code for spot in spots if spot.code]
        there = f"{reverse('unit', args=[box.code])}?{urlencode({'tube': tubes}, doseq=True)}"
        return returned.then(done, who, there)

    return act_view(request, form, "store/rack_look.html", do, {"look": _again(request)}, "Put away.")


def _again(request: HttpRequest) -> racks.Look | None:
    try:
        box = racks.box_for(request.POST.get("unit", ""))
        return racks.look(actor(request), box, racks.spots_in(request.POST.get("rack", "").encode(), box))
    except Refused:
        return None
