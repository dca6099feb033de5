"""What is asked when somebody settles something: always why."""

from __future__ import annotations

from typing import Any

from django import forms

from biobank.forms import ActForm
from biobank.models import Agency, Person
from biobank.models.people import CODE


class WhyForm(forms.Form):
    """A sentence that stays with the decision."""

    note = forms.CharField(
        label="What you found", max_length=500, widget=forms.Textarea(attrs={"rows": 3}),
        help_text="It stays with the decision, under your name.",
    )  # fmt: skip


class CloseForm(ActForm):
    """Closing a finding is an event, so it has a key; it happens now."""

    note = forms.CharField(
        label="What is true", max_length=500, widget=forms.Textarea(attrs={"rows": 3}),
        help_text="It stays in the history of the tube, under your name.",
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]


class DeviceForm(forms.Form):
    """A phone, tablet or scanner that may send what it noted without network."""

    code = forms.CharField(
        max_length=40, validators=[CODE], label="Code", help_text="Stands on the device, for example SSS-T1."
    )
    label = forms.CharField(max_length=80, label="What it is", help_text="For example: red tablet of boat 2.")
    agency = forms.ModelChoiceField(Agency.objects.order_by("name"), label="Speaks for", to_field_name="code")
    person = forms.ModelChoiceField(
        Person.objects.none(), required=False, label="Only used by", to_field_name="code",
        help_text="Leave empty when several people share it.",
    )  # fmt: skip
    public_key = forms.CharField(
        required=False, max_length=400, label="Public key", widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Shown by the device, in base64. With it, nobody else can speak in its name.",
    )  # fmt: skip

    def __init__(self, *args: Any, programme: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people: Any = self.fields["person"]
        people.queryset = Person.objects.filter(programme=programme).order_by("name")

    def clean_public_key(self) -> str:
        return "".join(self.cleaned_data["public_key"].split())
