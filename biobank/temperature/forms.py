"""Forms of the logger pages.

Promises: what is typed is kept when it is refused; a saved mapping fills in what is left empty.
"""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError

from biobank.forms import LocalTime, moment
from biobank.models import Unit
from biobank.models.loggers import DAY_MS, Logger, LoggerMapping, LoggerPlacement
from biobank.temperature import parse
from biobank.temperature.parse import DELIMITERS, Mapping
from custody.core.event import new_id
from custody.core.refusal import Refused

FORMATS = [
    ("%Y-%m-%d %H:%M:%S", "2026-05-03 09:12:00"),
    ("%Y-%m-%d %H:%M", "2026-05-03 09:12"),
    ("%Y-%m-%dT%H:%M:%S%z", "2026-05-03T09:12:00+02:00"),
    ("%Y/%m/%d %H:%M", "2026/05/03 09:12"),
    ("%d.%m.%Y %H:%M:%S", "03.05.2026 09:12:00"),
    ("%d.%m.%Y %H:%M", "03.05.2026 09:12"),
    ("%d/%m/%Y %H:%M:%S", "03/05/2026 09:12:00 (day first)"),
    ("%d/%m/%Y %H:%M", "03/05/2026 09:12 (day first)"),
    ("%m/%d/%Y %H:%M:%S", "05/03/2026 09:12:00 (month first)"),
    ("%m/%d/%Y %I:%M:%S %p", "05/03/2026 09:12:00 AM (month first)"),
]


class LoggerForm(forms.Form):
    """A new logger."""

    code = forms.SlugField(label="Code", max_length=20, help_text="As written on the logger.")
    name = forms.CharField(label="Name", max_length=80, required=False)
    serial = forms.CharField(label="Serial number", max_length=40, required=False)
    minutes = forms.DecimalField(
        label="Recording interval, minutes", min_value=0, max_value=1440, decimal_places=2, initial=5
    )

    def clean_minutes(self) -> int:
        seconds = round(self.cleaned_data["minutes"] * 60)
        if not seconds:
            raise ValidationError("A logger records at an interval above nought.", "interval_nought")
        return int(seconds)

    def clean_code(self) -> str:
        code = str(self.cleaned_data["code"])
        if code.lower() in {"import", "new"} or "_" in code:
            raise ValidationError("Use letters, digits and hyphens; not “import” or “new”.", "logger_code")
        return code


