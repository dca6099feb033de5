"""Adding a rotor, changing one, and taking one out of use."""

from __future__ import annotations

from django import forms

from biobank.register.forms import NameField


class RotorForm(forms.Form):
    name = NameField(label="Name", max_length=60, help_text="As it stands on the rotor.")
    places = forms.IntegerField(
        min_value=2, max_value=200, help_text="An even number: each has one opposite."
    )
    radius_mm = forms.IntegerField(
        label="Radius, mm", min_value=1, max_value=1000, help_text="From the axis to the middle of the tube."
    )
    max_rpm = forms.IntegerField(label="Largest speed, rpm", min_value=1, max_value=200_000)


class ReasonForm(forms.Form):
    reason = NameField(label="Reason", max_length=100, help_text="Kept with the change.")


class RotorChangeForm(RotorForm, ReasonForm):
    """The same with why; what stands there now is filled in."""

    field_order = ("name", "places", "radius_mm", "max_rpm", "reason")
