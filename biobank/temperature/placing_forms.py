"""Forms about the instrument and where it stands.

Promises: what is typed is kept when it is refused; times are typed in the programme's zone.
"""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.forms import LocalTime, moment
from biobank.models import Logger, LoggerPlacement, Unit
from biobank.store.carry import scanned
from custody.core.refusal import Refused

RESERVED = {"import", "new", "push", "conflicts"}  # first words of other addresses


class LoggerEditForm(forms.Form):
    """What the instrument is."""

    name = forms.CharField(label="Name", max_length=80, required=False)
    make = forms.CharField(label="Make", max_length=60, required=False)
    model = forms.CharField(label="Model", max_length=60, required=False)
    serial = forms.CharField(label="Serial number", max_length=40, required=False)
    minutes = forms.DecimalField(
        label="Recording interval, minutes", min_value=0, max_value=1440, decimal_places=2, initial=5
    )
    between = forms.ChoiceField(
        label="Between two readings", choices=Logger.Between, initial="linear", required=False,
        help_text="The value until the next reading: for a logger that records when something changes.",
    )  # fmt: skip
    retired = forms.BooleanField(label="Retired: it takes no more files and stands nowhere", required=False)
    reason = forms.CharField(label="Reason", max_length=100)

    def clean_minutes(self) -> int:
        seconds = round(self.cleaned_data["minutes"] * 60)
        if not seconds:
            raise ValidationError("A logger records at an interval above nought.", "interval_nought")
        return int(seconds)

    @property
    def said(self) -> dict[str, Any]:
        """As `placing` takes it."""
        told = dict(self.cleaned_data)
        between = told["between"] or Logger.Between.LINEAR
        return told | {"interval_s": told.pop("minutes"), "between": between}


class LoggerForm(LoggerEditForm):
    """A new logger."""

    code = forms.SlugField(label="Code", max_length=20, help_text="As written on the logger.")
    reason = None  # type: ignore[assignment]
    retired = None  # type: ignore[assignment]
    field_order = ["code"]

    def clean_code(self) -> str:
        code = str(self.cleaned_data["code"])
        if code.lower() in RESERVED or "_" in code:
            raise ValidationError(
                "Use letters, digits and hyphens, and no word of another page.", "logger_code"
            )
        return code


class Placing(forms.Form):
    """Times of a placement, typed in the programme's zone."""

    def __init__(self, *args: Any, tz: str = "UTC", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.tz = tz

    def _ms(self, name: str) -> int | None:
        at = moment(self.cleaned_data[name], self.tz)
        return None if at is None else round(at.timestamp() * 1000)


class PlacementForm(Placing):
    """A placement, as it was."""

    start = forms.CharField(label="From", widget=LocalTime)
    end = forms.CharField(
        label="To", required=False, help_text="Empty: it still stands there.", widget=LocalTime
    )
    probe = forms.CharField(
        label="Where the probe is", max_length=80, required=False, help_text="Shelf, corner, between boxes…"
    )
    medium = forms.ChoiceField(
        label="Probe", choices=LoggerPlacement.Medium, initial="unknown",
        help_text="A probe in air follows the door; one in a buffer follows the samples more closely.",
    )  # fmt: skip
    governing = forms.BooleanField(
        label="Its readings count for what stands in the unit", required=False, initial=True
    )
    reason = forms.CharField(label="Reason", max_length=100)

    def clean_start(self) -> int | None:
        return self._ms("start")

    def clean_end(self) -> int | None:
        return self._ms("end")


class PlaceForm(PlacementForm):
    """Where a logger stands, from when on. `units`: what may be chosen from; any other code may be typed."""

    unit = forms.CharField(
        label="Unit", max_length=20,
        help_text="Scan or type its code: a freezer, shelf, cooler, shipper, or a box.",
        widget=forms.TextInput(
            {"list": "units", "autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        ),
    )  # fmt: skip
    field_order = ["unit"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].initial = "Placed"

    def clean_unit(self) -> Unit:
        try:
            return scanned(self.cleaned_data["unit"])
        except Refused as no:
            raise ValidationError(no.sentence, no.code) from no


class EndForm(Placing):
    """A logger was taken out."""

    end = forms.CharField(label="Taken out", widget=LocalTime)
    reason = forms.CharField(label="Reason", max_length=100)

    def clean_end(self) -> int | None:
        return self._ms("end")


class GovernForm(Placing):
    """From when on another logger of the unit counts."""

    logger = forms.ModelChoiceField(Logger.objects.none(), label="Counts from then on", to_field_name="code")
    at = forms.CharField(label="From", widget=LocalTime)
    reason = forms.CharField(label="Reason", max_length=100)

    def __init__(self, *args: Any, there: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["logger"].queryset = there  # type: ignore[attr-defined]

    def clean_at(self) -> int | None:
        return self._ms("at")
