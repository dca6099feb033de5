"""Pages of printers. Ask, do, show."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from biobank.access import right
from biobank.acting import Actor
from biobank.field.queries import changes
from biobank.forms import act_view
from biobank.models import Printer
from custody.core.refusal import Refused

from . import printers
from .calibration import calibration_pdf
from .forms import MeasureForm, PrinterForm
from .stocks import DEFAULT, STOCKS
from .views import inline


def _actor(request: HttpRequest) -> Actor:
    return Actor(request.person, request.user.get_username())


def _found(request: HttpRequest, pk: int) -> Printer:
    return get_object_or_404(Printer, programme=request.person.programme, pk=pk)


@right("print")
@require_safe
def calibration(request: HttpRequest) -> HttpResponse:
    """The calibration page of a printer (`?printer=`, with its shift) or of a stock (`?stock=`)."""
    asked = request.GET.get("printer", "")
    try:
        if asked.isdecimal() and len(asked) < 10:
            stock = printers.stock_of(_found(request, int(asked)))
        else:
            stock = printers.plain_stock(request.GET.get("stock", DEFAULT))
        return inline(calibration_pdf(stock), f"calibration-{stock.code}")
    except Refused as no:
        messages.error(request, no.sentence)
        return redirect("labels")


@right("print")
def printer_new(request: HttpRequest) -> HttpResponse:
    form = PrinterForm(request.POST if request.method == "POST" else None)

    def do(said: dict[str, Any]) -> str:
        return reverse("printer", args=[printers.add(_actor(request), **said).pk])

    return act_view(
        request, form, "labels/printer_new.html", do, done="Added. Now print the calibration page."
    )


def _context(request: HttpRequest, found: Printer, **more: Any) -> dict[str, Any]:
    """The page of one printer. The history is 1 query."""
    shown = {
        "printer": found,
        "stock": STOCKS.get(found.stock),
        "change_form": PrinterForm(printer=found, auto_id="change_%s"),
        "measure_form": MeasureForm(printer=found, auto_id="measure_%s"),
        "changes": changes(found, request.person.programme.tz),
    }
    return shown | more


@right("print")
def printer(request: HttpRequest, pk: int) -> HttpResponse:
    """One printer: its calibration page, what was measured on it, what changes."""
    found = _found(request, pk)
    if request.method != "POST":
        return render(request, "labels/printer.html", _context(request, found))
    form = PrinterForm(request.POST, printer=found, auto_id="change_%s")

    def do(said: dict[str, Any]) -> str:
        printers.change(_actor(request), _found(request, pk), **said)
        return reverse("printer", args=[pk])

    return act_view(
        request, form, "labels/printer.html", do, _context(request, found, change_form=form), done="Changed."
    )


@right("print")
@require_POST
def measured(request: HttpRequest, pk: int) -> HttpResponse:
    """What a ruler says on a calibration page."""
    found = _found(request, pk)
    form = MeasureForm(request.POST, printer=found, auto_id="measure_%s")

    def do(said: dict[str, Any]) -> str:
        was = (said["was_x"], said["was_y"])
        printers.measure(_actor(request), found, was, said["left"], said["top"], said["note"])
        return reverse("printer", args=[pk])

    done = "Saved. Print the calibration page once more: the frame should now stand 1 mm inside the edge."
    context = _context(request, found, measure_form=form)
    return act_view(request, form, "labels/printer.html", do, context, done=done)
