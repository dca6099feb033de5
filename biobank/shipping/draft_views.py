"""Pages on which the giver prepares a shipment and sends it."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from biobank.access import right
from biobank.acting import ms
from biobank.bench.asked import actor
from biobank.forms import act_view
from biobank.models import Leg, Shipment
from biobank.shipping import actions, planning, points, queries, sending
from biobank.shipping.forms import (
    AddForm,
    DraftForm,
    DropForm,
    LegForm,
    PackingForm,
    SendForm,
    TakeOutForm,
    start_of,
    start_of_leg,
)
from biobank.shipping.views import parts
from biobank.templatetags.words import local

asks = require_http_methods(["GET", "HEAD", "POST"])


def _posted(request: HttpRequest) -> Any:
    return request.POST if request.method == "POST" else None


def _mine(request: HttpRequest, pk: int) -> Shipment:
    return queries.to_change(request.person, pk)


@asks
@right("handoff")
def new(request: HttpRequest) -> HttpResponse:
    """Begin a shipment."""
    who = actor(request)
    start = {"receiver": request.GET.get("to"), "assay": request.GET.get("assay", "")}
    form = DraftForm(_posted(request), tz=who.tz, agency=who.person.agency, initial=start)

    def do(said: dict[str, Any]) -> str:
        return reverse("shipment", args=[actions.begin(who, said["key"], form.said()).pk])

    return act_view(
        request, form, "shipping/form.html", do, done="Begun. Now say what goes and on which way."
    )


@asks
@right("handoff")
def change(request: HttpRequest, pk: int) -> HttpResponse:
    """Change what was said of a draft."""
    who, one = actor(request), _mine(request, pk)
    form = DraftForm(_posted(request), tz=who.tz, agency=who.person.agency, initial=start_of(one))

    def do(said: dict[str, Any]) -> str:
        actions.change(who, one, form.said())
        return reverse("shipment", args=[pk])

    return act_view(request, form, "shipping/form.html", do, {"shipment": one})


@asks
@right("handoff")
def tubes(request: HttpRequest, pk: int) -> HttpResponse:
    """Scan tubes, boxes or coolers into it."""
    who, one = actor(request), _mine(request, pk)

    def do(said: dict[str, Any]) -> str:
        actions.add(who, one, said["tubes"])
        return reverse("shipment_tubes", args=[pk])

    context = {"shipment": one, "inside": queries.contents(one), "out": TakeOutForm(auto_id="out_%s")}
    return act_view(request, AddForm(_posted(request)), "shipping/tubes.html", do, context, done="Put in.")


@asks
@right("handoff")
def tubes_out(request: HttpRequest, pk: int) -> HttpResponse:
    """Take tubes out of it."""
    one = _mine(request, pk)
    form = TakeOutForm(_posted(request), initial={"tubes": "\n".join(request.GET.getlist("tube"))})

    def do(said: dict[str, Any]) -> str:
        actions.take_out(one, said["tubes"])
        return reverse("shipment_tubes", args=[pk])

    return act_view(request, form, "shipping/tubes_out.html", do, {"shipment": one}, done="Taken out.")


@asks
@right("handoff")
def leg_new(request: HttpRequest, pk: int) -> HttpResponse:
    """One more stretch of the way."""
    return _leg(request, _mine(request, pk), None)


@asks
@right("handoff")
def leg(request: HttpRequest, pk: int, n: int) -> HttpResponse:
    """Change one stretch of the way."""
    one = _mine(request, pk)
    return _leg(request, one, _leg_or_404(one, n))


def _leg_or_404(one: Shipment, n: int) -> Leg:
    found: Leg | None = one.legs.filter(n=n).first()
    if found is None:
        raise Http404("No such leg.")
    return found


def _leg(request: HttpRequest, one: Shipment, row: Leg | None) -> HttpResponse:
    who = actor(request)
    start = start_of_leg(row, who.tz) if row else _next_leg(one, who.tz)
    form = LegForm(_posted(request), tz=who.tz, agency=who.person.agency, initial=start)

    def do(said: dict[str, Any]) -> str:
        actions.put_leg(one, row, form.said())
        return reverse("shipment", args=[one.pk])

    return act_view(request, form, "shipping/leg.html", do, {"shipment": one, "leg": row})


def _next_leg(one: Shipment, tz: str) -> dict[str, Any]:
    """A new leg goes on where the last one ends."""
    last = one.legs.order_by("-n").first()
    if last is None:
        return {}
    goes_on = ("coolant", "ice_form", "upright")
    at = local(last.arrives, tz)
    return {name: getattr(last, name) for name in goes_on} | {"leaves": f"{at:%Y-%m-%dT%H:%M}"}


@asks
@right("handoff")
def leg_remove(request: HttpRequest, pk: int, n: int) -> HttpResponse:
    """Take a stretch out of the way."""
    one = _mine(request, pk)
    row = _leg_or_404(one, n)

    def do(said: dict[str, Any]) -> str:
        actions.remove_leg(one, row)
        return reverse("shipment", args=[pk])

    form = DropForm(_posted(request))
    del form.fields["reason"]
    return act_view(
        request, form, "shipping/leg_remove.html", do, {"shipment": one, "leg": row}, done="Taken out."
    )


@asks
@right("handoff")
def packing(request: HttpRequest, pk: int) -> HttpResponse:
    """Answer the points of the packing list, some or all."""
    who, one = actor(request), _mine(request, pk)
    asked = queries.packing(one, queries.legs(one), queries.contents(one))
    form = PackingForm(_posted(request), asked=asked)

    def do(said: dict[str, Any]) -> str:
        actions.check_points(who, one, form.said())
        return reverse("shipment", args=[pk])

    context = {"shipment": one, "caution": points.CAUTION}
    return act_view(request, form, "shipping/packing.html", do, context)


@asks
@right("handoff")
def send(request: HttpRequest, pk: int) -> HttpResponse:
    """Look once more, then give it away. Sent twice, it leads to the same handoff."""
    who, one = actor(request), _mine(request, pk)
    context = parts(request, one, ms(timezone.now()))
    due = local(planning.expected(context["way"]), who.tz)
    start = {"seal": one.seal, "due": f"{due:%Y-%m-%dT%H:%M}" if due else ""}
    form = SendForm(_posted(request), tz=who.tz, initial=start)

    def do(said: dict[str, Any]) -> str:
        names = ("how", "seal", "due", "centi_c", "at", "why")
        done = sending.send(who, said["key"], one, **{name: said[name] for name in names})
        return reverse("handoff", args=[done.id])

    done = "Sent. The tubes stay yours until they are received."
    return act_view(request, form, "shipping/send.html", do, context, done=done)


@asks
@right("handoff")
def drop(request: HttpRequest, pk: int) -> HttpResponse:
    """Say that it is not sent."""
    who, one = actor(request), _mine(request, pk)

    def do(said: dict[str, Any]) -> str:
        actions.drop(who, one, said["reason"])
        return reverse("shipments")

    return act_view(
        request, DropForm(_posted(request)), "shipping/drop.html", do, {"shipment": one}, done="Dropped."
    )
