"""Forms of labels and printers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from itertools import groupby
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.core.sheet import Stock
from biobank.labels.content import printable
from biobank.labels.stocks import DEFAULT, DEFAULT_WIDE, DPI, STOCKS
from biobank.models import Printer
from custody.core.canon import nfc
from custody.core.refusal import Refused

Choices = Sequence[tuple[str, Any]]


def stock_choices(stocks: Iterable[Stock] = STOCKS.values()) -> Choices:
    """Stocks in groups: rolls by the printer's dots, sheets."""
    groups = groupby(sorted(stocks, key=_group), key=_group)
    return [(name, [(stock.code, stock.name) for stock in there]) for (_, name), there in groups]


def _group(stock: Stock) -> tuple[int, str]:
    if stock.per_page > 1:
        return 9_999, "Sheets"
    return stock.dpi, f"Rolls, printer of {stock.dpi} dots per inch"


class Text(forms.CharField):
    """One line that a label or a list can show."""

    def clean(self, value: Any) -> str:
        try:
            return str(nfc(printable(super().clean(value))))
        except Refused as no:
            raise ValidationError(no.sentence, no.code) from no


class Millimetres(forms.DecimalField):
    """Typed in mm with point or comma; cleans to whole micrometres."""

    widget = forms.TextInput

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_digits": 6, "decimal_places": 2, "min_value": 0, "max_value": 50} | given))
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off", "size": "6"}

    def to_python(self, value: Any) -> Decimal | None:
        said: Decimal | None = super().to_python(str(value).strip().replace(",", ".") if value else value)
        return said

    def clean(self, value: Any) -> Any:
        mm: Decimal | None = super().clean(value)
        return None if mm is None else int(mm * 1000)


class OnPaper(forms.Form):
    """On which paper: a printer with what is known of it, or a stock."""

    printer = forms.ChoiceField(label="Printer", required=False)
    stock = forms.ChoiceField(label="Label stock")
    start = forms.IntegerField(
        label="Labels used up on the first sheet", min_value=0, max_value=500, initial=0, required=False
    )

    def __init__(
        self, *args: Any, printers: Iterable[Printer] = (), wide: bool = False, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.printers = {str(one.pk): one for one in printers if _has_stock(one, wide)}
        stocks = [stock for stock in STOCKS.values() if stock.takes_places or not wide]
        self.fields["stock"].choices = stock_choices(stocks)
        self.fields["stock"].initial = DEFAULT_WIDE if wide else DEFAULT
        if not self.printers:
            del self.fields["printer"]
            return
        named = [(pk, f"{one.name}: {STOCKS[one.stock].name}") for pk, one in self.printers.items()]
        self.fields["printer"].choices = [("", "None of these"), *named]
        self.fields["printer"].initial = next(iter(self.printers))
        self.fields["printer"].help_text = "Its stock and its measured shift are used."
        self.fields["stock"].label = "Or a label stock, without a printer"
        self.fields["stock"].required = False

    def chosen(self) -> tuple[Printer | None, str]:
        """The printer, or None and the code of the stock."""
        return self.printers.get(self.cleaned_data.get("printer") or ""), self.cleaned_data["stock"]

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        if not self.errors and not said.get("printer") and not said.get("stock"):
            self.add_error("stock", ValidationError("Choose a printer or a stock.", "choice_required"))
        return said


def _has_stock(printer: Printer, wide: bool) -> bool:
    stock = STOCKS.get(printer.stock)
    return stock is not None and (stock.takes_places or not wide)


class PaperForm(OnPaper):
    """Which labels of sets on which paper."""

    which = forms.ChoiceField(
        label="Which labels",
        required=False,
        choices=[
            ("all", "All tubes of the set"),
            ("primaries", "Tubes to draw"),
            ("aliquots", "Tubes for aliquots"),
            ("bag", "The bag of the set (needs a wide label)"),
        ],
    )


class UnitsForm(OnPaper):
    """Labels of boxes, racks and other units."""

    units = forms.CharField(
        label="Their codes", widget=forms.Textarea(attrs={"rows": 4}), max_length=4_000,
        help_text="Scan or type them, one a line.",
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, wide=True, **kwargs)
        self.order_fields(["units"])

    def clean_units(self) -> list[str]:
        words = self.cleaned_data["units"].replace(",", "\n").split()
        return list(dict.fromkeys(word.upper() for word in words))


class PrinterForm(forms.Form):
    """A new printer, or (with `printer`) what changes about one."""

    name = Text(max_length=60, help_text="As people call it, with what is in it: “Lab, cryovial wraps”.")
    stock = forms.ChoiceField(label="Label stock in it")
    dpi = forms.TypedChoiceField(
        label="Dots per inch", coerce=int, choices=[(dpi, str(dpi)) for dpi in DPI],
        help_text="Of the print head. It stands in the printer's papers, or on its self-test label.",
    )  # fmt: skip
    note = Text(max_length=200, required=False)
    retired = forms.BooleanField(label="No longer in use", required=False)
    reason = forms.CharField(label="Why it changes", max_length=90)

    def __init__(self, *args: Any, printer: Printer | None = None, **kwargs: Any) -> None:
        names = ["name", "stock", "dpi", "note", "retired"]
        initial = {name: getattr(printer, name) for name in names} if printer else {"stock": DEFAULT}
        super().__init__(*args, initial=initial, **kwargs)
        self.fields["stock"].choices = stock_choices()
        for name in [] if printer else ["retired", "reason"]:
            del self.fields[name]


class MeasureForm(forms.Form):
    """What a ruler says on a calibration page that was printed with the shift `was`."""

    was_x = forms.IntegerField(widget=forms.HiddenInput)
    was_y = forms.IntegerField(widget=forms.HiddenInput)
    left = Millimetres(label="From the label's left edge to the frame, mm", help_text="True is 1 mm.")
    top = Millimetres(label="From the label's upper edge to the frame, mm", help_text="True is 1 mm.")
    note = Text(max_length=40, required=False, help_text="For example: new roll.")

    def __init__(self, *args: Any, printer: Printer, **kwargs: Any) -> None:
        initial = {"was_x": printer.shift_x_um, "was_y": printer.shift_y_um}
        super().__init__(*args, initial=initial, **kwargs)
