"""Pages of tube sets. Ask, do, show."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from biobank.access import right
from biobank.acting import Actor
from biobank.core import codes
from biobank.forms import act_view
from biobank.labels.actions import print_many
from biobank.labels.views import paper_form, rights, set_page
from biobank.models import FieldDay, TubeSet, Workup
from custody.core.refusal import Refused

from . import actions, queries
from .forms import BagForm, BindForm, IssueForm, NewSetsForm, PackForm, RebindForm, ReturnForm, ScanSetForm

PAGE = 50


def actor_of(request: HttpRequest) -> Actor:
    return Actor(request.person, request.user.get_username())


def page_of(request: HttpRequest, found: Any) -> Any:
    return Paginator(found, PAGE).get_page(request.GET.get("page"))


@right("see")
@require_safe
def sets(request: HttpRequest) -> HttpResponse:
    """Tube sets, newest first; `?state=` narrows, `?set=` (repeated) shows those just printed."""
    found = queries.sets(request.person.programme)
    state, made = request.GET.get("state", ""), request.GET.getlist("set")
    found = found.filter(code__in=made[:100]) if made else found
    found = found.filter(state=state) if state in TubeSet.State.values else found
    page = page_of(request, found)
    context = {"page": page, "rows": queries.set_rows(page), "made": made, "state": state}
    context |= {"paper_form": paper_form(programme=request.person.programme), "states": TubeSet.State.choices}
    return render(request, "sets/sets.html", {**context, **rights(request)})


@right("print")
def set_new(request: HttpRequest) -> HttpResponse:
    """Make sets and say that their labels are printed; then offer the paper."""
    programme = request.person.programme
    asked = FieldDay.objects.filter(site__programme=programme, pk=_whole(request.GET.get("day"))).first()
    form = NewSetsForm(
        request.POST if request.method == "POST" else None, programme=programme, initial={"day": asked}
    )

    def do(said: dict[str, Any]) -> str:
        made = print_many(actor_of(request), said["key"], form.wanted(), said["day"], at=said["at"])
        if len(made) == 1:
            return reverse("set", args=[made[0].code])
        return reverse("sets") + "?" + "&".join(f"set={one.code}" for one in made)

    return act_view(request, form, "sets/set_new.html", do, done="Sets made. Now print their labels.")


def _whole(text: str | None) -> int | None:
    return int(text) if text and text.isdigit() and len(text) < 10 else None


@right("see")
def set_scan(request: HttpRequest) -> HttpResponse:
    """Scan the label of a bag: to the page of its set, or to bind it to `?workup=`."""
    asked = {"workup": request.GET.get("workup", "")[:24]}
    form = ScanSetForm(request.POST if request.method == "POST" else None, initial=asked)
    if request.method == "POST" and form.is_valid():
        said = form.cleaned_data
        found = queries.sets(request.person.programme).filter(code=said["code"]).first()
        if found is not None:
            return redirect(_after_scan(found, said["workup"]))
        form.add_error("code", ValidationError(f"No set {said['code']} was printed here.", "set_unknown"))
    status = 422 if form.is_bound else 200
    return render(request, "sets/scan.html", {"form": form, **rights(request)}, status=status)


def _after_scan(found: TubeSet, workup: str) -> str:
    if workup:
        return reverse("set_bind", args=[found.code]) + "?" + urlencode({"workup": workup})
    return reverse("set", args=[found.code])


@right("see")
@require_safe
def tube_set(request: HttpRequest, code: str) -> HttpResponse:
    """One set: its tubes, and what can be done with it."""
    found = queries.set_or_404(request.person, code)
    chosen = [tube for tube in request.GET.getlist("tube")[:200] if codes.is_valid(tube)]
    return render(request, "sets/set.html", {**set_page(found), **rights(request), "chosen": chosen})


@right("draw")
def set_bind(request: HttpRequest, code: str) -> HttpResponse:
    """Give a set to a workup (`?workup=` proposes one)."""
    found = queries.set_or_404(request.person, code)
    programme = request.person.programme
    asked = Workup.objects.filter(day__site__programme=programme, code=request.GET.get("workup", "")).first()
    form = BindForm(
        request.POST if request.method == "POST" else None,
        programme=programme, tube_set=found, initial={"workup": asked},
    )  # fmt: skip

    def do(said: dict[str, Any]) -> str:
        actions.bind(
            actor_of(request), said["key"], found, said["workup"], said["animal"], form.clock(), said["at"],
            day=said["day"], why=said["why"],
        )  # fmt: skip
        return reverse("set_draw", args=[found.code])

    return act_view(request, form, "sets/bind.html", do, {"set": found}, done="Bound. Ready to draw.")


@right("draw")
def set_rebind(request: HttpRequest, code: str) -> HttpResponse:
    """The set was bound to the wrong workup."""
    found = queries.set_or_404(request.person, code)
    form = RebindForm(
        request.POST if request.method == "POST" else None,
        programme=request.person.programme, tube_set=found, auto_id="rebind_%s",
    )  # fmt: skip

    def do(said: dict[str, Any]) -> str:
        actions.rebind(actor_of(request), said["key"], found, said["workup"], said["why"])
        return reverse("set", args=[found.code])

    return act_view(request, form, "sets/rebind.html", do, {"set": found}, done="Bound to the right workup.")


def _bag(found: TubeSet, sent: Any = None) -> dict[str, Any]:
    """The page on which a bag is packed: what is in it, what is missing, and its two forms."""
    tubes = queries.bag(found)
    missing = [tube for tube in tubes if not tube.is_in]
    return {
        "set": found,
        "tubes": tubes,
        "missing": missing,
        "inside": len(tubes) - len(missing),
        "bag_form": BagForm(auto_id="bag_%s"),
        "form": PackForm(sent, aliquots=found.tubes.exclude(parent_hint="").count()),
    }


@right("print")
def set_pack(request: HttpRequest, code: str) -> HttpResponse:
    """Pack a bag: scan every tube into it, then say that it is complete."""
    found = queries.set_or_404(request.person, code)
    context = _bag(found, request.POST if request.method == "POST" else None)
    form = context["form"]

    def do(said: dict[str, Any]) -> str:
        actions.pack(actor_of(request), said["key"], found, said.get("sheet", True), said["at"])
        return reverse("set", args=[found.code])

    return act_view(request, form, "sets/pack.html", do, context, done="Packed.")


@right("print")
@require_POST
def set_pack_scan(request: HttpRequest, code: str) -> HttpResponse:
    """One scan into the bag, or many; back to the page, which shows what is still missing."""
    found = queries.set_or_404(request.person, code)
    form = BagForm(request.POST, auto_id="bag_%s")
    if form.is_valid():
        try:
            actions.scan_into_bag(actor_of(request), found, form.scanned())
        except Refused as no:
            form.add_error(None, ValidationError(no.sentence, no.code))
        else:
            return redirect(reverse("set_pack", args=[found.code]))
    return render(request, "sets/pack.html", _bag(found) | {"bag_form": form}, status=422)


@right("print")
def set_issue(request: HttpRequest, code: str) -> HttpResponse:
    """Somebody takes a packed bag along."""
    found = queries.set_or_404(request.person, code)
    form = IssueForm(
        request.POST if request.method == "POST" else None,
        programme=request.person.programme, tube_set=found,
    )  # fmt: skip

    def do(said: dict[str, Any]) -> str:
        actions.issue(actor_of(request), said["key"], found, form.taker(), said.get("day"), said["at"])
        return reverse("set", args=[found.code])

    return act_view(request, form, "sets/issue.html", do, {"set": found}, done="Issued.")


@right("print")
def set_return(request: HttpRequest, code: str) -> HttpResponse:
    """An unused set comes back to the store."""
    found = queries.set_or_404(request.person, code)
    tz = request.person.programme.tz
    form = ReturnForm(request.POST if request.method == "POST" else None, tz=tz)

    def do(said: dict[str, Any]) -> str:
        actions.give_back(actor_of(request), said["key"], [found], said["why"], said["opened"], said["at"])
        return reverse("set", args=[found.code])

    return act_view(request, form, "sets/return.html", do, {"set": found}, done="Back in the store.")
