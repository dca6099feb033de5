"""What every form of an act shares: the key that makes a double submit one event, time, tube codes.

Promises: a refusal is shown in the form that caused it, with its code, and nothing is lost of what was typed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from biobank.amend.undoing import undoable
from biobank.core import acted, codes
from custody.core.event import new_id
from custody.core.refusal import Refused


class TubeField(forms.CharField):
    """A scanned or typed tube code; cleans to nine characters."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_length": 40, "label": "Tube"} | given))
        self.widget.attrs |= {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}

    def clean(self, value: Any) -> str:
        text = super().clean(value)
        return checked(text) if text else ""


class TubesField(forms.CharField):
    """Many codes, one a line (a scanner types a line end after each); cleans to a list without repeats."""

    widget = forms.Textarea

    def clean(self, value: Any) -> Any:
        return list(dict.fromkeys(codes_in(super().clean(value) or "")))


class BagField(forms.CharField):
    """The label of a tube set's bag, or its set code; cleans to five characters."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_length": 40, "label": "Tube set"} | given))
        self.widget.attrs |= {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}

    def clean(self, value: Any) -> str:
        text = super().clean(value)
        try:
            return codes.bag(text) if text else ""
        except Refused as no:
            raise ValidationError(no.sentence, no.code) from no


class CelsiusField(forms.DecimalField):
    """Typed in °C, with a comma and a typographic minus if people like; cleans to hundredths, or None."""

    widget = forms.TextInput

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_digits": 5, "decimal_places": 2, "required": False} | given))
        self.widget.attrs |= {"inputmode": "text"}  # a numeric keypad may lack the minus

    def to_python(self, value: Any) -> Decimal | None:
        said: Decimal | None = super().to_python(
            str(value).replace("−", "-").replace(",", ".") if value else value
        )
        return said

    def clean(self, value: Any) -> Any:
        celsius: Decimal | None = super().clean(value)
        return None if celsius is None else int(celsius * 100)


def codes_in(text: str) -> list[str]:
    """The tube codes in a text, in its order, one a line or with commas between them.

    Raises ValidationError for the first that is none.
    """
    return [code for line in text.split("\n") if line.strip() for code in _of_line(line)]


def _of_line(line: str) -> list[str]:
    """A comma is between two codes, or it is the M of a scanner that types for a French keyboard."""
    parts = [part for part in line.split(",") if part.strip()]
    if len(parts) > 1 and (whole := _meant(line)):
        return [whole]
    return [checked(part) for part in parts]


def checked(text: str) -> str:
    """The tube code that this says, also when a scanner typed it for another keyboard layout and only one
    code can be meant; else ValidationError."""
    try:
        return codes.tube(text)
    except Refused as no:
        if code := _meant(text):
            return code
        wrong = acted.layout(text) if no.code == "code_malformed" and acted.strange(text) else no
        raise ValidationError(wrong.sentence, wrong.code) from no


def _meant(text: str) -> str:
    """The one tube that another keyboard layout leaves possible; empty when there is none."""
    try:
        found = acted.read(text)
    except Refused:
        return ""
    return found.text if found.kind == acted.TUBE and found.mended else ""


def named(no: Refused) -> str:
    """The sentence of a refusal, with the tube that it is about, said once."""
    shown = codes.show(no.tube) if no.tube and codes.is_valid(no.tube) else no.tube
    return f"{shown}: {no.sentence}" if shown and shown not in no.sentence else no.sentence


class LocalTime(forms.DateTimeInput):
    input_type = "datetime-local"

    def __init__(self) -> None:
        super().__init__(format="%Y-%m-%dT%H:%M", attrs={"step": "60"})


class ActForm(forms.Form):
    """A form that says something happened. `tz` is the zone in which times are typed."""

    key = forms.UUIDField(widget=forms.HiddenInput, initial=new_id)
    at = forms.CharField(required=False, label="When", help_text="Leave empty for now.", widget=LocalTime)

    def __init__(self, *args: Any, tz: str = "UTC", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.tz = tz
        self.order_fields([name for name in self.fields if name != "at"])

    def clean_key(self) -> str:
        return str(self.cleaned_data["key"])

    def clean_at(self) -> datetime | None:
        return moment(self.cleaned_data["at"], self.tz)


def coming(text: str, tz: str) -> datetime | None:
    """A typed local time as an aware moment, which may lie in the future; empty is None. In the hour that
    comes twice the first one counts. Raises ValidationError."""
    if not text:
        return None
    try:
        naive = datetime.fromisoformat(text)
    except ValueError as why:
        raise ValidationError("This is not a date and time.", "time_malformed") from why
    return naive.replace(tzinfo=ZoneInfo(tz)) if naive.tzinfo is None else naive


def moment(text: str, tz: str) -> datetime | None:
    """The same of something that has happened: the future is refused."""
    aware = coming(text, tz)
    if aware is not None and aware > timezone.now() + timedelta(minutes=5):
        raise ValidationError("This time lies in the future.", "time_in_future")
    return aware


def act_view(
    request: HttpRequest,
    form: forms.Form,
    template: str,
    do: Callable[[dict[str, Any]], str],
    context: Mapping[str, Any] | None = None,
    done: str = "Saved.",
) -> HttpResponse:
    """Ask, do, show: `do(cleaned_data)` returns where to go; a Refused becomes an error of the form."""
    if request.method == "POST" and form.is_valid():
        try:
            target = do(form.cleaned_data)
        except Refused as no:
            form.add_error(None, ValidationError(named(no), no.code))
        else:
            messages.success(request, done, extra_tags=undo_tag(request, form.cleaned_data))
            return redirect(target)
    status = 422 if form.is_bound and form.errors else 200
    return render(request, template, {**(context or {}), "form": form}, status=status)


def undo_tag(request: HttpRequest, said: Mapping[str, Any]) -> str:
    """`undo:<event>:<recorded>` on the message of an act that may be undone, for parts/messages.html."""
    who = getattr(request, "person", None)
    told = undoable(str(said["key"]), who.code) if who and said.get("key") else None
    return f"undo:{told.said.id}:{told.said.recorded_ms}" if told else ""
