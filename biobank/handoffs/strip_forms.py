"""An answer strip as a form, in the order of the paper; and a carrier's word."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.core.exceptions import ValidationError

from biobank.forms import ActForm, CelsiusField, LocalTime, TubesField, moment
from biobank.handoffs.link_forms import unseen_refused
from biobank.handoffs.strip import Strip
from biobank.handoffs.tracking import LONGEST
from biobank.models import HandoffPaper

SEAL = [("", "not said on the paper"), ("yes", "intact"), ("no", "not intact")]


def zones() -> list[tuple[str, str]]:
    """Zones by the names of places, and UTC first."""
    places = (
        name for name in available_timezones() if "/" in name and not name.startswith(("Etc/", "System"))
    )
    return [("UTC", "UTC"), *((name, name.replace("_", " ")) for name in sorted(places))]


class StripForm(ActForm):
    """One strip. `at` is the local time on the paper, in the zone of the receiver."""

    counted = forms.IntegerField(
        label="Tubes counted", min_value=0, max_value=1000,
        widget=forms.NumberInput({"inputmode": "numeric"}),
    )  # fmt: skip
    seal_intact = forms.ChoiceField(label="Seal intact", choices=SEAL, required=False)
    seal = forms.CharField(label="Number of the seal, as written", required=False, max_length=40)
    missing = TubesField(
        label="Codes named as missing", required=False, widget=forms.Textarea({"rows": 2}),
        help_text="One on a line. Every other tube of the list counts as arrived.",
    )  # fmt: skip
    damaged = TubesField(label="Codes named as damaged", required=False, widget=forms.Textarea({"rows": 2}))
    centi_c = CelsiusField(label="Temperature in the container, °C")
    name = forms.CharField(label="Name, as signed", max_length=80)
    zone = forms.ChoiceField(
        label="Time zone of the receiver",
        help_text="As written on the paper; else the place where it was signed.",
    )
    note = forms.CharField(label="Remark on the paper", required=False, max_length=300)

    def __init__(self, *args: Any, tz: str, papers: Sequence[HandoffPaper], **kwargs: Any) -> None:
        super().__init__(*args, tz=tz, **kwargs)
        self.papers = {one.short: one for one in papers}
        self.fields["zone"].choices = zones()  # type: ignore[attr-defined]
        self.fields["zone"].initial = tz
        self.fields["at"] = forms.CharField(label="Date and local time, as written", widget=LocalTime)
        self.fields["paper"] = forms.ChoiceField(
            label="Photo that this was typed from", widget=forms.RadioSelect,
            choices=[(one.short, f"{one.name} ({one.short})") for one in papers],
            initial=papers[-1].short if papers else None,
            error_messages={"required": "Add a photo of the signed paper first.",
                            "invalid_choice": "Add a photo of the signed paper first."},
        )  # fmt: skip
        order = ["counted", "seal_intact", "seal", "missing", "damaged", "centi_c", "name", "zone", "at"]
        self.order_fields(["key", *order, "note", "paper"])

    def clean_at(self) -> datetime | None:
        zone = self.cleaned_data.get("zone")
        return moment(self.cleaned_data["at"], zone) if zone else None

    def clean_seal(self) -> str:
        return unseen_refused(self.cleaned_data["seal"])

    def clean_note(self) -> str:
        return unseen_refused(self.cleaned_data["note"])

    def strip(self) -> Strip:
        said = self.cleaned_data
        return Strip(
            said["name"], said["at"], said["zone"], said["counted"],
            {"yes": True, "no": False}.get(said["seal_intact"]), said["seal"], said["missing"],
            said["damaged"], said["centi_c"], said["note"],
        )  # fmt: skip

    def photo(self) -> HandoffPaper:
        return self.papers[self.cleaned_data["paper"]]


class TrackedForm(ActForm):
    said = forms.CharField(
        label="What the carrier said", max_length=LONGEST, widget=forms.Textarea({"rows": 3}),
        help_text="As it stands there, with the waybill number.",
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["at"].label = "When this was, by the carrier"

    def clean_said(self) -> str:
        text = " ".join(self.cleaned_data["said"].split())
        if not text.isprintable():
            raise ValidationError("This holds control characters. Type it anew.", "text_malformed")
        return text
