"""One tube's life as a picture, on a page and on paper."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from biobank.access import right, tube_or_404
from biobank.acting import ms
from biobank.temperature import tube_pictures
from biobank.temperature.paper import tube_pdf


@require_safe
@right("see")
def tube_temperature(request: HttpRequest, code: str) -> HttpResponse:
    """Where the tube stood, what was done with it, and how cold it was there."""
    found = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    if found.code != code:
        return redirect("tube_temperature", found.code)
    tz = str(request.person.programme.tz)  # type: ignore[attr-defined]
    life = tube_pictures.life_of(found.code, ms(timezone.now()), tz)
    return render(request, "temperature/tube.html", {"tube": found, "life": life, "tz": tz})


@require_safe
@right("see")
def tube_temperature_pdf(request: HttpRequest, code: str) -> HttpResponse:
    """The same on paper, with the numbers of each phase."""
    found = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    tz = str(request.person.programme.tz)  # type: ignore[attr-defined]
    answer = HttpResponse(tube_pdf(found, ms(timezone.now()), tz), content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="temperature-{found.code}.pdf"'
    return answer
