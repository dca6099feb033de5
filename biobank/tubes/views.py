"""Find a tube, see everything about it, print its paper."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from biobank.access import right, tube_or_404
from biobank.acting import ms
from biobank.handoffs import own_numbers
from biobank.handoffs.paper import tube_pdf
from biobank.models import Tube
from biobank.temperature.queries import tube_trace
from biobank.tubes.forms import FindForm
from biobank.tubes.queries import story


@right("see")
def find(request: HttpRequest) -> HttpResponse:
    """Scan or type a code, or an own number of my agency, to open a tube's page."""
    form = FindForm(request.GET or None)
    if form.is_valid():
        code = form.cleaned_data["scan"]
        if Tube.objects.filter(code=code).exists():
            return redirect("tube", code)
        form.add_error("scan", ValidationError("There is no tube with this code here.", "tube_unknown"))
    elif form.is_bound and (own := own_numbers.find(request.person.agency.code, request.GET.get("scan", ""))):  # type: ignore[attr-defined]
        return redirect("tube", own)
    return render(
        request, "tubes/find.html", {"form": form}, status=422 if form.is_bound and form.errors else 200
    )


@right("see")
def tube(request: HttpRequest, code: str) -> HttpResponse:
    """One tube: where, whose, how cold, from what, fit for what."""
    found = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    if found.code != code:
        return redirect("tube", found.code)
    now = ms(timezone.now())
    told = story(found, now)
    if told is None:
        raise Http404("The ledger has not heard of this tube.")
    trace = tube_trace(found.code, now, request.person.programme.tz)  # type: ignore[attr-defined]
    context = {"tube": found, "story": told, "trace": trace, "now_ms": now}
    return render(request, "tubes/tube.html", context)


@right("see")
def custody_pdf(request: HttpRequest, code: str) -> HttpResponse:
    """The chain-of-custody paper of a tube."""
    found = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    return HttpResponse(tube_pdf(found.code), content_type="application/pdf", headers={
        "Content-Disposition": f'inline; filename="custody-{found.code}.pdf"'})  # fmt: skip
