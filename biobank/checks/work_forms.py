"""What people type when they decide about findings.

Promises: nothing is checked here that the action checks, so that every way in refuses with the same code.
"""

from __future__ import annotations

from typing import Any

from django import forms

from biobank.checks.gate import choices
from biobank.forms import TubesField
from custody.core.event import new_id

LONGEST = 500
KNOWN = {"list": "rules", "autocomplete": "off", "spellcheck": "false"}  # the page lists them in #rules


class KeyForm(forms.Form):
    """A decision is made now, so there is no time to type."""

    key = forms.UUIDField(widget=forms.HiddenInput, initial=new_id)

    def clean_key(self) -> str:
        return str(self.cleaned_data["key"])


class Reason(forms.CharField):
    widget = forms.Textarea

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_length": LONGEST, "label": "Reason"} | given))
        self.widget.attrs |= {"rows": "3"}


class AskForm(KeyForm):
    """Which finding, for which tubes, why."""

    rule = forms.ChoiceField(label="Finding", widget=forms.RadioSelect)
    tubes = TubesField(
        label="Tubes", help_text="Each must be stopped by this same finding. One on a line.",
        widget=forms.Textarea(attrs={"rows": 3}),
    )  # fmt: skip
    reason = Reason(help_text="What makes the tube good enough for this analysis all the same.")

    def __init__(self, *args: Any, rules: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["rule"].choices = rules  # type: ignore[attr-defined]


class AnswerForm(KeyForm):
    granted = forms.ChoiceField(
        label="Answer", widget=forms.RadioSelect,
        choices=[("yes", "Grant: these tubes may go to this analysis"), ("no", "Decline")],
    )  # fmt: skip
    reason = Reason(help_text="Kept with the answer.")

    def clean_granted(self) -> bool:
        return bool(self.cleaned_data["granted"] == "yes")


class FileForm(KeyForm):
    rule = forms.CharField(
        label="Rule", max_length=40, help_text="The code of the rule that they fail, as on their page.",
        widget=forms.TextInput(attrs=KNOWN),
    )  # fmt: skip
    tubes = TubesField(
        label="Tubes", help_text="Each must fail this rule now. One on a line.",
        widget=forms.Textarea(attrs={"rows": 4}),
    )  # fmt: skip
    reason = Reason(help_text="What happened, as far as it is known.")

    def clean_rule(self) -> str:
        return str(self.cleaned_data["rule"]).strip()


class CloseForm(KeyForm):
    reason = Reason(
        label="What was done", help_text="What was found out, and what keeps it from happening again."
    )


class WorkForm(forms.Form):
    """What the work list is narrowed to."""

    severity = forms.ChoiceField(
        required=False, label="Severity",
        choices=[("", "any"), ("stop", "stop"), ("caution", "caution"), ("note", "note")],
    )  # fmt: skip
    answer = forms.ChoiceField(
        required=False,
        label="Answer",
        choices=[("", "any"), ("fail", "fails"), ("cannot_tell", "cannot tell")],
    )
    assay = forms.ChoiceField(required=False, label="Analysis")
    rule = forms.CharField(required=False, label="Rule", max_length=40, widget=forms.TextInput(attrs=KNOWN))
    unit = forms.CharField(required=False, label="Stands in", max_length=20)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["assay"].choices = [("", "any"), *choices()[1:]]  # type: ignore[attr-defined]
