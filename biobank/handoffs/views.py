"""Pages of a handoff: list, give, receive, refuse, and its paper."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone

from biobank.access import may, right
from biobank.acting import Actor, ms
from biobank.checks import gate
from biobank.forms import act_view
from biobank.handoffs import actions, cases, giving, queries
from biobank.handoffs.forms import HandOffForm, ReasonForm
from biobank.models import Agency, Shipment
from biobank.models.shipments import HAZARDS


@right("see")
def handoffs(request: HttpRequest) -> HttpResponse:
    """Handoffs of my agency, a page at a time, and first what waits for an answer."""
    who = request.person  # type: ignore[attr-defined]
    now, mine = ms(timezone.now()), who.agency.code
    before = request.GET.get("before", "")
    rows = queries.handoffs(mine, now, int(before) if before.isdecimal() and len(before) < 16 else None)
    going = queries.open_handoffs(mine, now)
    return render(request, "handoffs/list.html", {
        "to_answer": [one for one in going if one.header["data"]["to"] == mine],
        "not_answered": [one for one in going if one.header["org"] == mine],
        "handoffs": rows, "first": not before,
        "older": rows[-1].said.seq if len(rows) == queries.SHOWN else None,
        "cases": cases.of(who).filter(closed=None).count(), "may_hand_off": may(who, "handoff"),
    })  # fmt: skip


@right("handoff")
def new(request: HttpRequest) -> HttpResponse:
    """Give tubes to another agency."""
    actor = Actor.of(request.user)
    others = list(Agency.objects.exclude(code=actor.org).values_list("code", "name"))
    start = {"tubes": "\n".join(request.GET.getlist("tube")), "assay": request.GET.get("assay", "")}
    form = HandOffForm(request.POST or None, tz=actor.tz, agencies=others, initial=start)

    def do(said: dict[str, Any]) -> str:
        found = giving.scanned(said["tubes"])
        names = ["how", "seal", "due", "centi_c", "at", "assay"]
        done = actions.hand_off(
            actor, said["key"], found.tubes, said["to"], parcel=form.parcel(found.boxes),
            **{name: said[name] for name in names},
        )  # fmt: skip
        return reverse("handoff", args=[done.id])

    return act_view(
        request,
        form,
        "handoffs/new.html",
        do,
        done="Handed off. The tubes stay yours until they are received.",
    )


def found_or_404(request: HttpRequest, key: UUID) -> queries.Handoff:
    who = request.person  # type: ignore[attr-defined]
    one = queries.handoff(str(key), ms(timezone.now()))
    if one is None or not (
        who.agency.code in {one.header["org"], one.header["data"]["to"]}
        or may(who, "curate")
        or who.role == "auditor"
    ):
        raise Http404("No such handoff.")
    return one


@right("see")
def handoff(request: HttpRequest, key: UUID) -> HttpResponse:
    """One handoff with its tubes, its answers and what became of it."""
    one = found_or_404(request, key)
    who = request.person  # type: ignore[attr-defined]
    mine = may(who, "handoff") and one.open > 0
    receiving = mine and one.header["data"]["to"] == who.agency.code
    blind = receiving and not one.answers  # whoever must still count does not see the number or the list
    return render(request, "handoffs/handoff.html", {
        "handoff": one,
        "how": dict(actions.HOW)[one.header["data"]["how"]],
        "hazard": dict(HAZARDS).get(one.header["data"].get("hazard", ""), ""),
        "shipment": Shipment.objects.filter(handoff=key).values_list("pk", flat=True).first(),
        "receiving": receiving,
        "giving": mine and one.header["org"] == who.agency.code,
        "rows": [] if blind else queries.tube_rows(one),
        "boxes": {} if blind else queries.boxes(one),
        "steps": queries.timeline(one),
        "assay": gate.called(one.header["data"].get("assay")),
        "cases": [] if blind else cases.of(who).filter(handoff=key),
        "chain": [] if blind else queries.chain(one.tubes),
    })  # fmt: skip


@right("handoff")
def send_back(request: HttpRequest, key: UUID, kind: str) -> HttpResponse:
    """Refuse or withdraw a handoff, with a reason."""
    one = found_or_404(request, key)
    actor = Actor.of(request.user)
    form = ReasonForm(request.POST or None, tz=actor.tz)

    def do(said: dict[str, Any]) -> str:
        actions.send_back(actor, said["key"], str(key), kind, said["reason"], said["at"])
        return reverse("handoff", args=[key])

    return act_view(
        request, form, "handoffs/send_back.html", do, {"handoff": one, "kind": kind}, done="Noted."
    )
