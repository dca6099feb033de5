"""What can be done to printers: add one, say what was measured, change it, take it out of use.

Promises: a shift that would push labels over their edge is refused when it is measured, not when a set is
printed; a measurement that is sent twice counts once.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.db import IntegrityError, transaction

from biobank.acting import Actor, saving
from biobank.core.sheet import EDGE_MM, Stock, check
from biobank.labels.calibration import FRAME_MM
from biobank.labels.stocks import STOCKS
from biobank.models import Printer
from custody.core.refusal import Refused


def stock_of(printer: Printer) -> Stock:
    """The printer's stock, shifted as the printer needs it. Refused: stock_unknown."""
    return _shifted(printer.stock, printer.shift_x_um, printer.shift_y_um)


def plain_stock(code: str) -> Stock:
    """A stock as it is, without any printer's shift. Refused: stock_unknown."""
    return _shifted(code, 0, 0)


def _shifted(code: str, x_um: int, y_um: int) -> Stock:
    if code not in STOCKS:
        raise Refused("stock_unknown", f"There is no label stock {code!r} (any more). Choose another one.")
    return replace(STOCKS[code], shift=(x_um / 1000, y_um / 1000))


def add(actor: Actor, name: str, stock: str, dpi: int, note: str = "") -> Printer:
    """A printer of the actor's programme. The same again gives the one there is.

    Refused: stock_unknown, printer_dpi_differs, printer_name_taken.
    """
    _matching(stock, dpi)
    row = Printer(programme=actor.person.programme, name=name, stock=stock, dpi=dpi, note=note)
    try:
        with transaction.atomic(), saving(actor.person.user, "added", row):
            row.save()
    except IntegrityError:
        there = Printer.objects.get(programme=row.programme, name=name)
        if (there.stock, there.dpi, there.note) != (stock, dpi, note):
            raise _taken(name) from None
        return there
    return row


def _taken(name: str) -> Refused:
    return Refused("printer_name_taken", f"There is a printer called {name} already.")


def _matching(stock: str, dpi: int) -> None:
    """A code drawn for other dots than the printer has comes out with uneven modules."""
    if (drawn_for := plain_stock(stock).dpi) != dpi:
        sentence = f"This stock is drawn for {drawn_for} dots per inch, the printer has {dpi}."
        raise Refused("printer_dpi_differs", f"{sentence} Choose the stock with {dpi} dpi.")


def change(actor: Actor, printer: Printer, reason: str, **said: Any) -> Printer:
    """Another name, stock, note, or out of use. Another stock begins without a shift.

    Refused: reason_required, stock_unknown, printer_dpi_differs, printer_name_taken.
    """
    if not reason.strip():
        raise Refused("reason_required", "Say why this changes.")
    _matching(said.get("stock", printer.stock), said.get("dpi", printer.dpi))
    if said.get("stock", printer.stock) != printer.stock:
        said |= {"shift_x_um": 0, "shift_y_um": 0}
    for name, value in said.items():
        setattr(printer, name, value)
    try:
        with transaction.atomic(), saving(actor.person.user, reason.strip()[:100], printer):
            printer.save()
    except IntegrityError:
        raise _taken(printer.name) from None
    return printer


def measure(
    actor: Actor, printer: Printer, was: tuple[int, int], left_um: int, top_um: int, note: str = ""
) -> Printer:
    """What was measured on a calibration page that was printed with the shift `was` (µm): the light left of
    the frame and above it. The frame should stand `FRAME_MM` inside the label's edge.

    Refused: printer_changed, shift_too_large.
    """
    frame = round(FRAME_MM * 1000)
    new = (was[0] + frame - left_um, was[1] + frame - top_um)
    with transaction.atomic():
        fresh = Printer.objects.select_for_update().get(pk=printer.pk)
        now = (fresh.shift_x_um, fresh.shift_y_um)
        if now == new:
            return fresh
        if now != was:
            raise Refused("printer_changed", "The shift changed meanwhile. Print the calibration page again.")
        _check(fresh.stock, new)
        fresh.shift_x_um, fresh.shift_y_um = new
        why = f"measured: {left_um / 1000:g} mm left, {top_um / 1000:g} mm above"
        with saving(actor.person.user, ", ".join(filter(None, (why, note.strip())))[:100], fresh):
            fresh.save(update_fields=["shift_x_um", "shift_y_um"])
    return fresh


def _check(stock: str, shift_um: tuple[int, int]) -> None:
    try:
        check(_shifted(stock, *shift_um))
    except Refused as no:
        x, y = (um / 1000 for um in shift_um)
        sentence = (
            f"A shift of {x:+.2f} and {y:+.2f} mm would print over the label's edge ({EDGE_MM} mm free)."
        )
        raise Refused(
            "shift_too_large", f"{sentence} Set the paper's position in the printer itself first."
        ) from no
