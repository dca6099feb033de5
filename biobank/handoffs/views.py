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
from biobank.forms import act_view
from biobank.handoffs import actions, paper, queries
from biobank.handoffs.forms import CountForm, HandOffForm, ReasonForm, ReceiveForm
from biobank.models import Agency


@right("see")
def handoffs(request: HttpRequest) -> HttpResponse:
    """Every handoff of my agency."""
    who = request.person  # type: ignore[attr-defined]
    found = queries.handoffs(who.agency.code, ms(timezone.now()))
    return render(request, "handoffs/list.html", {
        "to_answer": [one for one in found if one.open and one.header["data"]["to"] == who.agency.code],
        "handoffs": found, "may_hand_off": may(who, "handoff"),
    })  # fmt: skip


@right("handoff")
def new(request: HttpRequest) -> HttpResponse:
    """Give tubes to another agency."""
    actor = Actor.of(request.user)
    others = list(Agency.objects.exclude(code=actor.org).values_list("code", "name"))
    start = {"tubes": "\n".join(request.GET.getlist("tube")), "assay": request.GET.get("assay", "")}
    form = HandOffForm(request.POST or None, tz=actor.tz, agencies=others, initial=start)

    def do(said: dict[str, Any]) -> str:
        names = ["how", "seal", "due", "centi_c", "at", "assay"]
        done = actions.hand_off(
            actor, said["key"], said["tubes"], said["to"], **{name: said[name] for name in names}
        )
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
    """One handoff with its tubes and answers."""
    one = found_or_404(request, key)
    who = request.person  # type: ignore[attr-defined]
    mine = may(who, "handoff") and one.open > 0
    receiving = mine and one.header["data"]["to"] == who.agency.code
    return render(request, "handoffs/handoff.html", {
        "handoff": one,
        "how": dict(actions.HOW)[one.header["data"]["how"]],
        "receiving": receiving,
        "giving": mine and one.header["org"] == who.agency.code,
        # whoever must still count does not see the number or the list
        "rows": [] if receiving and not one.answers else queries.tube_rows(one),
        "count_form": CountForm(),
        "chain": [] if receiving and not one.answers else queries.chain(one.tubes),
    })  # fmt: skip


@right("handoff")
def receive(request: HttpRequest, key: UUID) -> HttpResponse:
    """Count, scan, answer."""
    one = found_or_404(request, key)
    actor = Actor.of(request.user)
    counted = CountForm(request.GET)
    start = {"counted": counted.cleaned_data["counted"]} if counted.is_valid() else {}
    form = ReceiveForm(request.POST or None, tz=actor.tz, initial=start)

    def do(said: dict[str, Any]) -> str:
        seal = {"yes": True, "no": False}.get(said["seal_intact"])
        actions.receive(
            actor, said["key"], str(key), form.results(), counted=said["counted"], seal_intact=seal,
            centi_c=said["centi_c"], at=said["at"], note=said["note"],
        )  # fmt: skip
        return reverse("handoff", args=[key])

    context = {"handoff": one, "counted": start.get("counted"), "rows": queries.tube_rows(one)}
    return act_view(request, form, "handoffs/receive.html", do, context, done="Received.")


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


@right("see")
def custody_pdf(request: HttpRequest, key: UUID) -> HttpResponse:
    """The chain-of-custody paper of a handoff."""
    one = found_or_404(request, key)
    page = paper.handoff_pdf(one)
    return HttpResponse(page, content_type="application/pdf", headers={
        "Content-Disposition": f'inline; filename="custody-{one.said.seq}.pdf"'})  # fmt: skip
