"""What people scan and type when something comes back into the cold."""

from __future__ import annotations

from django import forms

from biobank.bench.forms import ScannedTubes, WholeNumber
from biobank.forms import ActForm
from biobank.models.disposal import BANDS
from biobank.store.forms import UnitCodeField


class BackForm(ActForm):
    unit = UnitCodeField(label="Box or rack that comes back", required=False)
    tubes = ScannedTubes(label="Or tubes", required=False)
    to = UnitCodeField(label="Goes into", help_text="Where it came from stands here already; scan another.")
    slot = forms.CharField(
        max_length=6, required=False, label="First slot",
        help_text="For tubes. Empty: the first free one.",
    )  # fmt: skip
    note = forms.CharField(
        max_length=200, required=False, label="Note", help_text="Needed when the place is warmer."
    )

    def __init__(self, *args: object, **given: object) -> None:
        super().__init__(*args, **given)  # type: ignore[arg-type]
        del self.fields["tubes"].widget.attrs["autofocus"]  # the view says where to begin


class ThawForm(ActForm):
    """Whether a thaw is counted, yes being proposed."""

    counted = forms.ChoiceField(
        label="Count a thaw?",
        choices=[("yes", "Yes, one thaw more for each tube"), ("no", "No: they stayed frozen")],
        widget=forms.RadioSelect, initial="yes",
    )  # fmt: skip
    why = forms.CharField(
        max_length=200, required=False, label="Reason",
        help_text="Needed for no: how you know. It lay on dry ice, it was looked at and was hard frozen…",
    )  # fmt: skip

    def __init__(self, *args: object, **given: object) -> None:
        super().__init__(*args, **given)  # type: ignore[arg-type]
        del self.fields["at"]


class LimitForm(forms.Form):
    band = forms.ChoiceField(label="Kept at", choices=BANDS)
    minutes = WholeNumber(label="Out for at most, minutes", required=True, min_value=1, max_value=1440)
    source = forms.CharField(
        max_length=100,
        label="Source",
        help_text="Your standard operating procedure, a study, a test of yours.",
    )
