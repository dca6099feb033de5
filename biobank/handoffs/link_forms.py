"""Forms of a one-time link: the sender's, and the four that a receiver without a login fills in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.core import codes
from biobank.forms import CelsiusField, TubesField, codes_in
from biobank.handoffs.links import DAYS, LEAST_DAYS, MOST_DAYS, Answer
from custody.core.event import new_id
from custody.core.reconcile import Reconciled
from custody.core.state import TubeState

MOST_SCANS = 1_000
SEAL = [("yes", "there, and not broken"), ("no", "broken, cut or tampered with"), ("none", "no seal on it")]
HERE = [("ok", "here, in order"), ("damaged", "here, damaged"), ("warm", "here, too warm")]
NOT_SCANNED = [("missing", "not here"), ("unreadable", "here, label cannot be read")]


class MakeForm(forms.Form):
    days = forms.IntegerField(
        label="Good for how many days", min_value=LEAST_DAYS, max_value=MOST_DAYS, initial=DAYS
    )


class CodeForm(forms.Form):
    """The code that was told apart: six digits, with spaces if people like."""

    code = forms.CharField(label="Code of six digits", max_length=20, strip=True)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["code"].widget.attrs |= {"inputmode": "numeric", "autocomplete": "off", "autofocus": True}

    def clean_code(self) -> str:
        digits = "".join(self.cleaned_data["code"].split()).replace("-", "")
        if not (len(digits) == 6 and digits.isascii() and digits.isdigit()):
            raise ValidationError("The code has six digits.", "code_digits")
        return digits


class CountForm(forms.Form):
    """Seal and count, before anything is shown of what should be there."""

    seal_intact = forms.ChoiceField(
        label="Seal on the container",
        choices=SEAL, initial="yes", widget=forms.RadioSelect,
    )  # fmt: skip
    seal = forms.CharField(
        label="Number of the seal, as you read it", required=False, max_length=40,
        widget=forms.TextInput({"autocomplete": "off", "spellcheck": "false"}),
    )  # fmt: skip
    counted = forms.IntegerField(
        label="How many tubes did you count?", min_value=0, max_value=1000,
        widget=forms.NumberInput({"inputmode": "numeric"}),
    )  # fmt: skip

    def clean_seal(self) -> str:
        return unseen_refused(self.cleaned_data["seal"])


class ScansField(TubesField):
    """Tube codes, one a line, each as often as it was scanned."""

    def clean(self, value: Any) -> list[str]:
        found = codes_in(forms.CharField.clean(self, value) or "")
        if len(found) > MOST_SCANS:
            raise ValidationError(f"At most {MOST_SCANS} codes at once.", "too_many_scans")
        return found


class ScanForm(forms.Form):
    scans = ScansField(
        label="Codes of the tubes", required=False, widget=forms.Textarea({"rows": 10}),
        help_text="Scan or type the code of each tube, one on a line.",
    )  # fmt: skip
    foreign = forms.CharField(
        label="Other labels in the container", required=False, max_length=800,
        widget=forms.Textarea({"rows": 2}), help_text="Labels that are not like K7R2M-103-X, one on a line.",
    )  # fmt: skip

    def clean_foreign(self) -> list[str]:
        lines = [
            " ".join(line.replace(",", " ").split())[:40]
            for line in self.cleaned_data["foreign"].splitlines()
        ]
        return [unseen_refused(line) for line in dict.fromkeys(lines) if line]


class ConfirmForm(forms.Form):
    """What was found, tube by tube, and who says so. `found`: what was scanned beside the list."""

    key = forms.UUIDField(widget=forms.HiddenInput, initial=new_id)
    centi_c = CelsiusField(label="Temperature in the container, °C")
    note = forms.CharField(label="Remark", required=False, max_length=300)
    name = forms.CharField(
        label="Your name", max_length=80, help_text="First name and family name, as you would sign.",
        widget=forms.TextInput({"autocomplete": "name"}),
    )  # fmt: skip

    def __init__(
        self, *args: Any, found: Reconciled, states: dict[str, TubeState], extra: Sequence[str], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.found, self.states, self.extra = found, states, list(extra)
        for code in [*found.missing, *found.ok]:
            choices = NOT_SCANNED if code in found.missing else HERE
            self.fields[f"r_{code}"] = forms.ChoiceField(choices=choices, label=codes.show(code))

    def clean_key(self) -> str:
        return str(self.cleaned_data["key"])

    def clean_note(self) -> str:
        return unseen_refused(self.cleaned_data["note"])

    def rows(self) -> list[tuple[TubeState, Any]]:
        """Each tube of the list with its field, those that were not scanned first."""
        return [(self.states[code], self[f"r_{code}"]) for code in [*self.found.missing, *self.found.ok]]

    def plain(self) -> list[Any]:
        return [self[name] for name in ("centi_c", "note", "name")]

    def results(self) -> dict[str, str]:
        said = {code: self.cleaned_data[f"r_{code}"] for code in [*self.found.missing, *self.found.ok]}
        return said | dict.fromkeys(self.extra, "extra")

    def answer(self, counted: dict[str, Any]) -> Answer:
        """With what was said at the count: seal, number, and an earlier count when there was one."""
        said, first = self.cleaned_data, counted.get("first")
        before = f"Counted {first} before the list was shown, then again." if first is not None else ""
        bare = "No seal was on the container." if counted["bare"] else ""
        return Answer(
            self.results(), counted["counted"], said["name"], counted["seal_intact"], counted["seal"],
            said["centi_c"], self.found.foreign, self.found.again,
            " ".join(one for one in (said["note"], bare, before) if one),
        )  # fmt: skip


def unseen_refused(text: str) -> str:
    """Text without control characters: those that turn the direction of writing could hide what it says."""
    if not text.replace("\n", " ").replace("\r", " ").isprintable():
        raise ValidationError("This holds control characters. Type it anew.", "text_malformed")
    return text
