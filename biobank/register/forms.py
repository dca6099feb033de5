"""Forms of people, agencies and sites."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core.exceptions import ValidationError

from biobank.labels.content import printable
from biobank.models import Agency, Person, Programme, Role
from biobank.models.people import CODE
from custody.core.canon import nfc
from custody.core.refusal import Refused


class NameField(forms.CharField):
    """A name that people read: no control characters, in the composed form."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_length": 120} | given))

    def clean(self, value: Any) -> str:
        try:
            return str(nfc(printable(super().clean(value))))
        except Refused as no:
            raise ValidationError(no.sentence, no.code) from no


def code_field(most: int, hint: str) -> forms.CharField:
    return forms.CharField(label="Code", max_length=most, validators=[CODE], help_text=hint)


class AgencyForm(forms.Form):
    code = code_field(12, "Stands in the ledger for ever, so it cannot change later.")
    name = NameField(label="Name")


class SiteForm(forms.Form):
    code = code_field(12, "Short; stands on lists.")
    name = NameField(label="Name", help_text="Do not write coordinates here.")


class PersonForm(forms.Form):
    """Somebody new, or (with `person`) what changes about somebody."""

    code = code_field(12, "Stands in the ledger in place of the name, and cannot change later.")
    name = NameField(label="Name")
    agency = forms.ModelChoiceField(Agency.objects.all(), empty_label=None)
    role = forms.ChoiceField(choices=Role.choices)
    veterinarian = forms.BooleanField(
        required=False,
        label="Veterinarian of the programme",
        help_text="Sets blood limits and may raise them.",
    )
    reason = forms.CharField(max_length=90, label="Why it changes")

    def __init__(self, *args: Any, person: Person | None = None, **kwargs: Any) -> None:
        initial = (
            {name: getattr(person, name) for name in ("name", "agency", "role", "veterinarian")}
            if person
            else {}
        )
        super().__init__(*args, initial=initial, **kwargs)
        del self.fields["code" if person else "reason"]


class LoginForm(forms.Form):
    username = forms.CharField(label="User name", max_length=150, validators=[UnicodeUsernameValidator()])

    def __init__(self, *args: Any, person: Person, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if person.user_id:
            del self.fields["username"]


class EndForm(forms.Form):
    reason = forms.CharField(max_length=80, label="Why the login ends")


class ProgrammeForm(forms.Form):
    name = NameField(label="Name of the programme")
    tz = forms.CharField(
        label="Time zone", max_length=64, help_text="Like Europe/Oslo. Times said so far keep theirs."
    )
    net_limit_min = forms.IntegerField(
        label="Longest since the net closed, minutes", required=False, min_value=1, max_value=10_000,
        help_text="Empty: no limit. Permit and veterinarian say how long an animal may be in hand.",
    )  # fmt: skip
    hand_limit_min = forms.IntegerField(
        label="Longest out of water, minutes", required=False, min_value=1, max_value=10_000
    )
    hurry_pct = forms.IntegerField(label="Hurry from, % of a limit", min_value=1, max_value=100)
    reason = forms.CharField(max_length=90, label="Why it changes")

    def __init__(self, *args: Any, programme: Programme, **kwargs: Any) -> None:
        names = ["name", "tz", "net_limit_min", "hand_limit_min", "hurry_pct"]
        super().__init__(*args, initial={one: getattr(programme, one) for one in names}, **kwargs)


__all__ = ["AgencyForm", "EndForm", "LoginForm", "NameField", "PersonForm", "ProgrammeForm", "SiteForm"]
