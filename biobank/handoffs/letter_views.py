"""Pages of a transfer letter: its form, its number, its PDF.

Promises: the giver makes it, both sides read it; who has still to count the parcel reads it after the answer,
because it holds the number and the list. A letter of another programme does not exist.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from biobank.access import may, right
from biobank.forms import act_view
from biobank.handoffs import letters
from biobank.handoffs.letter_forms import LetterForm
from biobank.handoffs.queries import Handoff
from biobank.handoffs.views import found_or_404
from biobank.models import Person, Shipment, TransferLetter

FORM = "handoffs/letter.html"


def _found(request: HttpRequest, key: UUID) -> tuple[Handoff, TransferLetter | None]:
    """The handoff and its letter, if it has one. 404: not theirs; 403: they have still to count."""
    who: Person = request.person  # type: ignore[attr-defined]
    one = found_or_404(request, key)
    letter = TransferLetter.objects.select_related("programme", "by").filter(handoff=key).first()
    if not letters.concerns(who.programme, one.tubes) or (letter and letter.programme_id != who.programme_id):
        raise Http404("No such handoff.")
    if may(who, "handoff") and one.open and one.header["data"]["to"] == who.agency.code and not one.answers:
        raise PermissionDenied("The letter holds the number of tubes. Count and answer first.")
    return one, letter


@right("see")
def letter(request: HttpRequest, key: UUID) -> HttpResponse:
    """Make the letter of a handoff, once; from then on its number and where to read it."""
    one, there = _found(request, key)
    who: Person = request.person  # type: ignore[attr-defined]
    mine = may(who, "handoff") and one.header["org"] == who.agency.code
    context = {"handoff": one, "letter": there, "mine": mine}
    if there is not None or not mine or one.word == "void":
        return render(request, FORM, context)
    sent = day_of(one)
    form = LetterForm(request.POST or None, sent=sent, initial=_said_before(one))

    def do(said: dict[str, Any]) -> str:
        letters.number_for(str(key), who.programme, who, said["purpose"], form.words(), timezone.now())
        return reverse("letter", args=[key])

    return act_view(request, form, FORM, do, context, done="The letter has its number.")


def day_of(one: Handoff) -> date:
    """The day on which it was given, where that happened."""
    header = one.header
    return (datetime.fromtimestamp(header["at"] / 1000, UTC) + timedelta(minutes=header["off"])).date()


def _said_before(one: Handoff) -> dict[str, Any]:
    """What the shipment or the handoff says of its terms already."""
    planned = Shipment.objects.filter(handoff=one.said.id).first()
    if planned is not None:
        return {"terms": planned.terms, "due_back": planned.due_back}
    return {"terms": one.header["data"].get("terms", "")}


@right("see")
@require_safe
def letter_pdf(request: HttpRequest, key: UUID) -> HttpResponse:
    """The letter on paper, from the ledger and the register as they are now."""
    one, there = _found(request, key)
    if there is None:
        raise Http404("This handoff has no letter yet.")
    page = letters.pdf(one, there, day_of(one))
    return HttpResponse(page, content_type="application/pdf", headers={
        "Content-Disposition": f'inline; filename="letter-{there.number}.pdf"'})  # fmt: skip
