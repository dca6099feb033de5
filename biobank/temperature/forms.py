"""Forms of the logger pages.

Promises: what is typed is kept when it is refused; a saved mapping fills in what is left empty.
"""

from __future__ import annotations

from typing import Any

from django import forms

from biobank.models.loggers import DAY_MS
from custody.core.event import new_id


class KeyForm(forms.Form):
    """A button that does one thing once."""

    key = forms.UUIDField(widget=forms.HiddenInput, initial=new_id)


class SpanForm(forms.Form):
    """Which days a picture shows. Anything unreadable means: the usual days."""

    start = forms.DateField(label="From", required=False, widget=forms.DateInput({"type": "date"}))
    end = forms.DateField(label="To", required=False, widget=forms.DateInput({"type": "date"}))

    USUAL_DAYS = 14

    def span(self, whole: tuple[int, int], midnight: Any) -> tuple[int, int]:
        """Start and end in UTC ms within `whole`; `midnight(date)` gives the zone's UTC ms."""
        said = self.cleaned_data if self.is_valid() else {}
        end = midnight(said["end"]) + DAY_MS if said.get("end") else whole[1]
        end = max(whole[0] + 1, min(end, whole[1]))
        start = midnight(said["start"]) if said.get("start") else end - self.USUAL_DAYS * DAY_MS
        start = max(whole[0], start)
        return (start, end) if start < end else (max(whole[0], end - DAY_MS), end)
