"""Forms about a logger's clock, its certificate, readings that do not count, and a unit's set point.

Promises: what is typed is kept when it is refused. `sure` is asked only after a refusal that can be
confirmed.
"""

from __future__ import annotations

import re
from datetime import datetime
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.forms import CelsiusField, moment
from biobank.models import ClockCheck, ReadingExclusion
from biobank.temperature.clock import zone_of
from biobank.temperature.record_actions import DOCUMENT_BYTES, Paper
from custody.core.refusal import Refused

NUMBER = re.compile(r"[+-]?\d{1,4}(\.\d{1,6})?")


class LocalSeconds(forms.DateTimeInput):
    """A date and time with seconds."""

    input_type = "datetime-local"

    def __init__(self) -> None:
        super().__init__(format="%Y-%m-%dT%H:%M:%S", attrs={"step": "1"})


class Record(forms.Form):
    """`tz`: the zone in which times are typed. ASKS: refusals that may be confirmed."""

    ASKS: frozenset[str] = frozenset()

    def __init__(self, *args: Any, tz: str = "UTC", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.tz = tz

    @property
    def shown_fields(self) -> list[Any]:
        """The fields of the page; the box that confirms only when something asked for it."""
        codes = {error.code for error in self.non_field_errors().as_data()} if self.is_bound else set()
        asked = bool(codes & self.ASKS) or bool(self.data.get("sure"))
        return [field for field in self.visible_fields() if field.name != "sure" or asked]

    def _ms(self, name: str) -> int | None:
        at = moment(self.cleaned_data[name], self.tz)
        return None if at is None else round(at.timestamp() * 1000)


def sure() -> forms.BooleanField:
    return forms.BooleanField(label="It is so: I have looked again", required=False)


class ClockForm(Record):
    """The logger's clock beside a true one."""

    ASKS = frozenset({"clock_far"})

    true = forms.CharField(label="True time", widget=LocalSeconds)
    shown = forms.CharField(
        label="The logger shows", widget=LocalSeconds,
        help_text="Both at the same moment, with seconds.",
    )  # fmt: skip
    zone = forms.CharField(
        label="The logger's clock is set to", max_length=64,
        help_text="UTC, a fixed offset such as +01:00, or a zone with summer time such as Europe/Oslo. "
        "The same as for its files.",
    )  # fmt: skip
    method = forms.ChoiceField(label="The true time is from", choices=ClockCheck.Method)
    note = forms.CharField(label="Note", max_length=200, required=False)
    sure = sure()

    def clean_true(self) -> int | None:
        return self._ms("true")

    def clean(self) -> dict[str, Any]:
        said = super().clean() or {}
        try:
            zone = zone_of(said.get("zone") or "UTC")
        except Refused as no:
            self.add_error("zone", ValidationError(no.sentence, no.code))
            return said
        if "shown" not in said:
            return said  # it is missing, and that is said already
        try:
            at = datetime.fromisoformat(said["shown"])
        except ValueError:
            self.add_error("shown", ValidationError("This is not a date and time.", "time_malformed"))
            return said
        at = at.replace(tzinfo=zone) if at.tzinfo is None else at
        return said | {"shown": round(at.timestamp() * 1000)}


class CertificateForm(Record):
    """A certificate, with its points as lines."""

    ASKS = frozenset({"correction_large"})

    number = forms.CharField(label="Number", max_length=60)
    laboratory = forms.CharField(label="Laboratory", max_length=120)
    issued = forms.DateField(label="Issued", widget=forms.DateInput({"type": "date"}))
    valid_from = forms.DateField(label="Valid from", widget=forms.DateInput({"type": "date"}))
    valid_to = forms.DateField(
        label="Valid to",
        widget=forms.DateInput({"type": "date"}),
        help_text="The last day on which it counts.",
    )
    points = forms.CharField(
        label="Points, °C",
        widget=forms.Textarea({"rows": 4, "spellcheck": "false", "autocomplete": "off"}),
        help_text="One line each, coldest first: indicated; correction; uncertainty. "
        "Example: −80,0; +0,3; 0,2. The correction is added to what the logger indicates.",
    )
    document = forms.FileField(
        label="Certificate as PDF",
        required=False,
        widget=forms.ClearableFileInput({"accept": "application/pdf"}),
    )
    note = forms.CharField(label="Note", max_length=200, required=False)
    sure = sure()

    def clean_points(self) -> list[tuple[int, int, int]]:
        return points_of(self.cleaned_data["points"])

    def clean_document(self) -> Any:
        file = self.cleaned_data["document"]
        if file and file.size > DOCUMENT_BYTES:
            raise ValidationError(
                f"The document is above {DOCUMENT_BYTES // 1_000_000} MB.", "document_too_large"
            )
        return file

    @property
    def paper(self) -> Paper:
        said = self.cleaned_data
        file = said["document"]
        return Paper(
            said["number"].strip(), said["laboratory"].strip(), said["issued"], said["valid_from"],
            said["valid_to"], said["points"], file.read() if file else None, file.name if file else "",
        )  # fmt: skip


def points_of(text: str) -> list[tuple[int, int, int]]:
    """Lines of `indicated; correction; uncertainty` in °C as hundredths; an uncertainty is rounded up.

    Raises ValidationError `points_malformed` that names the line.
    """
    return [_point(k, line) for k, line in enumerate(text.splitlines(), 1) if line.strip()]


def _point(k: int, line: str) -> tuple[int, int, int]:
    parts = [part.strip() for part in re.split(r"[;\t]", line)]
    plain = [part.replace("−", "-").replace(",", ".").replace(" ", "") for part in parts]
    if len(plain) != 3 or not all(NUMBER.fullmatch(part) for part in plain):
        raise ValidationError(
            f"Line {k} is not indicated; correction; uncertainty: “{line.strip()}”.", "points_malformed"
        )
    indicated, change, uncertainty = (Decimal(part) * 100 for part in plain)
    return (
        int(indicated.to_integral_value(ROUND_HALF_EVEN)), int(change.to_integral_value(ROUND_HALF_EVEN)),
        int(uncertainty.to_integral_value(ROUND_CEILING)),
    )  # fmt: skip


class ExclusionForm(Record):
    """Readings that do not count."""

    ASKS = frozenset({"exclusion_long"})

    start = forms.CharField(label="From", widget=LocalSeconds)
    end = forms.CharField(label="To", widget=LocalSeconds)
    clock = forms.ChoiceField(
        label="These times are those of",
        choices=[("true", "a true clock"), ("shown", "the logger's own clock")],
        initial="true",
    )
    reason = forms.ChoiceField(label="What it was", choices=ReadingExclusion.Reason)
    note = forms.CharField(label="Why", max_length=200)
    sure = sure()

    def clean_start(self) -> int | None:
        return self._ms("start")

    def clean_end(self) -> int | None:
        return self._ms("end")


class WhyForm(Record):
    """Why something is taken back."""

    why = forms.CharField(max_length=200, label="Why it is wrong")


class ApproveForm(Record):
    """A button."""


class NominalForm(Record):
    """At which temperature a unit is kept, from when on."""

    start = forms.CharField(label="From", widget=LocalSeconds)
    end = forms.CharField(
        label="To", required=False, widget=LocalSeconds, help_text="Empty: until something else is said."
    )
    nominal = CelsiusField(label="Kept at, °C", required=True)
    tolerance = CelsiusField(label="Give or take, K", required=False)
    basis = forms.CharField(
        label="Why this may be supposed", max_length=200,
        help_text="A set point, a display read daily, a service report…",
    )  # fmt: skip

    def clean_start(self) -> int | None:
        return self._ms("start")

    def clean_end(self) -> int | None:
        return self._ms("end")


class NominalEndForm(Record):
    """From when on a unit is not kept so."""

    end = forms.CharField(label="Until", widget=LocalSeconds)
    why = forms.CharField(max_length=200, label="Why")

    def clean_end(self) -> int | None:
        return self._ms("end")
