"""Forms of assays."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.checks import rule_columns as of
from biobank.models import ADDITIVES, MATRICES, Assay
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