class Placing(forms.Form):
    """Times of a placement, typed in the programme's zone."""

    def __init__(self, *args: Any, tz: str = "UTC", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.tz = tz

    def _ms(self, name: str) -> int | None:
        at = moment(self.cleaned_data[name], self.tz)
        return None if at is None else round(at.timestamp() * 1000)


class PlaceForm(Placing):
    """Where a logger stands, from when on."""

    unit = forms.ModelChoiceField(Unit.objects.exclude(kind="box"), label="Unit")
    start = forms.CharField(label="From", widget=LocalTime)
    end = forms.CharField(
        label="To", required=False, help_text="Empty: it still stands there.", widget=LocalTime
    )
    probe = forms.CharField(label="Where the probe is", max_length=80, required=False)
    medium = forms.ChoiceField(
        label="Probe", choices=LoggerPlacement.Medium, initial="unknown",
        help_text="A probe in air follows the door; one in a buffer follows the samples more closely.",
    )  # fmt: skip
    governing = forms.BooleanField(
        label="Its readings count for what stands in the unit", required=False, initial=True
    )
    reason = forms.CharField(label="Reason", max_length=100, initial="Placed")

    def clean_start(self) -> int | None:
        return self._ms("start")

    def clean_end(self) -> int | None:
        return self._ms("end")


class EndForm(Placing):
    """A logger was taken out."""

    end = forms.CharField(label="Taken out", widget=LocalTime)
    reason = forms.CharField(label="Reason", max_length=100)

    def clean_end(self) -> int | None:
        return self._ms("end")


class FileForm(forms.Form):
    """A file and how to read it: by a saved mapping, or by the fields below it."""

    logger = forms.ModelChoiceField(
        Logger.objects.filter(retired=False), label="Logger", to_field_name="code"
    )
    file = forms.FileField(label="File", help_text="The readings as a text table (CSV).")
    saved = forms.ModelChoiceField(
        LoggerMapping.objects.all(), label="Read it as", required=False, to_field_name="name",
        empty_label="as described below", help_text="A mapping saved before. Then leave the rest as it is.",
    )  # fmt: skip
    delimiter = forms.ChoiceField(label="Columns are parted by", choices=[(d, d) for d in DELIMITERS])
    header_rows = forms.IntegerField(
        label="Lines before the first reading", min_value=0, max_value=200, initial=1,
        help_text="The last of them holds the headings.",
    )  # fmt: skip
    time_column = forms.CharField(
        label="Time column", initial="1", max_length=80,
        help_text="Heading or number. Date and time apart: write “Date + Time”.",
    )  # fmt: skip
    time_format = forms.ChoiceField(label="Times look like", choices=FORMATS)
    zone = forms.CharField(
        label="Times are those of", initial="UTC", max_length=64,
        help_text="UTC, a fixed offset such as +01:00, or a zone with summer time such as Europe/Oslo.",
    )  # fmt: skip
    value_column = forms.CharField(label="Temperature column", initial="2", max_length=80)
    unit = forms.ChoiceField(label="Unit", choices=[("C", "°C"), ("F", "°F")])
    decimal = forms.ChoiceField(label="Decimal sign", choices=[(".", "point"), (",", "comma")])
    missing = forms.CharField(
        label="Words for no reading", required=False, max_length=120, help_text="Parted by spaces."
    )
    save_as = forms.CharField(label="Save this mapping as", required=False, max_length=80)

    def clean_file(self) -> Any:
        file = self.cleaned_data["file"]
        if file.size > settings.DATA_UPLOAD_MAX_MEMORY_SIZE:
            most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE // 1_000_000
            raise ValidationError(
                f"This file is larger than {most} MB. Export a shorter time.", "file_too_large"
            )
        return file

    def clean_zone(self) -> str:
        try:
            parse.zone_of(self.cleaned_data["zone"])
        except Refused as no:
            raise ValidationError(no.sentence, no.code) from no
        return str(self.cleaned_data["zone"])

    @property
    def mapping(self) -> Mapping:
        said = self.cleaned_data
        if said["saved"]:
            return Mapping.of(said["saved"].spec)
        names = ["time_column", "value_column", "time_format", "zone", "unit", "delimiter", "decimal"]
        return Mapping(
            **{name: said[name] for name in names},
            header_rows=said["header_rows"],
            missing=tuple(said["missing"].split()),
        )

    @property
    def mapping_name(self) -> str:
        saved = self.cleaned_data["saved"]
        return saved.name if saved else self.cleaned_data["save_as"]


class KeyForm(forms.Form):
    """A button that does one thing once."""

    key = forms.UUIDField(widget=forms.HiddenInput, initial=new_id)


class SpanForm(forms.Form):
    """Which days a picture shows. Anything unreadable means: the usual days."""

    start = forms.DateField(label="From", required=False, widget=forms.DateInput({"type": "date"}))
    end = forms.DateField(label="To", required=False, widget=forms.DateInput({"type": "date"}))

    USUAL_DAYS = 14

    def span(self, whole: tuple[int, int], midnight: Any) -> tuple[int, int]:
        """Start and end in UTC ms within `whole`; `midnight(date)` gives the zone's UTC ms."""
        said = self.cleaned_data if self.is_valid() else {}
        end = midnight(said["end"]) + DAY_MS if said.get("end") else whole[1]
        end = max(whole[0] + 1, min(end, whole[1]))
        start = midnight(said["start"]) if said.get("start") else end - self.USUAL_DAYS * DAY_MS
        start = max(whole[0], start)
        return (start, end) if start < end else (max(whole[0], end - DAY_MS), end)
