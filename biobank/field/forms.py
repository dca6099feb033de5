"""Forms of the field pages. They clean what was typed; whether it may be is for the actions to say."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from biobank.core import codes
from biobank.forms import ActForm, CelsiusField, LocalTime, TubeField, moment
from biobank.models import Animal, Girth, Identifier, Programme, Sex, Workup

from .drawing import REASONS
from .queries import TubeRow
from .scanning import Sent

BEACH = "tubes"  # the one form of the page of a workup to which taps anywhere on it belong


class Millilitres(forms.DecimalField):
    """A volume as people say it, in mL with point or comma; cleans to whole microlitres."""

    widget = forms.TextInput

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_digits": 7, "decimal_places": 3, "required": False} | given))
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off", "size": "6"}

    def to_python(self, value: Any) -> Decimal | None:
        return super().to_python(str(value).strip().replace(",", ".") if value else None)

    def clean(self, value: Any) -> int | None:
        ml = super().clean(value)
        return None if ml is None else int(ml * 1000)


class LocalMoment(forms.CharField):
    """A date and time typed in the programme's zone; cleans to an aware moment or None."""

    def __init__(self, tz: str, **given: Any) -> None:
        super().__init__(**({"required": False, "widget": LocalTime()} | given))
        self.tz = tz

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, datetime):
            return value.astimezone(ZoneInfo(self.tz)).strftime("%Y-%m-%dT%H:%M")
        return value

    def clean(self, value: Any) -> datetime | None:
        return moment(super().clean(value), self.tz)


class AnimalChoice(forms.ModelChoiceField):
    """Animals by code and what they are called in the field."""

    def __init__(self, programme: Programme, **given: Any) -> None:
        found = Animal.objects.filter(programme=programme).prefetch_related("identifiers")
        super().__init__(found, **given)

    def label_from_instance(self, animal: Any) -> str:
        borne = [str(one) for one in animal.identifiers.all() if one.until is None]
        return ", ".join([f"{animal.code}: {animal.species}", *borne])


class BeachForm(ActForm):
    """A scan or a tap beside the animal. Which button was pressed is read from what was sent."""

    scan = forms.CharField(max_length=60, required=False, label="Scan")
    note = forms.CharField(max_length=300, required=False, label="Note", help_text="Kept with the tubes.")
    reason = forms.ChoiceField(
        choices=[("", "Choose why"), *REASONS], required=False, label="Why they stay empty"
    )
    over_limit = forms.BooleanField(
        required=False, label="The blood is in the tube already; the note says why"
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["at"].label = "Filled at another time than now"
        self.fields["at"].help_text = ""
        typed = {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        self.fields["scan"].widget.attrs |= typed
        for name in ["at", "note", "reason", "over_limit"]:  # they stand elsewhere on the page
            self.fields[name].widget.attrs |= {"form": BEACH}

    def sent(self) -> Sent:
        said = self.cleaned_data
        return Sent(said["key"], said["at"], said["note"].strip(), said["over_limit"])


class ShortForm(ActForm):
    """A tube that was filled holds less: quarters of it by a button, or so many mL."""

    tube = TubeField(widget=forms.HiddenInput)
    ml = Millilitres(label="mL")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]


class TapForm(ActForm):
    """One time of the clock, now, or the tap of a moment ago taken back."""

    tap = forms.CharField(max_length=20, required=False)
    untap = forms.CharField(max_length=20, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]


class ScanAnyForm(ActForm):
    """The first scan of an animal, before its page is open: any tube of it, or the label of its bag."""

    code = forms.CharField(max_length=60, label="Tube or bag")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]


class Measured(forms.DecimalField):
    """A number as people type it, with point or comma, in units of `per` of what is stored."""

    widget = forms.TextInput

    def __init__(self, per: int, **given: Any) -> None:
        super().__init__(**({"max_digits": 12, "decimal_places": 3, "required": False} | given))
        self.per = per
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off"}

    def to_python(self, value: Any) -> Decimal | None:
        return super().to_python(str(value).strip().replace(",", ".") if value else None)

    def prepare_value(self, value: Any) -> Any:
        return f"{value / self.per:g}" if isinstance(value, int) else value

    def clean(self, value: Any) -> int | None:
        said = super().clean(value)
        return None if said is None else round(said * self.per)


