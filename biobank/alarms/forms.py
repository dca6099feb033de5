"""What people type about alarms.

Promises: nothing is checked here that the action checks, so that every way in refuses with the same code.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django import forms
from django.db.models import QuerySet

from biobank.bench.forms import WholeNumber
from biobank.counts.forms import KeyForm
from biobank.forms import CelsiusField, LocalTime, coming
from biobank.models import AlarmTest, Person


class WhyForm(KeyForm):
    why = forms.CharField(max_length=400, label="Reason")


class SeenForm(KeyForm):
    why = forms.CharField(
        max_length=400,
        label="What it is, and what you do",
        help_text="For example: door was open, closed it. Or: compressor stands still, evacuating.",
    )


class LimitsForm(KeyForm):
    above = CelsiusField(label="Alarm above, °C", help_text="Empty: no such limit.")
    below = CelsiusField(label="Alarm below, °C", help_text="For a fridge, against frost.")
    delay_min = WholeNumber(
        label="Delay, minutes", required=True, min_value=0, max_value=10_080,
        help_text="So long beyond the limit before it is an alarm; and so long in range before it is over.",
    )  # fmt: skip
    silence_min = WholeNumber(
        label="No data, minutes", required=True, min_value=1, max_value=43_200,
        help_text="Without a reading for so long is an alarm of its own. More than two recording intervals.",
    )  # fmt: skip
    active = forms.BooleanField(required=False, label="Watch this unit")
    why = forms.CharField(max_length=100, label="Reason")


class OnCallForm(KeyForm):
    person = forms.ModelChoiceField(Person.objects.none(), label="Who")
    email = forms.EmailField(label="E-mail")
    rank = WholeNumber(label="Number", required=True, min_value=1, max_value=9, help_text="1 is told first.")
    after_min = WholeNumber(
        label="After, minutes", required=True, min_value=0, max_value=1440,
        help_text="For number 2 and on: told when nobody acknowledged for so long after the one before.",
    )  # fmt: skip
    start = forms.CharField(label="From", widget=LocalTime)
    stop = forms.CharField(
        label="Until", required=False, widget=LocalTime, help_text="Empty: until it is ended."
    )
    why = forms.CharField(max_length=100, label="Reason")

    def __init__(self, *args: Any, people: QuerySet[Person] | None = None, **given: Any) -> None:
        super().__init__(*args, **given)
        if people is not None:
            self.fields["person"].queryset = people  # type: ignore[attr-defined]

    def clean_start(self) -> datetime | None:
        return coming(self.cleaned_data["start"], self.tz)

    def clean_stop(self) -> datetime | None:
        return coming(self.cleaned_data["stop"], self.tz)


class EndOnCallForm(KeyForm):
    stop = forms.CharField(label="Until", widget=LocalTime)
    why = forms.CharField(max_length=100, label="Reason")

    def clean_stop(self) -> datetime | None:
        return coming(self.cleaned_data["stop"], self.tz)


class AnswerForm(KeyForm):
    result = forms.ChoiceField(
        label="Did it come?", choices=AlarmTest._meta.get_field("result").choices, widget=forms.RadioSelect
    )
    note = forms.CharField(
        max_length=400, required=False, label="What was done", help_text="Needed when it came late or not."
    )
