"""Paper for tube sets and for places, and the two acts on labels: print again, take out of use."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from biobank.access import may, right
from biobank.acting import Actor
from biobank.core.sheet import Stock
from biobank.field import queries
from biobank.field.forms import ReprintForm, VoidForm
from biobank.forms import act_view
from biobank.models import Printer, Programme, TubeSet
from custody.core.refusal import Refused

from . import actions, paper, places
from .actions import MOST_SETS
from .forms import OnPaper, PaperForm, UnitsForm, stock_choices
from .printers import stock_of
from .queries import labels_of
from .stocks import DEFAULT, DEFAULT_WIDE, STOCKS


def printers_of(programme: Programme) -> list[Printer]:
    """The printers in use. 1 query."""
    return list(programme.printers.filter(retired=False))


def paper_form(asked: Any = None, programme: Programme | None = None) -> PaperForm:
    """Asks for paper; with `programme` its printers stand first. At most 1 query."""
    return PaperForm(asked, printers=printers_of(programme) if programme else (), auto_id="paper_%s")


def stock_in(form: OnPaper) -> Stock:
    """The stock that was chosen, shifted when it is a printer's."""
    printer, stock = form.chosen()
    return stock_of(printer) if printer else STOCKS[stock]


def rights(request: HttpRequest) -> dict[str, bool]:
    """What the pages of sets may offer to this person."""
    return {f"may_{name}": may(request.person, name) for name in ["print", "draw"]}


def set_page(found: TubeSet) -> dict[str, Any]:
    """The page of one set, with its forms for labels."""
    shown = queries.set_page(found)
    return shown | {
        "paper_form": paper_form(programme=found.plan.programme),
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

    def again(form: PaperForm) -> HttpResponse:
        messages.error(request, " ".join(str(no) for some in form.errors.values() for no in some))
        return redirect(back)

    return _paper(request, found, again)


@right("print")
@require_safe
def set_labels(request: HttpRequest, code: str) -> HttpResponse:
    """The labels of one set, or of some of its tubes (`?tube=` repeated). Reading only."""
    found = queries.set_or_404(request.person, code)

    def again(form: PaperForm) -> HttpResponse:
        context = set_page(found) | rights(request) | {"paper_form": form}
        return render(request, "sets/set.html", context, status=422)

    return _paper(request, [found], again)


def _paper(
    request: HttpRequest, sets: list[TubeSet], again: Callable[[PaperForm], HttpResponse]
) -> HttpResponse:
    form = paper_form({"stock": DEFAULT} | request.GET.dict(), request.person.programme)
    if not form.is_valid():
        return again(form)
    name = "-".join(one.code for one in sets[:3])
    try:
        pdf = _drawn(form, sets, request.GET.getlist("tube"), f"Labels {name}")
    except Refused as no:
        form.add_error(None, ValidationError(no.sentence, no.code))
        return again(form)
    return inline(pdf, f"labels-{name}")


def _drawn(form: PaperForm, sets: list[TubeSet], tubes: list[str], title: str) -> bytes:
    said, stock = form.cleaned_data, stock_in(form)
    start = said["start"] or 0
    if said["which"] == "bag":
        return places.places_pdf(places.bags_of(sets), stock, start=start, title=title)
    return paper.labels_pdf(labels_of(sets, said["which"] or "all", tubes), stock, start=start, title=title)


def inline(pdf: bytes, name: str) -> HttpResponse:
    shown = {"Content-Disposition": f'inline; filename="{name}.pdf"'}
    return HttpResponse(pdf, content_type="application/pdf", headers=shown)


@right("print")
@require_safe
def labels(request: HttpRequest) -> HttpResponse:
    """Printers, calibration, and labels of places. `?unit=` (repeated) fills in their codes. 1 query."""
    asked = "\n".join(request.GET.getlist("unit")[:200])
    return _labels(request, _units_form(request, initial={"units": asked}))


def _units_form(request: HttpRequest, asked: Any = None, **more: Any) -> UnitsForm:
    there = printers_of(request.person.programme)
    return UnitsForm(asked, printers=there, auto_id="units_%s", **more)


def _labels(request: HttpRequest, form: UnitsForm, status: int = 200) -> HttpResponse:
    programme = request.person.programme
    printers = [(one, STOCKS.get(one.stock)) for one in programme.printers.all()]
    context = {"units_form": form, "form": form, "printers": printers, "stocks": stock_choices()}
    return render(request, "labels/labels.html", context, status=status)


@right("print")
@require_safe
def units_pdf(request: HttpRequest) -> HttpResponse:
    """Labels of boxes, racks and other units. Reading only."""
    form = _units_form(request, {"stock": DEFAULT_WIDE} | request.GET.dict())
    if not form.is_valid():
        return _labels(request, form, 422)
    said = form.cleaned_data
    try:
        contents = places.units_of(said["units"])
        pdf = places.places_pdf(contents, stock_in(form), start=said["start"] or 0, title="Labels of places")
    except Refused as no:
        form.add_error(None, ValidationError(no.sentence, no.code))
        return _labels(request, form, 422)
    return inline(pdf, f"labels-{contents[0].code}")


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
        "sets/set.html",
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
    return act_view(request, form, "sets/set.html", do, context, done="The set is void.")
