"""Who handled an animal's samples, or one tube and its kin: a page and a paper."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from biobank.access import right, tube_or_404
from biobank.exposure.paper import exposure_pdf
from biobank.exposure.queries import Trace, of_animal, of_tube
from biobank.field.queries import animal_or_404


@require_safe
@right("see")
def tube(request: HttpRequest, code: str) -> HttpResponse:
    """Everyone who handled a tube or what is of the same stuff."""
    found = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    if found.code != code:
        return redirect("exposure_tube", found.code)
    return _page(request, of_tube(code), "tube", code)


@require_safe
@right("see")
def animal(request: HttpRequest, code: str) -> HttpResponse:
    """Everyone who handled what was drawn from an animal."""
    found = animal_or_404(request.person, code)  # type: ignore[attr-defined]
    return _page(request, of_animal(found), "animal", found.code)


@require_safe
@right("see")
def tube_paper(request: HttpRequest, code: str) -> HttpResponse:
    """The same as a PDF."""
    found = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    return _paper(of_tube(found.code), "tube", found.code)


@require_safe
@right("see")
def animal_paper(request: HttpRequest, code: str) -> HttpResponse:
    """The same as a PDF."""
    found = animal_or_404(request.person, code)  # type: ignore[attr-defined]
    return _paper(of_animal(found), "animal", found.code)


def _page(request: HttpRequest, trace: Trace, about: str, code: str) -> HttpResponse:
    links = {"home": reverse(about, args=[code]), "paper": reverse(f"exposure_{about}_pdf", args=[code])}
    return render(request, "exposure/trace.html", {"trace": trace, "about": about, "code": code} | links)


def _paper(trace: Trace, about: str, code: str) -> HttpResponse:
    return HttpResponse(exposure_pdf(trace, about, code), content_type="application/pdf", headers={
        "Content-Disposition": f'inline; filename="exposure-{about}-{code}.pdf"'})  # fmt: skip
