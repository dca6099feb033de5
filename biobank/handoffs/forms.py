"""Forms of the giver of a handoff, and of whoever ends one."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django import forms

from biobank.checks import gate
from biobank.forms import ActForm, CelsiusField, LocalTime, coming
from biobank.handoffs.actions import HOW, Parcel
from biobank.models import shipments


class HandOffForm(ActForm):
    """Tubes, boxes and coolers in one field; what they mean is found out by `giving.scanned`."""

    tubes = forms.CharField(
        label="Tubes, boxes, coolers", max_length=40_000,
        help_text="Scan each, one on a line. A box or a cooler stands for all tubes in it.",
        widget=forms.Textarea(attrs={"rows": 8, "autocomplete": "off", "spellcheck": "false"}),
    )  # fmt: skip
    to = forms.ChoiceField(label="To")
    assay = forms.ChoiceField(
        required=False, label="For which analysis",
        help_text="Then each tube is checked now, and one that is not fit for it is not sent.",
    )  # fmt: skip
    how = forms.ChoiceField(label="Kept on the way", choices=HOW)
    seal = forms.CharField(
        label="Seal numbers", required=False, max_length=120, help_text="Several with commas between them."
    )
    centi_c = CelsiusField(label="Temperature in the container, °C")
    hazard = forms.ChoiceField(
        required=False, label="Hazard", choices=[("", "not said"), *shipments.HAZARDS],
        help_text="What applies is for your shipper and the current regulations to say.",
    )  # fmt: skip
    logger = forms.CharField(label="Logger in the container", required=False, max_length=40)
    carrier = forms.CharField(label="Carrier", required=False, max_length=80)
    waybill = forms.CharField(label="Waybill number", required=False, max_length=60)
    ice_kg = forms.DecimalField(
        label="Dry ice, kg", required=False, min_value=0, max_value=200, decimal_places=2, max_digits=6
    )
    due = forms.CharField(label="Due by", required=False, widget=LocalTime)

    def __init__(self, *args: Any, agencies: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].choices = agencies  # type: ignore[attr-defined]
        self.fields["assay"].choices = gate.choices()  # type: ignore[attr-defined]

    def clean_due(self) -> datetime | None:
        return coming(self.cleaned_data["due"], self.tz)

    def parcel(self, boxes: dict[str, tuple[str, int | None, int | None]]) -> Parcel:
        said = self.cleaned_data
        ice = said["ice_kg"]
        return Parcel(
            said["carrier"], said["waybill"], said["logger"], said["hazard"],
            ice_g=None if ice is None else int(ice * 1000), boxes=boxes,
        )  # fmt: skip


class ReasonForm(ActForm):
    reason = forms.CharField(label="Reason", max_length=300)
