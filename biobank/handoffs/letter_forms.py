"""Form of a transfer letter: what for, and on which terms."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.models.shipments import TERMS
from biobank.templatetags.words import when


class LetterForm(forms.Form):
    """Purpose and terms. A loan says until when."""

    purpose = forms.CharField(
        label="What they may be used for", max_length=300,
        help_text="The analysis or study, as both sides agreed.",
    )  # fmt: skip
    terms = forms.ChoiceField(label="On which terms", choices=TERMS)
    due_back = forms.DateField(
        label="Due back, for a loan", required=False, widget=forms.DateInput({"type": "date"}, "%Y-%m-%d")
    )
    more = forms.CharField(
        label="Anything else that was agreed", max_length=160, required=False,
        help_text="For example what becomes of what is left over.",
    )  # fmt: skip

    def __init__(self, data: Any = None, *, sent: date, **given: Any) -> None:
        super().__init__(data, **given)
        self.sent = sent

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        due = said.get("due_back")
        if said.get("terms") == "loan" and due is None and "due_back" not in self.errors:
            self.add_error("due_back", ValidationError("Say until when the loan goes.", "loan_without_end"))
        if due is not None and not self.sent <= due <= date(2200, 1, 1):
            self.add_error(
                "due_back",
                ValidationError("It cannot be due before it was sent.", "due_back_out_of_range"),
            )
        return said

    def words(self) -> str:
        """The terms as one text, as the letter shows them."""
        said = self.cleaned_data
        due = f" by {when(said['due_back'])}" if said["terms"] == "loan" else ""
        first = f"{dict(TERMS)[said['terms']]}{due}"
        return f"{first[0].upper()}{first[1:]}. {said['more']}".strip().removesuffix(".") + "."
