"""Pages of field days. Ask, do, show."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe

from biobank.access import right
from biobank.field import queries as field_queries
from biobank.forms import ActForm, act_view
from biobank.labels.views import rights
from biobank.models import FieldDay, Person
from biobank.sets import queries as set_queries
from biobank.sets.views import actor_of, page_of

from . import actions, queries
from .access import may_account, may_close
from .checks import points
from .forms import CloseForm, DayForm, KeyForm, LeftOverForm, MissedForm, ReopenForm
from .later import changed_after

ACCOUNT = "days/account.html"


@right("see")
@require_safe
def days(request: HttpRequest) -> HttpResponse:
    """Field days, newest first."""
    page = page_of(request, queries.days(request.person.programme))
    return render(request, "days/days.html", {"page": page, **rights(request)})


@right("draw")
def day_new(request: HttpRequest) -> HttpResponse:
    form = DayForm(request.POST if request.method == "POST" else None, programme=request.person.programme)

    def do(said: dict[str, Any]) -> str:
        made = actions.open_day(actor_of(request), said["site"], said["date"], said["expected"])
        return reverse("day", args=[made.pk])

    return act_view(request, form, "days/day_new.html", do, done="Field day opened.")


@right("see")
@require_safe
def day(request: HttpRequest, pk: int) -> HttpResponse:
    """One field day: its sets and workups."""
    found = queries.day_or_404(request.person, pk)
    of_day = set_queries.sets(request.person.programme).filter(day=found)
    context = {
        "day": found,
        "rows": set_queries.set_rows(of_day),
        "workups": field_queries.workups(request.person.programme).filter(day=found),
    }
    context |= {
        "later": changed_after(found),
        "changes": field_queries.changes(found, found.site.programme.tz),
    }
    return render(request, "days/day.html", {**context, **rights(request)})


def _account(request: HttpRequest, found: FieldDay) -> dict[str, Any]:
    """The account of a day with its forms, for who may fill them in."""
    account, who = queries.account(found), request.person
    return {
        "day": found,
        "account": account,
        "points": points(account),
        "may_account": may_account(who, found) and not found.closed,
        "may_close": may_close(who, found),
        "no_parent_form": LeftOverForm(initial={"which": "no_parent"}, auto_id="parent_%s"),
        "not_made_form": LeftOverForm(initial={"which": "not_made"}, auto_id="made_%s"),
        "missed_form": MissedForm(numbers=account.to_do, auto_id="missed_%s"),
        "return_form": KeyForm(auto_id="return_%s"),
        "close_form": CloseForm(auto_id="close_%s"),
        "reopen_form": ReopenForm(auto_id="reopen_%s"),
    }


@right("see")
@require_safe
def day_account(request: HttpRequest, pk: int) -> HttpResponse:
    """Every number that was printed for a day, what looks wrong, and the sign-off."""
    return render(request, ACCOUNT, _account(request, queries.day_or_404(request.person, pk)))


def _on_account(
    request: HttpRequest,
    pk: int,
    make: Callable[[Any, dict[str, Any]], ActForm],
    name: str,
    do: Callable[[FieldDay, Any], object],
    done: str,
    allowed: Callable[[Person, FieldDay], bool] = may_account,
) -> HttpResponse:
    """One form of the account page: `name` is what the template calls it."""
    found = queries.day_or_404(request.person, pk)
    if not allowed(request.person, found):
        raise PermissionDenied("You may look at this account, and not change it.")
    context = _account(request, found)
    form = make(request.POST if request.method == "POST" else None, context)

    def act(said: dict[str, Any]) -> str:
        do(found, form)
        return reverse("day_account", args=[found.pk])

    return act_view(request, form, ACCOUNT, act, context | {name: form}, done=done)


@right("see")
def day_left_over(request: HttpRequest, pk: int) -> HttpResponse:
    """Labels for aliquots that were never made: one button for each of two reasons."""
    which = request.POST.get("which", "")
    name = "not_made_form" if which == "not_made" else "no_parent_form"

    def do(found: FieldDay, form: Any) -> None:
        actions.write_off(actor_of(request), form.cleaned_data["key"], found, form.chosen(), form.reason)

    make = lambda sent, context: LeftOverForm(sent, auto_id=f"{name}_%s")  # noqa: E731
    return _on_account(request, pk, make, name, do, "Noted.")


@right("see")
def day_missed(request: HttpRequest, pk: int) -> HttpResponse:
    """Numbers that were not collected."""

    def do(found: FieldDay, form: Any) -> None:
        actions.write_off(actor_of(request), form.cleaned_data["key"], found, form.chosen(), form.reason)

    make = lambda sent, context: MissedForm(sent, numbers=context["account"].to_do, auto_id="missed_%s")  # noqa: E731
    return _on_account(request, pk, make, "missed_form", do, "Noted.")


@right("see")
def day_return(request: HttpRequest, pk: int) -> HttpResponse:
    """Unused sets go back to the store."""

    def do(found: FieldDay, form: Any) -> None:
        actions.return_spares(actor_of(request), form.cleaned_data["key"], found)

    make = lambda sent, context: KeyForm(sent, auto_id="return_%s")  # noqa: E731
    return _on_account(request, pk, make, "return_form", do, "Back in the store.")


@right("see")
def day_close(request: HttpRequest, pk: int) -> HttpResponse:
    """The sign-off."""

    def do(found: FieldDay, form: Any) -> None:
        actions.close(actor_of(request), form.cleaned_data["key"], found, form.cleaned_data["note"])

    make = lambda sent, context: CloseForm(sent, auto_id="close_%s")  # noqa: E731
    return _on_account(request, pk, make, "close_form", do, "Signed off.", may_close)


@right("see")
def day_reopen(request: HttpRequest, pk: int) -> HttpResponse:
    """A closed day is opened again."""

    def do(found: FieldDay, form: Any) -> None:
        actions.reopen(actor_of(request), form.cleaned_data["key"], found, form.cleaned_data["reason"])

    make = lambda sent, context: ReopenForm(sent, auto_id="reopen_%s")  # noqa: E731
    return _on_account(request, pk, make, "reopen_form", do, "Open again.", may_close)
