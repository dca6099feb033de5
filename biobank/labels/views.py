"""Paper for tube sets, and the two acts on labels: print again, take out of use."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from biobank.access import may, right
from biobank.acting import Actor
from biobank.field import queries
from biobank.field.forms import PaperForm, ReprintForm, VoidForm
from biobank.forms import act_view
from biobank.models import TubeSet
from custody.core.refusal import Refused

from . import actions, paper
from .actions import MOST_SETS
from .queries import labels_of
from .stocks import DEFAULT, STOCKS


def stock_choices() -> list[tuple[str, str]]:
    return [(stock.code, stock.name) for stock in STOCKS.values()]


def paper_form(asked: Any = None) -> PaperForm:
    return PaperForm(asked, stocks=stock_choices(), initial={"stock": DEFAULT}, auto_id="paper_%s")


def rights(request: HttpRequest) -> dict[str, bool]:
    """What the pages of sets may offer to this person."""
    return {f"may_{name}": may(request.person, name) for name in ["print", "draw"]}


def set_page(found: TubeSet) -> dict[str, Any]:
    """The page of one set, with its forms for labels."""
    shown = queries.set_page(found)
    return shown | {
        "paper_form": paper_form(),
        "reprint_form": ReprintForm(rows=[*shown["rows"], *shown["aliquots"]], auto_id="again_%s"),
        "void_form": VoidForm(auto_id="void_%s"),
    }


@right("print")
@require_safe
def labels_pdf(request: HttpRequest) -> HttpResponse:
    """The labels of several sets on one paper: `?set=` repeated."""
    wanted = request.GET.getlist("set")[:MOST_SETS]
    found = list(queries.sets(request.person.programme).filter(code__in=wanted).order_by("pk"))
    if not found:
        raise Http404("No such set.")
    back = reverse("sets") + "?" + urlencode([("set", one.code) for one in found])
    return _paper(request, found, lambda form: redirect(back))


@right("print")
@require_safe
def set_labels(request: HttpRequest, code: str) -> HttpResponse:
    """The labels of one set, or of some of its tubes (`?tube=` repeated). Reading only."""
    found = queries.set_or_404(request.person, code)

    def again(form: PaperForm) -> HttpResponse:
        context = set_page(found) | rights(request) | {"paper_form": form}
        return render(request, "field/set.html", context, status=422)

    return _paper(request, [found], again)


def _paper(
    request: HttpRequest, sets: list[TubeSet], again: Callable[[PaperForm], HttpResponse]
) -> HttpResponse:
    form = paper_form({"stock": DEFAULT} | request.GET.dict())
    if not form.is_valid():
        return again(form)
    said = form.cleaned_data
    try:
        labels = labels_of(sets, said["which"] or "all", request.GET.getlist("tube"))
        name = "-".join(one.code for one in sets[:3])
        pdf = paper.labels_pdf(
            labels, STOCKS[said["stock"]], start=said["start"] or 0, title=f"Labels {name}"
        )
    except Refused as no:
        form.add_error(None, ValidationError(no.sentence, no.code))
        return again(form)
    shown = {"Content-Disposition": f'inline; filename="labels-{name}.pdf"'}
    return HttpResponse(pdf, content_type="application/pdf", headers=shown)


@right("print")
def set_reprint(request: HttpRequest, code: str) -> HttpResponse:
    """Say that labels are printed again; the set's page then offers the paper of just these."""
    found = queries.set_or_404(request.person, code)
    context = set_page(found) | rights(request)
    rows = [*context["rows"], *context["aliquots"]]
    form = ReprintForm(request.POST if request.method == "POST" else None, rows=rows, auto_id="again_%s")

    def do(said: dict[str, Any]) -> str:
        actor = Actor(request.person, request.user.get_username())
        actions.reprint(actor, said["key"], found, said["reason"], said["tubes"])
        tubes = [("tube", code) for code in said["tubes"]]
        return reverse("set", args=[found.code]) + (f"?{urlencode(tubes)}" if tubes else "")

    return act_view(
        request,
        form,
        "field/set.html",
        do,
        context | {"reprint_form": form},
        done="Written down. Now print the labels.",
    )


@right("print")
def set_void(request: HttpRequest, code: str) -> HttpResponse:
    """Take a set out of use."""
    found = queries.set_or_404(request.person, code)
    form = VoidForm(request.POST if request.method == "POST" else None, auto_id="void_%s")

    def do(said: dict[str, Any]) -> str:
        actor = Actor(request.person, request.user.get_username())
        actions.void_set(actor, said["key"], found, said["reason"])
        return reverse("set", args=[found.code])

    context = set_page(found) | rights(request) | {"void_form": form}
    return act_view(request, form, "field/set.html", do, context, done="The set is void.")
