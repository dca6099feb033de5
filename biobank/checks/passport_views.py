"""Passports to take away: of one tube, of many, and the proof file of one.

Promises: who may see tubes, and who may see the catalogue (with less in it); tubes of another programme do
not exist. Every export is logged with who, what and how many.
"""

from __future__ import annotations

import logging

from django.core.exceptions import ImproperlyConfigured
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import right
from biobank.acting import ms
from biobank.checks import passport_paper
from biobank.checks.fit_access import reads, tube_to_read
from biobank.checks.passport import MOST, passport, passports
from biobank.checks.passport_forms import BatchForm
from biobank.forms import named
from biobank.models import Person
from custody import checkpoints
from custody.core.refusal import Refused

log = logging.getLogger("biobank.exports")


@require_safe
@reads
def passport_pdf(request: HttpRequest, code: str) -> HttpResponse:
    """One tube's passport, for one assay (?assay=) or for all."""
    who: Person = request.person  # type: ignore[attr-defined]
    tube = tube_to_read(who, code)
    assay = request.GET.get("assay", "")
    try:
        paper = passport(tube, ms(timezone.now()), who, assay or None)
    except Refused as no:
        if no.code == "assay_unknown":
            raise Http404(no.sentence) from no
        return render(request, "checks/passport_refused.html", {"tube": tube, "no": no}, status=422)
    log.info("passport %s assay=%s by %s", tube.code, assay or "all", who.code)
    return _answer(passport_paper.pdf([paper], who.programme.tz), f"passport-{tube.code}.pdf")


@require_http_methods(["GET", "HEAD", "POST"])
@reads
def batch(request: HttpRequest) -> HttpResponse:
    """A form for codes, and one PDF of all their passports with a cover page."""
    who: Person = request.person  # type: ignore[attr-defined]
    given = {"tubes": request.GET.get("tubes", ""), "assay": request.GET.get("assay", "")}
    form = BatchForm(request.POST or None, who=who, initial=given)
    if request.method == "POST" and form.is_valid():
        said = form.cleaned_data
        try:
            papers = passports(said["tubes"], ms(timezone.now()), who, said["assay"] or None)
        except Refused as no:
            form.add_error("assay" if no.code == "assay_unknown" else "tubes", named(no))
        else:
            log.info("passports %d tubes assay=%s by %s", len(papers), said["assay"] or "all", who.code)
            return _answer(passport_paper.pdf(papers, who.programme.tz, cover=True), "passports.pdf")
    wrong = request.method == "POST"
    return render(
        request, "checks/passports.html", {"form": form, "most": MOST}, status=422 if wrong else 200
    )


@require_safe
@right("see")
def passport_proof(request: HttpRequest, code: str) -> HttpResponse:
    """The proof file that goes with a passport: one event, this tube's line, and the way to a checkpoint."""
    who: Person = request.person  # type: ignore[attr-defined]
    tube = tube_to_read(who, code)
    try:
        paper = passport(tube, ms(timezone.now()), who)
        if paper.proof is None:
            raise Http404("No event of this tube counts.")
        text = passport_paper.proof_text(paper.proof.event, tube.code)
    except Refused as no:
        return render(request, "checks/passport_refused.html", {"tube": tube, "no": no}, status=422)
    except (checkpoints.NotAContinuation, ImproperlyConfigured, OSError) as why:
        log.exception("no proof for %s", tube.code)
        no = Refused(
            "no_checkpoint", "No checkpoint can be signed now, so nothing can be proven. Tell the curator."
        )
        return render(
            request, "checks/passport_refused.html", {"tube": tube, "no": no, "why": why}, status=422
        )
    log.info("proof %s event=%s by %s", tube.code, paper.proof.event, who.code)
    answer = HttpResponse(text, content_type="application/json; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="passport-{tube.code}.proof.json"'
    return answer


def _answer(page: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(page, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{name}"'
    return answer
