"""Pages of a swap of freezers: begin one, scan box after box, close it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods

from biobank.access import may, right
from biobank.bench.asked import actor, bound
from biobank.core.swapping import WORDS
from biobank.forms import act_view, named, undo_tag
from biobank.store import swap as swapping
from biobank.store.forms import SwapCloseForm, SwapForm, SwapScanForm
from custody.core.refusal import Refused

asks = require_http_methods(["GET", "HEAD", "POST"])
A_PAGE = 50


@asks
@right("see")
def swaps(request: HttpRequest) -> HttpResponse:
    """All swaps; begin another."""
    form = SwapForm(request.POST or None, initial={"out_of": request.GET.get("out_of", "")})

    def do(said: dict[str, Any]) -> str:
        return reverse("swap", args=[swapping.begin(actor(request), **said).pk])

    may_store = _may_store(request)
    context = {"swaps": swapping.jobs(), "may_store": may_store}
    return act_view(request, form, "store/swaps.html", do, context, "Opened. Scan a place in the new unit.")


@asks
@right("see")
def swap(request: HttpRequest, pk: int) -> HttpResponse:
    """One swap: how far it has come, and the field into which everything is scanned."""
    seen = job_or_404(pk)
    start = {name: request.GET.get(name, "") for name in ("unit", "to")}
    form = bound(SwapScanForm, request, initial=start)
    form.fields["scan"].widget.attrs["autofocus"] = True
    if request.method == "POST" and _may_store(request) and form.is_valid():
        try:
            heard = _heard(request, seen, form.cleaned_data)
        except Refused as no:
            form.add_error("scan", ValidationError(named(no), no.code))
        else:
            messages.success(request, heard.sentence, extra_tags=undo_tag(request, form.cleaned_data))
            waits = {"unit": heard.unit, "to": heard.to}
            some = urlencode({name: code for name, code in waits.items() if code})
            return redirect(f"{reverse('swap', args=[pk])}?{some}")
    status = 422 if form.is_bound and form.errors else 200
    return render(request, "store/swap.html", _shown(request, seen, form), status=status)


def _may_store(request: HttpRequest) -> bool:
    """Whether this person stores; who does not may look, and nothing that they send is taken."""
    allowed = may(request.person, "store")  # type: ignore[attr-defined]
    if request.method == "POST" and not allowed:
        raise PermissionDenied("Your role does not include the right to store.")
    return allowed


def _heard(request: HttpRequest, seen: swapping.Job, said: dict[str, Any]) -> swapping.Heard:
    said = dict(said)
    key, text = said.pop("key"), said.pop("scan")
    return swapping.scan(actor(request), key, seen, text, **said)


def _shown(request: HttpRequest, seen: swapping.Job, form: SwapScanForm) -> dict[str, Any]:
    """The list of one word, page by page; first what is on the way, then what is to go. What was scanned
    before goes along from list to list."""
    counts, word = seen.counts, request.GET.get("show", "")
    if word not in counts:
        word = next((one for one, many in counts.items() if many), swapping.ARRIVED)
    waits = urlencode({name: form[name].value() for name in ("unit", "to") if form[name].value()})
    page = Paginator(seen.of(word), A_PAGE).get_page(request.GET.get("page"))
    tabs = [(f"show={one}&{waits}", WORDS[one], many, one == word) for one, many in counts.items()]
    return {
        "job": seen, "swap": seen.swap, "page": page, "tabs": tabs, "keep": f"show={word}&{waits}&",
        "may_store": _may_store(request), "form": form,
    }  # fmt: skip


@asks
@right("store")
def swap_close(request: HttpRequest, pk: int) -> HttpResponse:
    """What has not arrived, and the end of the job."""
    seen = job_or_404(pk)

    def do(said: dict[str, Any]) -> str:
        swapping.close(actor(request), said["key"], seen.swap, said["why"])
        return reverse("swap", args=[pk])

    form = SwapCloseForm(request.POST or None)
    page = Paginator(seen.left, A_PAGE).get_page(request.GET.get("page"))
    context = {"job": seen, "swap": seen.swap, "page": page}
    return act_view(request, form, "store/swap_close.html", do, context, "The swap is closed.")


def job_or_404(pk: int) -> swapping.Job:
    found = swapping.job(pk)
    if found is None:
        raise Http404("No such swap.")
    return found