class VitalsForm(ActForm):
    """What was read at one time."""

    temp = CelsiusField(label="Temperature, °C")
    heart = forms.IntegerField(required=False, label="Heart, a minute", max_value=99_999, min_value=0)
    breaths = forms.IntegerField(required=False, label="Breaths, a minute", max_value=99_999, min_value=0)
    why = forms.CharField(max_length=90, required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(["temp", "heart", "breaths", "at"])

    def readings(self) -> dict[str, int]:
        said = {name: self.cleaned_data[name] for name in ("temp", "heart", "breaths")}
        return {name: value for name, value in said.items() if value is not None}


class MeasuresForm(ActForm):
    """Mass, length and girths, as they shall stand."""

    mass_g = Measured(1000, label="Mass, kg")
    mass_estimated = forms.BooleanField(required=False, label="Mass is estimated")
    length_mm = Measured(10, label="Standard length, cm")
    girth_mm = Measured(10, label="Axillary girth, cm")
    why = forms.CharField(max_length=90, required=False, label="Why it changes")

    def __init__(self, *args: Any, workup: Workup, girths: Sequence[Girth] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
        there = {one.place: one.mm for one in girths}
        for place, words in Girth.Place.choices:
            self.fields[f"girth_{place}"] = Measured(
                10, label=f"Girth, {words.lower()}, cm", initial=there.get(place)
            )
        for name in self.OF_WORKUP:
            self.fields[name].initial = getattr(workup, name)
        if not workup.day.closed:
            del self.fields["why"]

    OF_WORKUP = ["mass_g", "mass_estimated", "length_mm", "girth_mm"]

    def measured(self) -> dict[str, int | bool | None]:
        return {name: self.cleaned_data[name] for name in self.OF_WORKUP}

    def girths(self) -> dict[str, int | None]:
        return {place: self.cleaned_data[f"girth_{place}"] for place in Girth.Place.values}


class ClockForm(ActForm):
    """The clock of a workup."""

    reason = forms.CharField(
        max_length=90, required=False, label="Why", help_text="Needed when a time that stands changes."
    )

    def __init__(self, *args: Any, workup: Workup, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
        for name in Workup.CLOCK:
            label = name.replace("_", " ").capitalize()
            self.fields[name] = LocalMoment(self.tz, label=label, initial=getattr(workup, name))
        self.order_fields([*Workup.CLOCK, "reason"])

    def clock(self) -> dict[str, datetime | None]:
        return {name: self.cleaned_data[name] for name in Workup.CLOCK}


class IdentifyForm(ActForm):
    """Which known animal it was."""

    reason = forms.CharField(
        max_length=90, required=False, label="Why", help_text="Needed when another animal stands there."
    )

    def __init__(self, *args: Any, programme: Programme, **kwargs: Any) -> None:
        super().__init__(*args, tz=programme.tz, **kwargs)
        del self.fields["at"]
        self.fields["animal"] = AnimalChoice(programme, empty_label="Choose an animal")
        self.order_fields(["animal", "reason"])


class NewAnimalForm(ActForm):
    """An animal that was never met before."""

    species = forms.CharField(max_length=80)
    sex = forms.ChoiceField(choices=Sex.choices, initial=Sex.UNKNOWN)
    kind = forms.ChoiceField(choices=Identifier.Kind.choices, label="Known by")
    text = forms.CharField(max_length=40, label="Which reads", help_text="A chip reader may type here.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]


class ReprintForm(ActForm):
    """Labels that are printed a second time."""

    tubes = forms.MultipleChoiceField(
        required=False, help_text="Choose none for the whole set.", widget=forms.CheckboxSelectMultiple
    )
    reason = forms.CharField(max_length=80, label="Why")

    def __init__(self, *args: Any, rows: Sequence[TubeRow], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["tubes"].choices = [
            (row.code, f"{codes.show(row.code)} {row.tube.label}") for row in rows
        ]
        del self.fields["at"]


class VoidForm(ActForm):
    """A set that is taken out of use."""

    reason = forms.CharField(max_length=90, label="Why")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
