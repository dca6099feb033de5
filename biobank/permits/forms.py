"""Forms of permits and agreements."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.models import MATRICES, Agency, Permit, Person, Programme
from biobank.models.permits import ALLOWS, COUNTED, SORTS
from biobank.permits.queries import initial
from biobank.plans import columns
from biobank.plans.forms import CellField, why_field

FIRST_YEAR, LAST_YEAR = 1900, 2200


def _day(label: str) -> forms.DateField:
    return forms.DateField(widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"), label=label)


def _several(label: str, rows: Any, hint: str) -> forms.ModelMultipleChoiceField:
    return forms.ModelMultipleChoiceField(
        rows, required=False, widget=forms.CheckboxSelectMultiple, label=label, help_text=hint
    )


class PermitForm(forms.Form):
    """A permit or agreement as its paper says it."""

    sort = forms.ChoiceField(choices=SORTS, label="What it is")
    number = CellField(columns.words("number", "number", 60, True))
    allows = forms.ChoiceField(choices=ALLOWS, label="Allows to")
    agency = forms.ModelChoiceField(Agency.objects.none(), label="Whom it allows", empty_label="choose")
    issued_by = CellField(columns.words("issued_by", "issued by", 120, True))
    valid_from = _day("From")
    valid_until = _day("To, this day too")
    species = CellField(
        columns.words("species", "species", 80, hint="Several with commas. Empty: it names none.")
    )
    parts = forms.MultipleChoiceField(
        choices=MATRICES, required=False, widget=forms.CheckboxSelectMultiple, label="Parts it names",
        help_text="None ticked: it names none, so it holds for all.",
    )  # fmt: skip
    quantity = forms.IntegerField(
        required=False, min_value=0, max_value=2_000_000_000, label="Quantity",
        help_text="As many as the paper allows over all its days. Empty: it sets none.",
    )  # fmt: skip
    counted = forms.ChoiceField(choices=[("", "choose"), *COUNTED], required=False, label="Quantity of what")
    conditions = CellField(
        columns.prose("conditions", "conditions", 2000, hint="They go into the transfer letter.")
    )
    note = CellField(columns.words("note", "note", 200))

    def __init__(self, data: Any = None, *, programme: Programme, permit: Permit | None = None) -> None:
        super().__init__(data, initial=initial(permit) if permit else {})
        self.fields["agency"].queryset = Agency.objects.order_by("name")  # type: ignore[attr-defined]
        people = Person.objects.filter(programme=programme).order_by("name")
        self.fields["people"] = _several("People it names", people, "None ticked: it names nobody.")
        self.fields["recipients"] = _several(
            "Recipients it names", Agency.objects.order_by("name"),
            "To whom may be sent. None ticked: it names none.",
        )  # fmt: skip
        self.fields["reason"] = why_field()
        order = ["sort", "number", "allows", "agency", "issued_by", "valid_from", "valid_until", "species",
                 "parts", "people", "recipients", "quantity", "counted", "conditions", "note"]  # fmt: skip
        self.order_fields(order)

    def clean_parts(self) -> str:
        """As it is stored: codes with spaces, in the order of the list, so that the same is the same."""
        ticked = set(self.cleaned_data["parts"])
        return " ".join(code for code, _ in MATRICES if code in ticked)

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        first, last = said.get("valid_from"), said.get("valid_until")
        for name, day in (("valid_from", first), ("valid_until", last)):
            if day and not FIRST_YEAR <= day.year <= LAST_YEAR:
                self.add_error(name, ValidationError("This year cannot be right.", "year_out_of_range"))
        if first and last and last < first:
            self.add_error(
                "valid_until", ValidationError("It ends before it begins.", "permit_ends_before_it_begins")
            )
        return said
