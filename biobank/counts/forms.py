"""What people scan and type when they count.

Promises: nothing is checked here that the action checks, so that every way in refuses with the same code.
"""

from __future__ import annotations

from django import forms

from biobank.bench.forms import WholeNumber
from biobank.forms import ActForm

READY = {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}


class KeyForm(ActForm):
    """An act of now: the key, no time."""

    def __init__(self, *args: object, **given: object) -> None:
        super().__init__(*args, **given)  # type: ignore[arg-type]
        del self.fields["at"]


class DrawForm(KeyForm):
    wanted = WholeNumber(label="How many boxes", min_value=1, max_value=999, required=True)


class BoxForm(forms.Form):
    """A box that somebody wants to count now."""

    unit = forms.CharField(max_length=20, label="Box", widget=forms.TextInput(attrs=READY))


class ScanForm(KeyForm):
    """One scan. Its key finishes the count when the box itself is scanned."""

    scan = forms.CharField(
        max_length=80,
        label="Scan",
        help_text=(
            "With its slot if you like: A1, then the tube, or both in one line. ? is a label that nobody can "
            "read. Scan the box again when you are done."
        ),
        widget=forms.TextInput(attrs=READY | {"autofocus": True}),
    )


class RackForm(forms.Form):
    rack = forms.CharField(
        max_length=40_000,
        label="List of a rack reader",
        help_text="A slot and a code a line: A1,K7R2M-103-X. It takes the place of all that was read so far.",
        widget=forms.Textarea(attrs=READY | {"rows": 6}),
    )


class FinishForm(KeyForm):
    empty = forms.BooleanField(required=False, label="There is no tube in this box")


class CloseForm(KeyForm):
    note = forms.CharField(
        max_length=400, label="What was found and done",
        help_text="Put back into its slot, moved in the ledger, label printed anew, lost…",
    )  # fmt: skip
