"""Forms of a case."""

from __future__ import annotations

from typing import Any

from django import forms

from biobank.forms import ActForm
from biobank.models import HandoffCase, Person


class OwnerForm(forms.Form):
    """Who looks after it, by which day."""

    owner = forms.ModelChoiceField(Person.objects.none(), label="Looked after by")
    due = forms.DateField(label="By", widget=forms.DateInput(attrs={"type": "date"}))
    reason = forms.CharField(label="Why", max_length=200)

    def __init__(self, *args: Any, case: HandoffCase, people: Any, **kwargs: Any) -> None:
        super().__init__(*args, initial={"owner": case.owner_id, "due": case.due}, **kwargs)
        self.fields["owner"].queryset = people  # type: ignore[attr-defined]


class CloseForm(ActForm):
    """What became of it."""

    outcome = forms.CharField(
        label="What became of it", max_length=300,
        help_text="For example: found in the next parcel; label read by eye and printed again; written off.",
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
