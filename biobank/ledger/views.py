"""Pages of the work list: findings, contested slots, held items; and the devices that may send."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from biobank.access import may, right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.ledger import actions, queries
from biobank.ledger.advice import advice
from biobank.ledger.forms import CloseForm, DeviceForm, WhyForm


def _number(request: HttpRequest, name: str) -> int:
    """A page's number from the address; anything else is the first page."""
    text = request.GET.get(name, "")
    return max(1, int(text)) if text.isascii() and text.isdigit() and len(text) < 8 else 1


@right("see")
def findings(request: HttpRequest) -> HttpResponse:
    """Everything that wants somebody's eyes, with what can be done."""
    who = request.person  # type: ignore[attr-defined]
    context = {
        "held": queries.waiting(_number(request, "held")),
        "contests": queries.contests(who),
        "findings": queries.findings(who, _number(request, "findings")),
        "may_curate": may(who, "curate"),
    }
    return render(request, "ledger/findings.html", context)


@right("curate")
def close(request: HttpRequest, event: UUID, subject: str, code: str) -> HttpResponse:
    """Write down what is true about a finding, so that it leaves the list."""
    form = CloseForm(request.POST or None)
    found = queries.finding(str(event), subject, code)
    if queries.foreign(request.person, subject) or (found is None and not form.is_bound):  # type: ignore[attr-defined]
        raise Http404("This finding is not open.")

    def do(said: dict[str, Any]) -> str:
        actions.close(Actor.of(request.user), said["key"], str(event), subject, code, said["note"])
        return reverse("findings")

    context = {"found": found, "advice": advice(code), "event": event, "subject": subject, "code": code}
    return act_view(request, form, "ledger/close.html", do, context, "Written down. The finding is closed.")


@right("see")
def held(request: HttpRequest, pk: int) -> HttpResponse:
    """One held item as it was sent."""
    may_curate = may(request.person, "curate")  # type: ignore[attr-defined]
    return render(request, "ledger/held.html", _item(pk) | {"may_curate": may_curate})


def _item(pk: int) -> dict[str, Any]:
    row = queries.held(pk)
    if row is None:
        raise Http404("There is no such item.")
    return {"row": row, "said": queries.said(row)}


@right("curate")
def let_in(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a held item as it is."""

    def do(said: dict[str, Any]) -> str:
        actions.let_in(Actor.of(request.user), pk, said["note"])
        return reverse("held", args=[pk])

    context = _item(pk) | {"button": "Let it in"}
    return act_view(request, WhyForm(request.POST or None), "ledger/settle.html", do, context, "It is in.")


@right("curate")
def set_aside(request: HttpRequest, pk: int) -> HttpResponse:
    """Close a held item without taking it."""

    def do(said: dict[str, Any]) -> str:
        actions.set_aside(Actor.of(request.user), pk, said["note"])
        return reverse("held", args=[pk])

    context = _item(pk) | {"button": "Set it aside"}
    return act_view(request, WhyForm(request.POST or None), "ledger/settle.html", do, context, "Set aside.")


@right("see")
def settled(request: HttpRequest) -> HttpResponse:
    """Held items that somebody has settled, with what became of them."""
    return render(request, "ledger/settled.html", {"held": queries.waiting(_number(request, "held"), True)})


@right("see")
def devices(request: HttpRequest) -> HttpResponse:
    """Devices that may send, and what has not come from each."""
    may_curate = may(request.person, "curate")  # type: ignore[attr-defined]
    return render(request, "ledger/devices.html", {"devices": queries.devices(), "may_curate": may_curate})


@right("curate")
def register(request: HttpRequest) -> HttpResponse:
    """Let a device send."""
    form = DeviceForm(request.POST or None, programme=request.person.programme)  # type: ignore[attr-defined]

    def do(said: dict[str, Any]) -> str:
        person = said["person"].code if said["person"] else ""
        code, key = said["code"], said["public_key"]
        actions.register(Actor.of(request.user), code, said["label"], said["agency"].code, person, key)
        return reverse("devices")

    return act_view(request, form, "ledger/device_new.html", do, done="The device may send.")


@right("curate")
def revoke(request: HttpRequest, code: str) -> HttpResponse:
    """Hold what a device sends from now on."""

    def do(said: dict[str, Any]) -> str:
        actions.revoke(Actor.of(request.user), code, said["note"])
        return reverse("devices")

    context = {"code": code}
    return act_view(request, WhyForm(request.POST or None), "ledger/revoke.html", do, context, "Revoked.")
