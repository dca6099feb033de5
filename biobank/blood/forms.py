"""Forms of blood limits and of what is allowed beyond them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms

from biobank.core.blood import Rule
from biobank.forms import ActForm
from biobank.register.forms import NameField


class ShareField(forms.DecimalField):
    """Typed in percent, at most one decimal; cleans to parts per thousand, or None."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_digits": 4, "decimal_places": 1, "required": False} | given))
        self.widget.attrs |= {"step": "0.1", "min": "0.1", "inputmode": "decimal"}

    def clean(self, value: Any) -> Any:
        percent: Decimal | None = super().clean(value)
        return None if percent is None else int(percent * 10)


class LimitForm(ActForm):
    """Another limit, from a date on. What is left empty does not count."""

    species = NameField(
        label="Species",
        max_length=80,
        required=False,
        help_text="As it stands with the animals. Empty: all species that have no limit of their own.",
    )
    mass = ShareField(label="Share of body mass, %", help_text="1 g of body is taken as 1 mL.")
    volume = ShareField(
        label="Share of blood volume, %", help_text="With the next field. The stricter counts."
    )
    ml_per_kg = forms.IntegerField(label="Blood volume, mL in a kilogram", required=False)
    window = forms.IntegerField(
        label="Window, days",
        help_text="All draws of the animal inside so many days count together. 1: one day by itself.",
    )
    since = forms.DateField(
        label="In force from", widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d")
    )
    source = NameField(
        label="Where it comes from", max_length=200, help_text="Protocol, permit, text, or your judgement."
    )
    note = forms.CharField(label="Note", required=False, max_length=2000, widget=forms.Textarea({"rows": 3}))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
        self.fields["species"].widget.attrs |= {"list": "species"}

    def rule(self) -> Rule:
        said = self.cleaned_data
        return Rule(said["mass"], said["volume"], said["ml_per_kg"], said["window"])


class AllowForm(ActForm):
    """More than the limit, for one workup."""

    ml = forms.DecimalField(
        label="More than the limit, mL",
        max_digits=8,
        decimal_places=3,
        help_text="With a minus sign: so much of what was allowed is taken back.",
        widget=forms.TextInput({"inputmode": "text"}),
    )
    reason = NameField(label="Why", max_length=200)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]

    def clean_ml(self) -> int:
        return int(self.cleaned_data["ml"] * 1000)
