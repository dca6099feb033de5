"""What people type about who an animal is."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.core import chip
from biobank.labels.content import printable
from biobank.models import Animal, AnimalMerge, Identifier, Person, Workup
from custody.core.canon import nfc
from custody.core.refusal import Refused

from . import queries

DATE = forms.DateInput({"type": "date"}, format="%Y-%m-%d")


class PlainText(forms.CharField):
    """Text that a label could show."""

    def clean(self, value: Any) -> str:
        try:
            return str(nfc(printable(super().clean(value))))
        except Refused as no:
            raise ValidationError(no.sentence, no.code) from no


class FindForm(forms.Form):
    q = forms.CharField(
        label="Chip, tag, brand, field number or code", max_length=40, required=False,
        widget=forms.TextInput({"autocomplete": "off", "spellcheck": "false"}),
    )  # fmt: skip


class ChipForm(forms.Form):
    """A chip as its reader types it."""

    text = forms.CharField(
        label="Chip", max_length=60,
        widget=forms.TextInput({"autocomplete": "off", "spellcheck": "false", "inputmode": "numeric"}),
        help_text="Read it with the reader, which types here, or type its 15 digits.",
    )  # fmt: skip
    as_read = forms.BooleanField(required=False, label="It is an older chip with 9 or 10 characters")
    reason = PlainText(
        required=False,
        max_length=90,
        label="Why",
        help_text="Only when it says another animal than stands here.",
    )


class IdentifierForm(forms.Form):
    """Something that an animal bears from now on."""

    kind = forms.ChoiceField(choices=Identifier.Kind.choices)
    text = PlainText(label="Reads", max_length=40)
    as_read = forms.BooleanField(required=False, label="It is an older chip with 9 or 10 characters")
    side = forms.ChoiceField(choices=[("", "not noted"), *Identifier.Side.choices], required=False)
    since = forms.DateField(widget=DATE, label="Since")
    source = PlainText(label="Who says so", max_length=80, required=False)
    warnings: tuple[str, ...] = ()

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        as_read = said.pop("as_read", False)
        if said.get("kind") == Identifier.Kind.CHIP and said.get("text"):
            try:
                found = (chip.older if as_read else chip.read)(said["text"])
                said["text"], self.warnings = found.text, found.warnings
            except Refused as no:
                self.add_error("text", ValidationError(no.sentence, no.code))
        return said


class EndForm(forms.Form):
    until = forms.DateField(widget=DATE, label="Last day")
    reason = PlainText(label="Why it ends", max_length=90, help_text="Lost, removed, read wrongly.")


class MergeForm(forms.Form):
    """Another row that is the same animal."""

    gone = forms.ModelChoiceField(
        Animal.objects.none(), label="Is the same animal as", empty_label="Choose it"
    )
    kind = forms.ChoiceField(choices=AnimalMerge.Proof.choices, label="Shown by")
    proof = PlainText(label="What it is that shows it", max_length=200)

    def __init__(self, *args: Any, who: Person, rows: list[Animal], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field: Any = self.fields["gone"]
        field.queryset = queries.others(who, rows)
        field.label_from_instance = named


def named(animal: Animal) -> str:
    borne = [str(one) for one in animal.identifiers.all() if one.until is None]
    return ", ".join([f"{animal.code}: {animal.species}", *borne])


class UndoMergeForm(forms.Form):
    reason = PlainText(label="What shows that they are two", max_length=200)


class SplitForm(forms.Form):
    """What of an animal is really another one's."""

    workups = forms.ModelMultipleChoiceField(
        None, required=False, widget=forms.CheckboxSelectMultiple, label="Captures of the other one"
    )
    identifiers = forms.ModelMultipleChoiceField(
        None, required=False, widget=forms.CheckboxSelectMultiple, label="What the other one bears"
    )
    proof = PlainText(label="What shows that they are two", max_length=200)

    def __init__(self, *args: Any, animal: Animal, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        fields: Any = self.fields
        rows = queries.individual(animal)
        fields["workups"].queryset = Workup.objects.filter(animal__in=rows).order_by("code")
        fields["identifiers"].queryset = Identifier.objects.filter(animal__in=rows)
