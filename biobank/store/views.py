"""Pages of storage: the tree, one unit, and what is done to stored tubes and to units."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.acting import ms
from biobank.bench.asked import actor, bound
from biobank.core import codes
from biobank.core.grid import NAMINGS
from biobank.disposal import returned
from biobank.forms import act_view
from biobank.store import actions, paper, picture, queries, suggest
from biobank.store import carry as carrying
from biobank.store.forms import (
    CarryForm,
    FindForm,
    MoveUnitForm,
    NewUnitForm,
    PlaceForm,
    PullForm,
    PutAwayForm,
    ThawForm,
    WhereForm,
)
from custody import queries as ledger
from custody.core.refusal import Refused

asks = require_http_methods(["GET", "HEAD", "POST"])


@require_safe
@right("see")
def store(request: HttpRequest) -> HttpResponse:
    """The storage tree and how full it is."""
    tops, tube = queries.folded(), request.GET.get("tube", "")
    state = ledger.state(tube) if codes.is_valid(tube) else None
    path = ledger.above(state.unit) if state and state.unit else []
    context = {"tops": tops, "tube": tube if path else "", "path": path}
    return render(request, "store/store.html", context | {"find": FindForm()} | rights(request))


def rights(request: HttpRequest) -> dict[str, bool]:
    who = request.person  # type: ignore[attr-defined]
    return {"may_store": may(who, "store"), "may_curate": may(who, "curate")}


def unit_or_404(code: str) -> Any:
    found = queries.unit_by_code(code)
    if found is None:
        raise Http404("No such unit.")
    return found


@require_safe
@right("see")
def unit(request: HttpRequest, code: str) -> HttpResponse:
    """One unit: its box map or what it holds."""
    inside = queries.inside(unit_or_404(code))
    allowed = rights(request)
    context = {"inside": inside, "unit": inside.unit, "looked_at": request.GET.getlist("tube")} | allowed
    if inside.unit.kind == "box":
        context |= _map(inside, allowed["may_store"], context["looked_at"])
    return render(request, "store/unit.html", context)


def _map(inside: queries.Inside, may_store: bool, looked_at: list[str]) -> dict[str, Any]:
    tube_href = reverse("tube", args=["000000000"]).replace("000000000", "{tube}")
    slot_href = f"{reverse('put_away')}?unit={inside.unit.code}&slot={{slot}}" if may_store else ""
    now = ms(timezone.now())
    lines = picture.box_map(inside.unit, inside.tubes, tube_href, slot_href, looked_at, now)
    contents = sorted({place.state.matrix for place in inside.tubes if place.state.matrix})
    naming = NAMINGS[inside.unit.naming]
    return {"lines": lines, "heads": inside.unit.grid.col_heads, "naming": naming, "contents": contents}


@require_safe
@right("see")
def map_pdf(request: HttpRequest, code: str) -> HttpResponse:
    """The map of a box on one page of paper."""
    found = unit_or_404(code)
    if found.kind != "box":
        raise Http404("Only a box has a map.")
    zone = request.person.programme.tz  # type: ignore[attr-defined]
    answer = HttpResponse(paper.map_pdf(queries.inside(found), zone), content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="box-{found.code}.pdf"'
    return answer


@require_safe
@right("see")
def find(request: HttpRequest) -> HttpResponse:
    """From a code to the place: a tube in its box, or the unit itself."""
    form = FindForm(request.GET if "code" in request.GET else None)
    if form.is_valid():
        try:
            return redirect(_found(form.cleaned_data["code"]))
        except Refused as no:
            form.add_error(None, ValidationError(no.sentence, no.code))
    status = 422 if form.is_bound else 200
    return render(request, "store/find.html", {"form": form}, status=status)


def _found(text: str) -> str:
    if (place := queries.unit_by_code(text)) is not None:
        return reverse("unit", args=[place.code])
    code = codes.tube(text)
    state = ledger.state(code)
    if state is None or state.status == "unknown":
        raise Refused("tube_unknown", f"{codes.show(code)}: no label with this code was printed.")
    if state.unit and queries.unit_by_code(state.unit):
        return f"{reverse('unit', args=[state.unit])}?{urlencode({'tube': code})}"
    return reverse("tube", args=[code])


@require_safe
@right("see")
def room(request: HttpRequest) -> HttpResponse:
    """Empty places, by class and freezer."""
    return render(request, "store/room.html", {"rows": queries.room_by_class(suggest.rooms().values())})


@require_safe
@right("store")
def where(request: HttpRequest) -> HttpResponse:
    """Where tubes could go; nothing is written."""
    form = WhereForm(request.GET if "tubes" in request.GET else None)
    context: dict[str, Any] = {"form": form}
    if form.is_valid():
        who = request.person  # type: ignore[attr-defined]
        context["advice"] = suggest.advise(form.cleaned_data["tubes"], who.agency.code)
    return render(request, "store/where.html", context, status=422 if form.errors else 200)


@asks
@right("store")
def carry(request: HttpRequest) -> HttpResponse:
    """Two scans: what moves, where to. The destination stays for the next one."""
    form = bound(CarryForm, request, initial={name: request.GET.get(name, "") for name in ("unit", "to")})
    form.fields["to" if form["unit"].value() else "unit"].widget.attrs["autofocus"] = True

    def do(said: dict[str, Any]) -> str:
        who = actor(request)
        done = carrying.carry(who, **said)
        if doubt := carrying.doubts(said["to"]):
            messages.warning(request, doubt)
        return returned.then(done, who, f"{reverse('carry')}?{urlencode({'to': said['to'].strip().upper()})}")

    context = {"places": queries.holder_codes()}
    return act_view(request, form, "store/carry.html", do, context, done="Moved. Scan the next one.")


def placing(
    request: HttpRequest, form: PlaceForm, action: Callable[..., str], words: dict[str, str]
) -> HttpResponse:
    """Scan tubes, scan a box: the same for putting away and moving. What was out of the cold for too long
    leads to the question about a thaw."""

    def do(said: dict[str, Any]) -> str:
        who = actor(request)
        done = action(who, **said)
        place = actions.known_unit(said["unit"])
        _warn(request, place.code, said["tubes"])
        there = f"{reverse('unit', args=[place.code])}?{urlencode({'tube': said['tubes']}, doseq=True)}"
        return returned.then(done, who, there)

    context = words | {"places": queries.box_codes()}
    return act_view(request, form, "store/place.html", do, context, done=words["done"])


def _warn(request: HttpRequest, place: str, tubes: list[str]) -> None:
    """What is worth a thought after tubes were stored: a box that stands nowhere, siblings in one freezer."""
    if doubt := carrying.doubts(place):
        messages.warning(request, doubt)
    if found := suggest.beside(tubes):
        messages.info(request, found.sentence)


def _place_form(kind: type[PlaceForm], request: HttpRequest) -> PlaceForm:
    return bound(kind, request, initial={name: request.GET.get(name, "") for name in ("unit", "slot")})


@asks
@right("store")
def put_away(request: HttpRequest) -> HttpResponse:
    """Scan tubes, scan the box they go into; without a box the next free place of their class is sought."""
    form = _place_form(PutAwayForm, request)
    if request.method == "POST" and form.is_valid() and not form.cleaned_data["unit"]:
        tubes = "\n".join(form.cleaned_data["tubes"])
        return redirect(f"{reverse('where')}?{urlencode({'tubes': tubes})}")
    return placing(request, form, actions.put_away, {"verb": "Put away", "done": "Put away."})


@asks
@right("store")
def move(request: HttpRequest) -> HttpResponse:
    """Scan stored tubes, scan the box they move to."""
    form = _place_form(PlaceForm, request)
    return placing(request, form, actions.move, {"verb": "Move", "done": "Moved."})


@asks
@right("store")
def pull(request: HttpRequest) -> HttpResponse:
    """Take tubes out of storage."""

    def do(said: dict[str, Any]) -> str:
        actions.pull(actor(request), **said)
        return reverse("bench")

    form = bound(PullForm, request, initial={"assay": request.GET.get("assay", "")})
    return act_view(request, form, "store/pull.html", do, done="Pulled.")


@asks
@right("store")
def thaw(request: HttpRequest) -> HttpResponse:
    """Count one thaw more for each of these tubes."""

    def do(said: dict[str, Any]) -> str:
        actions.thaw(actor(request), **said)
        return reverse("bench")

    return act_view(request, bound(ThawForm, request), "store/thaw.html", do, done="Thaw counted.")


@asks
@right("curate")
def add_unit(request: HttpRequest) -> HttpResponse:
    """A new freezer, rack, box…"""
    form = bound(NewUnitForm, request, initial={"parent": request.GET.get("parent", "")})

    def do(said: dict[str, Any]) -> str:
        actions.add_unit(actor(request), **said)
        return reverse("unit", args=[said["code"].strip().upper()])

    return act_view(
        request, form, "store/add.html", do, {"places": queries.holder_codes()}, done="Unit added."
    )


@asks
@right("store")
def move_unit(request: HttpRequest, code: str) -> HttpResponse:
    """A unit, with all that is in it, to another place."""
    moving = unit_or_404(code)

    def do(said: dict[str, Any]) -> str:
        who = actor(request)
        done = actions.move_unit(who, unit=moving.code, **said)
        return returned.then(done, who, reverse("unit", args=[moving.code]))

    context = {"unit": moving, "places": queries.holder_codes()}
    return act_view(
        request, bound(MoveUnitForm, request), "store/move_unit.html", do, context, done="Unit moved."
    )
