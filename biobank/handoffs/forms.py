"""Forms of a handoff."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError

from biobank.checks import gate
from biobank.forms import ActForm, CelsiusField, LocalTime, TubesField
from biobank.handoffs.actions import HOW


class HandOffForm(ActForm):
    tubes = TubesField(
        label="Tubes", help_text="Scan each tube, one on a line.", widget=forms.Textarea(attrs={"rows": 8})
    )
    to = forms.ChoiceField(label="To")
    assay = forms.ChoiceField(
        required=False, label="For which analysis",
        help_text="Then each tube is checked now, and one that is not fit for it is not sent.",
    )  # fmt: skip
    how = forms.ChoiceField(label="Kept on the way", choices=HOW)
    seal = forms.CharField(label="Seal number", required=False, max_length=40)
    centi_c = CelsiusField(label="Temperature in the container, °C")
    due = forms.CharField(label="Due by", required=False, widget=LocalTime)

    def __init__(self, *args: Any, agencies: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].choices = agencies  # type: ignore[attr-defined]
        self.fields["assay"].choices = gate.choices()  # type: ignore[attr-defined]

    def clean_due(self) -> datetime | None:
        text = self.cleaned_data["due"]
        try:
            return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(self.tz)) if text else None
        except ValueError as why:
            raise ValidationError("This is not a date and time.", "time_malformed") from why


class CountForm(forms.Form):
    """The count comes before the list is shown, so that it is a count."""

    counted = forms.IntegerField(label="How many tubes did you count?", min_value=0, max_value=1000)


class ReceiveForm(ActForm):
    counted = forms.IntegerField(label="Tubes counted by hand", min_value=0, max_value=1000)
    seal_intact = forms.ChoiceField(
        label="Seal",
        required=False,
        choices=[("", "no seal"), ("yes", "intact, number agrees"), ("no", "broken or another number")],
    )
    centi_c = CelsiusField(label="Temperature in the container, °C")
    tubes = TubesField(
        label="Tubes that arrived", required=False, widget=forms.Textarea(attrs={"rows": 8}),
        help_text="Scan each tube, one on a line. What is not scanned is noted as missing.",
    )  # fmt: skip
    damaged = TubesField(
        label="Of these, damaged", required=False, widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Leaking, cracked or open: gloves, eye protection, your site's spill rule.",
    )  # fmt: skip
    warm = TubesField(
        label="Of these, warmer than they may be", required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    note = forms.CharField(label="Note", required=False, max_length=500)

    def results(self) -> dict[str, str]:
        said = self.cleaned_data
        found = {tube: "ok" for tube in said["tubes"]}
        return found | {tube: "warm" for tube in said["warm"]} | {tube: "damaged" for tube in said["damaged"]}


class ReasonForm(ActForm):
    reason = forms.CharField(label="Reason", max_length=300)
