"""What people scan and type when a freezer fails.

Promises: nothing is checked here that the action checks, so that every way in refuses with the same code.
"""

from __future__ import annotations

from datetime import datetime

from django import forms

from biobank.counts.forms import READY, KeyForm
from biobank.forms import CelsiusField, LocalTime, moment


class BeginForm(KeyForm):
    why = forms.CharField(
        max_length=400, label="What happened", help_text="Alarm, display, door, power, nitrogen…"
    )
    warm_since = forms.CharField(
        required=False, label="Warming since", widget=LocalTime, help_text="Leave empty when nobody knows."
    )

    def clean_warm_since(self) -> datetime | None:
        return moment(self.cleaned_data["warm_since"], self.tz)


class ScanForm(KeyForm):
    """One scan. hold: codes that were scanned before and wait for their place."""

    scan = forms.CharField(
        max_length=40,
        label="Scan",
        help_text="A box or rack as it comes out, then the rack, shelf, freezer or cooler where it goes.",
        widget=forms.TextInput(attrs=READY | {"autofocus": True}),
    )
    hold = forms.CharField(max_length=2000, required=False, widget=forms.HiddenInput({"data-fresh": True}))
    why = forms.CharField(
        max_length=200, required=False, label="Reason, if warmer",
        help_text="Only asked when the new place is warmer than this one should be.",
    )  # fmt: skip

    def clean_hold(self) -> list[str]:
        return str(self.cleaned_data["hold"]).split()


class EndForm(KeyForm):
    note = forms.CharField(
        max_length=400, required=False, label="Note",
        help_text="Needed when boxes are still in it, or in no new place.",
    )  # fmt: skip


class WarmForm(KeyForm):
    start = forms.CharField(
        label="From", widget=LocalTime, help_text="When it was surely still cold, not when it was noticed."
    )
    stop = forms.CharField(
        label="Until", required=False, widget=LocalTime,
        help_text="Cold again, or emptied. Leave empty for now.",
    )  # fmt: skip
    max_centi = CelsiusField(
        label="Warmest measured, °C",
        help_text="Counts for the whole time. Leave empty when nobody knows: then nothing counts as good.",
    )
    probe = forms.CharField(
        max_length=80, required=False, label="Measured with",
        help_text="Which probe, where, in air or in a bottle. The display is no probe.",
    )  # fmt: skip
    note = forms.CharField(max_length=400, label="What happened")

    def clean_start(self) -> datetime | None:
        return moment(self.cleaned_data["start"], self.tz)

    def clean_stop(self) -> datetime | None:
        return moment(self.cleaned_data["stop"], self.tz)


class WithdrawForm(KeyForm):
    why = forms.CharField(max_length=200, label="Why it is wrong")
