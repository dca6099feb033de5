"""Forms of field days."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.core import codes
from biobank.field.drawing import REASONS
from biobank.forms import ActForm
from biobank.models import Programme, Site

from .account import Account, Number
from .actions import NO_PARENT, NOT_MADE


class DayForm(ActForm):
    """A new field day."""

    site = forms.ModelChoiceField(Site.objects.none(), empty_label=None)
    date = forms.DateField(widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"))
    expected = forms.IntegerField(label="Animals expected", min_value=0, max_value=500, initial=0)

    def __init__(self, *args: Any, programme: Programme, **kwargs: Any) -> None:
        super().__init__(*args, tz=programme.tz, **kwargs)
        self.fields["site"].queryset = programme.sites.all()
        del self.fields["at"]


class KeyForm(ActForm):
    """A button: nothing is asked."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]


class LeftOverForm(KeyForm):
    """A button over one of the two groups of labels that were left over."""

    GROUPS = {"no_parent": NO_PARENT, "not_made": NOT_MADE}
    which = forms.ChoiceField(choices=list(GROUPS.items()), widget=forms.HiddenInput)

    @property
    def reason(self) -> str:
        return self.GROUPS[self.cleaned_data["which"]]

    def chosen(self) -> Callable[[Account], Sequence[Number]]:
        if self.cleaned_data["which"] == "no_parent":
            return lambda account: account.without_parent
        return lambda account: account.not_made


class Numbers(forms.MultipleChoiceField):
    """Numbers that are offered; one that was accounted for meanwhile is for the action to say no to."""

    widget = forms.CheckboxSelectMultiple

    def valid_value(self, value: Any) -> bool:
        return codes.is_valid(str(value))


class MissedForm(KeyForm):
    """Numbers that were not collected, and why."""

    everything = forms.BooleanField(required=False, label="All of these")
    tubes = Numbers(required=False, label="Or only")
    why = forms.ChoiceField(choices=[("", "Choose a reason"), *REASONS], label="Why not collected")
    note = forms.CharField(max_length=200, required=False, label="In other words")

    def __init__(self, *args: Any, numbers: Sequence[Number], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.numbers = numbers
        self.fields["tubes"].choices = [
            (one.code, f"{codes.show(one.code)} {one.tube.label}") for one in numbers
        ]

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        if not said.get("everything") and not said.get("tubes") and "tubes" not in self.errors:
            self.add_error("tubes", ValidationError("Choose the numbers.", "nothing_said"))
        if said.get("why") == "other" and not said.get("note", "").strip():
            self.add_error("note", ValidationError("Say why they were not collected.", "reason_required"))
        return said

    @property
    def reason(self) -> str:
        said = self.cleaned_data
        return (
            said["note"].strip()
            if said["why"] == "other"
            else ": ".join(filter(None, [said["why"], said["note"].strip()]))
        )

    def chosen(self) -> Callable[[Account], Sequence[Number]]:
        every, wanted = self.cleaned_data["everything"], set(self.cleaned_data["tubes"])
        return lambda account: [one for one in account.to_do if every or one.code in wanted]


class CloseForm(KeyForm):
    """The sign-off of a day."""

    note = forms.CharField(
        max_length=80,
        required=False,
        label="Why it may stand",
        help_text="Needed while something looks wrong.",
    )


class ReopenForm(KeyForm):
    """A closed day that is opened again."""

    reason = forms.CharField(max_length=80, label="Why")
