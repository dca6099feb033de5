"""What a receiver types, step by step: seal and count, scans, what did not match, the rest."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.core import codes
from biobank.forms import ActForm, CelsiusField, TubesField
from biobank.handoffs import own_numbers
from biobank.handoffs.conditions import CONDITIONS
from biobank.handoffs.receive_draft import SEALS, Compared, Draft, read
from biobank.templatetags.words import matrix_words, volume
from custody.core.refusal import Refused
from custody.core.state import TubeState
from custody.record import MOST_LINES

PLAIN = {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
SCANNED = "One code a line; the scanner types the line end. Type ? for a tube whose label cannot be read."
REST = [("missing", "They are missing."), ("later", "They come with a later part; they stay open.")]


def lines(rows: int, **more: Any) -> forms.Textarea:
    return forms.Textarea(attrs=PLAIN | {"rows": rows} | more)


class CountForm(forms.Form):
    """The seal is read and the tubes are counted before anything is shown of what was sent."""

    seal_state = forms.ChoiceField(label="Seal on the container", choices=SEALS, widget=forms.RadioSelect)
    seal = forms.CharField(
        label="Seal number as you read it", required=False, max_length=120,
        help_text="Several with commas between them.", widget=forms.TextInput(attrs=PLAIN),
    )  # fmt: skip
    counted = forms.CharField(
        label="Tubes counted by hand", max_length=12, help_text="Count what is there, before you scan.",
        widget=forms.TextInput(attrs=PLAIN | {"inputmode": "numeric"}),
    )  # fmt: skip

    def clean_counted(self) -> int:
        text = self.cleaned_data["counted"].strip()
        if not (text.isascii() and text.isdecimal()):
            raise ValidationError("A count is a whole number, 0 or more.", "count_not_a_number")
        if int(text) > MOST_LINES:
            raise ValidationError(f"One answer is about {MOST_LINES} tubes at most.", "too_many_lines")
        return int(text)


class ScansField(forms.CharField):
    """Codes of ours, foreign ones and `?`, one a line; cleans to the text, once it can be read."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"required": False, "max_length": 60_000, "strip": False} | given))

    def clean(self, value: Any) -> Any:
        text = super().clean(value) or ""
        read(text)
        return text


class ScanForm(forms.Form):
    scans = ScansField(label="Every tube that is there", help_text=SCANNED, widget=lines(10, autofocus=True))


class CompareForm(forms.Form):
    """What did not match, and what is odd about a tube. Choices are what the comparison found."""

    more = ScansField(label="Scan on", help_text=SCANNED, widget=lines(3))
    unreadable = forms.MultipleChoiceField(
        label="Here, but the label cannot be read", required=False, widget=forms.CheckboxSelectMultiple,
        help_text="Compare by eye. It stays with the sender until it has a new label and was scanned.",
    )  # fmt: skip
    extra = forms.MultipleChoiceField(
        label="Here, and not on the list", required=False, widget=forms.CheckboxSelectMultiple,
        help_text="Tick each that you have in your hand. It stays with its holder until they hand it off.",
    )  # fmt: skip
    twins = forms.MultipleChoiceField(
        label="Two tubes carry this code", required=False, widget=forms.CheckboxSelectMultiple,
        help_text="Tick only what you see with your own eyes. Set both aside.",
    )  # fmt: skip
    rest = forms.ChoiceField(
        label="Those that are not here", required=False, choices=REST, widget=forms.RadioSelect
    )
    condition = forms.ChoiceField(
        label="Condition",
        required=False,
        choices=[("", "choose")] + [(one.word, one.title) for one in CONDITIONS],
    )
    odd = TubesField(label="Scan the tubes that are so", required=False, widget=lines(2))
    own = forms.CharField(
        label="Your own numbers", required=False, max_length=60_000, strip=False, widget=lines(3),
        help_text="One tube a line: its code, a tab, your number. A list can be pasted from a spreadsheet.",
    )  # fmt: skip

    def __init__(self, *args: Any, draft: Draft, seen: Compared, **kwargs: Any) -> None:
        start = {
            "unreadable": draft.unreadable, "extra": draft.extra, "twins": draft.twins, "rest": draft.rest,
            "own": draft.own,
        }  # fmt: skip
        super().__init__(*args, initial=start, **kwargs)
        self.seen = seen
        maybe = {tube: _said(tube, seen.open[tube]) for tube in seen.found.missing}
        extra = {tube: _said(tube, seen.states[tube]) for tube in seen.found.extra}
        offered = {
            "unreadable": maybe, "extra": extra,
            "twins": {code: shown(code) for code in (seen.repeated if seen.over > 0 else ())},
        }  # fmt: skip
        for name, choices in offered.items():
            self.fields[name].choices = list(choices.items())  # type: ignore[attr-defined]
            if not choices:
                del self.fields[name]
        if not seen.found.missing:
            del self.fields["rest"]

    def clean_own(self) -> str:
        text: str = self.cleaned_data["own"]
        try:
            own_numbers.check(own_numbers.listed(text), set(self.seen.found.ok))
        except Refused as no:
            raise ValidationError(no.sentence, no.code) from no
        return text

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or {}
        odd = said.get("odd") or []
        if odd and not said.get("condition"):
            self.add_error(
                "condition", ValidationError("Say what these tubes are like.", "condition_unknown")
            )
        known = {*self.seen.here, *(said.get("unreadable") or [])}
        for tube in [tube for tube in odd if tube not in known][:1]:
            sentence = f"{shown(tube)} is not among the tubes that were scanned."
            self.add_error("odd", ValidationError(sentence, "condition_contradicts"))
        return said

    def into(self, draft: Draft) -> None:
        """Take what was said into the draft."""
        said = self.cleaned_data
        if said["more"].strip():
            draft.scans = "\n".join([draft.scans.rstrip("\r\n"), said["more"]])
        for name in ("unreadable", "extra", "twins"):
            if name in said:
                setattr(draft, name, list(said[name]))
        draft.rest = said.get("rest") or draft.rest
        draft.own = said["own"]
        draft.conditions |= dict.fromkeys(said["odd"], said["condition"])


def shown(code: str) -> str:
    return codes.show(code) if codes.is_valid(code) else code


def _said(tube: str, state: TubeState) -> str:
    """What somebody who holds a tube compares it with by eye."""
    ul = "" if state.volume_ul is None else volume(state.volume_ul)
    return ", ".join(part for part in (shown(tube), state.label, matrix_words(state.matrix), ul) if part)


class ConfirmForm(ActForm):
    """Temperatures and what is left to say, and the key that makes two presses one answer."""

    centi_c = CelsiusField(label="Temperature by probe, °C")
    low_centi = CelsiusField(label="Lowest that the logger saw, °C")
    high_centi = CelsiusField(label="Highest that the logger saw, °C")
    logger = forms.CharField(label="Logger number", required=False, max_length=40)
    coolant = forms.CharField(
        label="Coolant that is left",
        required=False,
        max_length=80,
        help_text="For example: dry ice, about 2 kg.",
    )
    note = forms.CharField(label="Note", required=False, max_length=500)
