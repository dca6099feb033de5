"""What people type of a shipment: kilograms, hours and local times go in, grams, minutes and moments come
out."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError

from biobank.checks import gate
from biobank.disposal.forms import DayField
from biobank.forms import ActForm, CelsiusField, LocalTime, TubesField, coming
from biobank.handoffs.actions import HOW
from biobank.models import Agency, Assay, Leg, Logger, Shipment, Unit
from biobank.models.shipments import COOLANTS, DRY_ICE, HAZARDS, MODES, TERMS
from biobank.shipping.hours import DAYS
from biobank.shipping.queries import Asked

CARRIERS = ["cooler", "shipper", "fridge", "freezer", "box"]  # kinds of unit that travel


class DraftForm(ActForm):
    """Who gets it and what it is."""

    receiver = forms.ModelChoiceField(Agency.objects.none(), label="To", empty_label="choose")
    terms = forms.ChoiceField(label="Terms", choices=[("", "choose"), *TERMS])
    due_back = DayField(label="Due back", required=False, help_text="Of a loan.")
    assay = forms.ChoiceField(
        required=False, label="For which analysis",
        help_text="Then each tube is checked when it is sent, and rules that run out on the way are shown.",
    )  # fmt: skip
    hazard = forms.ChoiceField(
        required=False, label="Hazard for transport", choices=[("", "not set yet"), *HAZARDS],
        help_text="What applies is for your shipper and the current regulations to say.",
    )  # fmt: skip
    contact = forms.CharField(
        required=False, max_length=160, label="Responsible person, with telephone",
        help_text="Somebody who knows what is in it and answers at night, too.",
    )  # fmt: skip
    seal = forms.CharField(required=False, max_length=120, label="Seal numbers")
    remarks = forms.CharField(required=False, max_length=300, label="Remarks", help_text="For the receiver.")

    def __init__(self, *args: Any, agency: Agency, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
        self.fields["receiver"].queryset = Agency.objects.exclude(pk=agency.pk)
        self.fields["assay"].choices = gate.choices()

    def clean_assay(self) -> Assay | None:
        code = self.cleaned_data["assay"]
        return Assay.objects.filter(code=code).first() if code else None

    def said(self) -> dict[str, Any]:
        return {name: value for name, value in self.cleaned_data.items() if name != "key"}


def start_of(shipment: Shipment) -> dict[str, Any]:
    """What a form of this draft begins with."""
    names = ("receiver", "terms", "due_back", "hazard", "contact", "seal", "remarks")
    found = {name: getattr(shipment, name) for name in names}
    return found | {"assay": shipment.assay.code if shipment.assay else ""}


class AddForm(forms.Form):
    tubes = forms.CharField(
        label="Tubes, boxes, coolers", max_length=40_000,
        help_text="Scan each, one on a line. A box or a cooler stands for all tubes in it.",
        widget=forms.Textarea(attrs={
            "rows": 8, "autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false",
            "autofocus": True,
        }),
    )  # fmt: skip


class TakeOutForm(forms.Form):
    tubes = TubesField(
        label="Tubes to take out", widget=forms.Textarea(attrs={"rows": 4, "autocomplete": "off"}),
        help_text="Scan each, one on a line.",
    )  # fmt: skip


class CommaField(forms.DecimalField):
    """A number with a comma or a point, or nothing."""

    widget = forms.TextInput

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"required": False, "min_value": 0, "decimal_places": 2} | given))
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off"}

    def to_python(self, value: Any) -> Decimal | None:
        said: Decimal | None = super().to_python(str(value).replace(",", ".") if value else value)
        return said


class LegForm(forms.Form):
    """One stretch of the way. A hold time says who says so, and of a shipper that may lie whether it is for
    that."""

    mode = forms.ChoiceField(label="How", choices=MODES)
    carrier = forms.CharField(label="Carrier", required=False, max_length=80)
    waybill = forms.CharField(label="Waybill number", required=False, max_length=60)
    leaves = forms.CharField(label="Leaves", widget=LocalTime)
    arrives = forms.CharField(label="Arrives", widget=LocalTime)
    coolant = forms.ChoiceField(label="Kept cold by", choices=COOLANTS)
    kg = CommaField(
        label="Coolant put in, kg", max_value=500,
        help_text="Of dry ice its net mass, of a dry shipper its charge. Leave it empty on a later leg when "
        "the coolant of the leg before goes on.",
    )  # fmt: skip
    ice_form = forms.ChoiceField(
        label="Form of the dry ice", required=False, choices=[("", "no dry ice"), *DRY_ICE]
    )
    hours = CommaField(
        label="Holds for, hours", max_value=2000,
        help_text="From when it is put in, for this container. Leave it empty when nobody knows: then nobody "
        "can tell whether it holds.",
    )  # fmt: skip
    hold_source = forms.CharField(
        label="Who says so", required=False, max_length=160, help_text="Its maker, or a test of your own."
    )
    upright = forms.BooleanField(label="It stays upright all the way", required=False, initial=True)
    lying = forms.BooleanField(
        label="The hold time is that of lying on its side", required=False,
        help_text="Of a dry shipper that may lie.",
    )  # fmt: skip
    unit = forms.ModelChoiceField(
        Unit.objects.none(), label="Container", required=False, empty_label="none of ours"
    )
    logger = forms.ModelChoiceField(
        Logger.objects.none(), label="Logger in it", required=False, empty_label="none"
    )

    def __init__(self, *args: Any, tz: str, agency: Agency, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.tz = tz
        units = Unit.objects.filter(agency=agency, kind__in=CARRIERS)
        self.fields["unit"].queryset = units
        self.fields["logger"].queryset = Logger.objects.filter(agency=agency, retired=False)

    def clean_leaves(self) -> datetime | None:
        return coming(self.cleaned_data["leaves"], self.tz)

    def clean_arrives(self) -> datetime | None:
        return coming(self.cleaned_data["arrives"], self.tz)

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        ice = said.get("coolant") == "dry_ice"
        if said.get("hours") is not None and not said.get("hold_source"):
            self.add_error("hold_source", ValidationError("Say who says so.", "hold_without_source"))
        if ice and not said.get("ice_form"):
            self.add_error(
                "ice_form", ValidationError("Pellets or blocks? They last differently.", "ice_form_missing")
            )
        if said.get("hours") is not None and said.get("coolant") == "none":
            self.add_error(
                "hours", ValidationError("Nothing keeps it cold, so nothing holds.", "hold_of_nothing")
            )
        if _lies(said) and said.get("hours") is not None and not said.get("lying"):
            sentence = "It may lie on its side. Tick that the hold time is for lying, or leave it empty."
            self.add_error("lying", ValidationError(sentence, "hold_of_upright"))
        return said

    def said(self) -> dict[str, Any]:
        """As the model has it; what does not belong to this coolant is left out."""
        said, found = self.cleaned_data, ("mode", "carrier", "waybill", "leaves", "arrives", "coolant")
        bare, ice = said["coolant"] == "none", said["coolant"] == "dry_ice"
        return {name: said[name] for name in (*found, "unit", "logger")} | {
            "coolant_g": None if bare or said["kg"] is None else round(said["kg"] * 1000),
            "ice_form": said["ice_form"] if ice else "",
            "hold_min": None if said["hours"] is None else round(said["hours"] * 60),
            "hold_source": said["hold_source"], "upright": said["upright"],
        }  # fmt: skip


def _lies(said: dict[str, Any]) -> bool:
    return said.get("coolant") == "dry_shipper" and not said.get("upright")


def start_of_leg(leg: Leg, tz: str) -> dict[str, Any]:
    """What a form of this leg begins with."""
    names = ("mode", "carrier", "waybill", "coolant", "ice_form", "hold_source", "upright", "unit", "logger")
    zone = ZoneInfo(tz)
    return {name: getattr(leg, name) for name in names} | {
        "leaves": leg.leaves.astimezone(zone).strftime("%Y-%m-%dT%H:%M"),
        "arrives": leg.arrives.astimezone(zone).strftime("%Y-%m-%dT%H:%M"),
        "kg": None if leg.coolant_g is None else f"{leg.coolant_g / 1000:g}",
        "hours": None if leg.hold_min is None else f"{leg.hold_min / 60:.2f}".rstrip("0").rstrip("."),
        "lying": leg.coolant == "dry_shipper" and not leg.upright and leg.hold_min is not None,
    }  # fmt: skip


class PackingForm(forms.Form):
    """An answer and a note for each point that is asked."""

    def __init__(self, *args: Any, asked: Iterable[Asked], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.asked = list(asked)
        for one in self.asked:
            there = one.check
            answer = "" if there is None else "done" if there.applies else "no"
            choices = [("", "not looked at"), ("done", "looked at, it is so"), ("no", "does not apply")]
            self.fields[one.point.code] = forms.ChoiceField(
                label="Answer", required=False, choices=choices, initial=answer
            )
            self.fields[f"{one.point.code}_note"] = forms.CharField(
                label="Note", required=False, max_length=200, initial=there.note if there else ""
            )

    def rows(self) -> list[tuple[Asked, forms.BoundField, forms.BoundField]]:
        return [(one, self[one.point.code], self[f"{one.point.code}_note"]) for one in self.asked]

    def said(self) -> dict[str, tuple[str, str]]:
        said = self.cleaned_data
        codes = [one.point.code for one in self.asked]
        return {code: (said[code], said[f"{code}_note"]) for code in codes}


class SendForm(ActForm):
    how = forms.ChoiceField(label="Kept on the way", choices=HOW)
    seal = forms.CharField(
        label="Seal numbers", required=False, max_length=120, help_text="Several with commas between them."
    )
    centi_c = CelsiusField(label="Temperature in the container, °C")
    due = forms.CharField(
        label="Due by", required=False, widget=LocalTime,
        help_text="When the receiver should have it. Later than this it is on the list of what is overdue.",
    )  # fmt: skip
    why = forms.CharField(
        label="Why it is sent all the same", required=False, max_length=300,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Only when something above is not sure. It stands in the ledger.",
    )  # fmt: skip

    def clean_due(self) -> datetime | None:
        return coming(self.cleaned_data["due"], self.tz)


class DropForm(forms.Form):
    reason = forms.CharField(label="Why it is not sent", max_length=300)


class HoursForm(forms.Form):
    weekdays = forms.TypedMultipleChoiceField(
        label="On", coerce=int, choices=list(enumerate(DAYS)), widget=forms.CheckboxSelectMultiple
    )
    opens = forms.TimeField(label="From", widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))
    closes = forms.TimeField(
        label="To", widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        help_text="23:59 is until midnight.",
    )  # fmt: skip


class ClosedForm(forms.Form):
    day = DayField(label="Closed on")
    why = forms.CharField(label="Why", required=False, max_length=80)


class KeepForm(forms.Form):
    """How much dry ice shall be left, for the dry ice panel."""

    keep = CommaField(label="Kilograms that shall be left", max_value=200, required=True)
