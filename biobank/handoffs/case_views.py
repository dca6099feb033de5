"""Pages of cases: the list, one case, who looks after it, closing it. Ask, do, show."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone

from biobank.access import may, right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.handoffs import cases
from biobank.handoffs.case_forms import CloseForm, OwnerForm
from biobank.models import HandoffCase, Person

ROWS = 50


@right("see")
def case_list(request: HttpRequest) -> HttpResponse:
    """Open cases by the day by which they are due, then closed ones. 4 queries."""
    who = request.person  # type: ignore[attr-defined]
    ordered = cases.of(who).order_by(F("closed").asc(nulls_first=True), "due", "pk")
    page = Paginator(ordered, ROWS).get_page(request.GET.get("page"))
    return render(request, "handoffs/cases.html", {
        "page": page, "today": timezone.localdate(), "words": cases.WORDS,
    })  # fmt: skip


def _case(request: HttpRequest, pk: int) -> HandoffCase:
    who = request.person  # type: ignore[attr-defined]
    return get_object_or_404(cases.of(who), pk=pk)


@right("see")
def case(request: HttpRequest, pk: int) -> HttpResponse:
    """One case with all that was changed about it."""
    one = _case(request, pk)
    who = request.person  # type: ignore[attr-defined]
    return render(request, "handoffs/case.html", {
        "case": one, "word": cases.WORDS.get(one.code, one.code), "today": timezone.localdate(),
        "past": one.history.select_related("owner", "history_user"),
        "may_change": may(who, "handoff") and not one.closed,
    })  # fmt: skip


@right("handoff")
def case_owner(request: HttpRequest, pk: int) -> HttpResponse:
    """Somebody else looks after it, or by another day."""
    one = _case(request, pk)
    who = request.person  # type: ignore[attr-defined]
    people = Person.objects.filter(programme=who.programme, user__isnull=False).select_related("agency")
    form = OwnerForm(request.POST or None, case=one, people=people)

    def do(said: dict[str, Any]) -> str:
        cases.given_to(one, said["owner"], said["due"], request.user, said["reason"])
        return reverse("case", args=[pk])

    return act_view(request, form, "handoffs/case_owner.html", do, {"case": one}, "Saved.")


@right("handoff")
def case_close(request: HttpRequest, pk: int) -> HttpResponse:
    """What became of it; the dispute of its tube is settled with it."""
    one = _case(request, pk)
    actor = Actor.of(request.user)
    if actor.person.pk != one.owner_id and not may(actor.person, "curate"):
        raise PermissionDenied("Whoever looks after this case closes it, or a curator.")
    form = CloseForm(request.POST or None, tz=actor.tz)

    def do(said: dict[str, Any]) -> str:
        cases.close(actor, said["key"], one, said["outcome"], timezone.now(), request.user)
        return reverse("case", args=[pk])

    return act_view(request, form, "handoffs/case_close.html", do, {"case": one}, "Closed.")
