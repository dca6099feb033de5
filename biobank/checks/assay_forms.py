"""Forms of assays and permits."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.checks import rule_columns as of
from biobank.models import ADDITIVES, MATRICES, Agency, Assay, Permit
from biobank.plans import columns
from biobank.plans.forms import CellField, why_field

TAKES_ROWS = 8


class TakesWidget(forms.MultiWidget):
    """Rows of two lists: matrix, additive."""

    use_fieldset = True

    def __init__(self, rows: int = TAKES_ROWS) -> None:
        lists = []
        for n in range(1, rows + 1):
            lists.append(forms.Select({"class": "half", "aria-label": f"Sample {n}"}, [("", "–"), *MATRICES]))
            lists.append(
                forms.Select(
                    {"class": "half", "aria-label": f"Sample {n}: drawn into"}, [("", "any"), *ADDITIVES]
                )
            )
        super().__init__(lists)

    def decompress(self, value: Any) -> list[str]:
        return [one for pair in value or () for one in pair]


class TakesField(forms.Field):
    """Pairs of matrix and additive, without repeats; an additive alone is refused."""

    widget = TakesWidget

    def clean(self, value: Any) -> list[tuple[str, str]]:
        boxes = [str(one or "") for one in value or []]
        pairs = [pair for pair in zip(boxes[::2], boxes[1::2], strict=False) if any(pair)]
        known = {code for code, _ in MATRICES}, {"", *(code for code, _ in ADDITIVES)}
        for matrix, additive in pairs:
            if not matrix:
                raise ValidationError("Choose what was drawn into it.", "matrix_missing")
            if matrix not in known[0] or additive not in known[1]:
                raise ValidationError("Choose from the lists.", "choice_unknown")
        return list(dict.fromkeys(pairs))


class AssayForm(forms.Form):
    """An assay or a family; the code only while it is new."""

    code = CellField(columns.code("code", "code", 12))
    name = CellField(columns.words("name", "name", 80, True))
    family = forms.ModelChoiceField(
        Assay.objects.none(), required=False, empty_label="none", help_text="Its rules are this assay's too."
    )
    takes = TakesField(required=False, label="Takes", help_text="Nothing for a family that no tube goes to.")
    min_ul = CellField(of.volume("min_ul", "least volume"))
    note = CellField(columns.words("note", "note", 200))

    def __init__(self, data: Any = None, *, assay: Assay | None = None) -> None:
        super().__init__(data, initial=_said(assay) if assay else {})
        families = Assay.objects.filter(family=None, retired=False)
        self.fields["family"].queryset = families.exclude(pk=assay.pk) if assay else families
        self.fields["reason"] = why_field()
        if assay:
            rows = max(TAKES_ROWS, assay.takes.count() + 2)  # none that is there may fall away
            self.fields["takes"].widget = TakesWidget(rows)
            del self.fields["code"]


def _said(assay: Assay) -> dict[str, Any]:
    return {
        "name": assay.name, "family": assay.family_id, "note": assay.note,
        "takes": [box for one in assay.takes.all() for box in (one.matrix, one.additive)],
        "min_ul": of.BY_NAME["min_ul"].write(assay.min_ul),
    }  # fmt: skip


class PermitForm(forms.Form):
    """A permit as its paper says it."""

    number = CellField(columns.words("number", "number", 60, True))
    allows = forms.ChoiceField(
        choices=[("take", "take samples"), ("hold", "hold samples")], label="Allows to"
    )
    agency = forms.ModelChoiceField(Agency.objects.none(), label="Whom it allows")
    issued_by = CellField(columns.words("issued_by", "issued by", 120, True))
    species = CellField(columns.words("species", "species", 80, hint="Empty: all that the paper names."))
    valid_from = forms.DateField(widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"), label="From")
    valid_until = forms.DateField(
        widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"), label="To, this day too"
    )
    note = CellField(columns.words("note", "note", 200))

    def __init__(self, data: Any = None, *, permit: Permit | None = None) -> None:
        names = ("number", "allows", "issued_by", "species", "valid_from", "valid_until", "note")
        initial = {name: getattr(permit, name) for name in names} if permit else {}
        super().__init__(data, initial=initial | ({"agency": permit.agency_id} if permit else {}))
        self.fields["agency"].queryset = Agency.objects.order_by("name")
        self.fields["reason"] = why_field()

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        first, last = said.get("valid_from"), said.get("valid_until")
        for name, day in (("valid_from", first), ("valid_until", last)):
            if day and not 1900 <= day.year <= 2200:
                self.add_error(name, ValidationError("This year cannot be right.", "year_out_of_range"))
        if first and last and last < first:
            self.add_error(
                "valid_until", ValidationError("It ends before it begins.", "permit_ends_before_it_begins")
            )
        return said
