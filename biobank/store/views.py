"""Pages of storage: the tree, one unit, and what is done to stored tubes and to units."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.bench.asked import actor, bound
from biobank.forms import act_view
from biobank.store import actions, queries
from biobank.store.forms import DiscardForm, MoveUnitForm, NewUnitForm, PlaceForm, PullForm, ThawForm

asks = require_http_methods(["GET", "HEAD", "POST"])


@require_safe
@right("see")
def store(request: HttpRequest) -> HttpResponse:
    """The storage tree and how full it is."""
    return render(request, "store/store.html", {"tops": queries.tree()} | rights(request))


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
        tube_href = reverse("tube", args=["000000000"]).replace("000000000", "{tube}")
        slot_href = (
            f"{reverse('put_away')}?unit={inside.unit.code}&slot={{slot}}" if allowed["may_store"] else ""
        )
        rows = queries.box_rows(inside.unit, inside.tubes, tube_href, slot_href, context["looked_at"])
        context |= {"rows": rows}
    return render(request, "store/unit.html", context)


def placing(request: HttpRequest, action: Callable[..., str], words: dict[str, str]) -> HttpResponse:
    """Scan tubes, scan a box: the same for putting away and moving."""
    start = {name: request.GET.get(name, "") for name in ("unit", "slot")}
    form = bound(PlaceForm, request, initial=start)

    def do(said: dict[str, Any]) -> str:
        action(actor(request), **said)
        place = actions.known_unit(said["unit"])
        return f"{reverse('unit', args=[place.code])}?{urlencode({'tube': said['tubes']}, doseq=True)}"

    context = words | {"places": queries.box_codes()}
    return act_view(request, form, "store/place.html", do, context, done=words["done"])


@asks
@right("store")
def put_away(request: HttpRequest) -> HttpResponse:
    """Scan tubes, scan the box they go into."""
    return placing(request, actions.put_away, {"verb": "Put away", "done": "Put away."})


@asks
@right("store")
def move(request: HttpRequest) -> HttpResponse:
    """Scan stored tubes, scan the box they move to."""
    return placing(request, actions.move, {"verb": "Move", "done": "Moved."})


@asks
@right("store")
def pull(request: HttpRequest) -> HttpResponse:
    """Take tubes out of storage."""

    def do(said: dict[str, Any]) -> str:
        actions.pull(actor(request), **said)
        return reverse("bench")

    return act_view(request, bound(PullForm, request), "store/pull.html", do, done="Pulled.")


@asks
@right("store")
def thaw(request: HttpRequest) -> HttpResponse:
    """Count one thaw more for each of these tubes."""

    def do(said: dict[str, Any]) -> str:
        actions.thaw(actor(request), **said)
        return reverse("bench")

    return act_view(request, bound(ThawForm, request), "store/thaw.html", do, done="Thaw counted.")


@asks
@right("store")
def discard(request: HttpRequest) -> HttpResponse:
    """Take tubes out of the collection for good."""

    def do(said: dict[str, Any]) -> str:
        said = {name: value for name, value in said.items() if name != "sure"}
        actions.discard(actor(request), **said)
        return reverse("store")

    return act_view(request, bound(DiscardForm, request), "store/discard.html", do, done="Discarded.")


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
        actions.move_unit(actor(request), unit=moving.code, **said)
        return reverse("unit", args=[moving.code])

    context = {"unit": moving, "places": queries.holder_codes()}
    return act_view(
        request, bound(MoveUnitForm, request), "store/move_unit.html", do, context, done="Unit moved."
    )
