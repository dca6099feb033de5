"""What people type when tubes go into storage or out of it; and about units.

Promises: nothing is checked here that the action checks, so that every way in refuses with the same code.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.bench.forms import ScannedTubes, WholeNumber
from biobank.checks import gate
from biobank.core.grid import NAMINGS
from biobank.forms import ActForm, CelsiusField, checked
from biobank.models.store import KINDS
from biobank.store import queries
from custody.core.event import new_id
from custody.core.refusal import Refused

KIND_WORDS = {"box": "box, plate or cane", "shipper": "dry shipper or parcel"}


def understood(text: str) -> str:
    """What a scanner set to another keyboard layout must have meant; ValidationError when in doubt."""
    try:
        return queries.meant(text)
    except Refused as no:
        raise ValidationError(no.sentence, no.code) from no


class AnyCodeField(forms.CharField):
    """A scanned or typed code, of a unit or of a tube."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_length": 40} | given))
        self.widget.attrs |= {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}

    def clean(self, value: Any) -> Any:
        return understood(super().clean(value) or "")


class UnitCodeField(AnyCodeField):
    """A scanned or typed unit code; the page suggests the places that take tubes."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_length": 20} | given))
        self.widget.attrs["list"] = "places"


class TubesThenBox(ScannedTubes):
    """Tubes, and as the last line perhaps the box: a scanner's Enter does not leave this field."""

    box = ""

    def clean(self, value: Any) -> Any:
        lines = [line for line in (value or "").split("\n") if line.strip()]
        self.box = _box_of(lines[-1]) if lines else ""
        return super().clean("\n".join(lines[:-1] if self.box else lines))


def _box_of(line: str) -> str:
    """The unit that this line names; empty for a tube and for what nobody knows. 3 queries at most, none for
    a tube."""
    try:
        checked(line)
    except ValidationError:
        with suppress(Refused):
            found = queries.unit_by_code(queries.meant(line.strip()))
            return found.code if found else ""
    return ""


class PlaceForm(ActForm):
    """Tubes, then the place."""

    tubes = TubesThenBox()
    unit = UnitCodeField(
        label="Box", help_text="Scan the box. A cooler, bench, fridge or shipper takes loose tubes."
    )
    slot = forms.CharField(
        max_length=6, required=False, label="First slot",
        help_text="As the box calls it. Empty: the first free one. More tubes follow into the next free.",
    )  # fmt: skip
    why = forms.CharField(
        max_length=200, required=False, label="Reason, if warmer than planned",
        help_text="Only asked when the place is warmer than the plan wants for a tube.",
    )  # fmt: skip

    def clean_unit(self) -> str:
        typed, box = str(self.cleaned_data["unit"]).strip(), getattr(self.fields["tubes"], "box", "")
        if typed and box and typed.upper() != box.upper():
            both = f"Two places were scanned: {box} after the tubes, {typed} here. Leave one of them out."
            raise ValidationError(both, "two_places")
        return typed or box


class PutAwayForm(PlaceForm):
    unit = UnitCodeField(
        label="Box", required=False,
        help_text="Scan the box, here or into the list after the tubes. A cooler, bench, fridge or shipper "
        "takes loose tubes. Empty: the next free place that is as cold as planned is proposed.",
    )  # fmt: skip


class WhereForm(forms.Form):
    """Tubes for which a place is sought."""

    tubes = ScannedTubes()


class CarryForm(ActForm):
    """Two scans: what moves, and where to. `near` is the destination, kept for the next box."""

    unit = UnitCodeField(label="What moves", help_text="Scan the box, rack, drawer…")
    to = UnitCodeField(label="Where to", help_text="Scan the unit that it goes into.")
    note = forms.CharField(
        max_length=200, required=False, label="Note",
        help_text="Needed when the new place is warmer.",
    )  # fmt: skip


class UnitCodesField(forms.CharField):
    """Several unit codes, one a line or with commas between them; cleans to a list without repeats."""

    widget = forms.Textarea

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_length": 1000} | given))
        self.widget.attrs |= {
            "rows": "3", "autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false",
        }  # fmt: skip

    def clean(self, value: Any) -> Any:
        text = super().clean(value) or ""
        return list(dict.fromkeys(understood(one).upper() for one in text.replace(",", " ").split()))


class SwapForm(forms.Form):
    """A swap of freezers: which are emptied, which take the boxes."""

    key = forms.UUIDField(widget=forms.HiddenInput, initial=new_id)
    out_of = UnitCodesField(label="Emptied", help_text="Scan each freezer, tank or rack that is emptied.")
    into = UnitCodesField(label="Into", help_text="Scan each unit that takes the boxes.")
    why = forms.CharField(max_length=200, label="Reason", help_text="Kept with the swap.")

    def clean_key(self) -> str:
        return str(self.cleaned_data["key"])


class SwapScanForm(ActForm):
    """One field for everything; what was scanned before stands in the hidden ones."""

    unit = forms.CharField(max_length=20, required=False, widget=forms.HiddenInput({"data-fresh": True}))
    to = forms.CharField(max_length=20, required=False, widget=forms.HiddenInput({"data-fresh": True}))
    scan = UnitCodeField(max_length=40, help_text="A box or rack, or the place it goes to, in either order.")
    note = forms.CharField(
        max_length=200, required=False, label="Note",
        help_text="Asked for when a place is warmer or no part of the swap.",
    )  # fmt: skip


class SwapCloseForm(forms.Form):
    key = forms.UUIDField(widget=forms.HiddenInput, initial=new_id)
    why = forms.CharField(
        max_length=400, required=False, label="Reason", help_text="Needed while boxes have not arrived."
    )

    def clean_key(self) -> str:
        return str(self.cleaned_data["key"])


class FindForm(forms.Form):
    code = AnyCodeField(label="Find a tube, box or freezer", help_text="Scan or type its code.")


class RackForm(forms.Form):
    """The file of a rack reader, and the box that was read."""

    unit = UnitCodeField(label="Box", help_text="The box that the rack is, or becomes.")
    file = forms.FileField(
        label="File of the reader", allow_empty_file=True,
        help_text="CSV (comma, semicolon, tab) or .xlsx: position and code, or row, column and code.",
    )  # fmt: skip
    naming = forms.ChoiceField(
        label="Positions in the file", required=False,
        choices=[("", "as the box calls them"), *NAMINGS.items()],
    )  # fmt: skip


class RackPutForm(ActForm):
    """What was looked at, said again."""

    unit = forms.CharField(max_length=20, widget=forms.HiddenInput)
    rack = forms.CharField(max_length=60_000, widget=forms.HiddenInput, strip=False)
    others = forms.BooleanField(required=False, label="Move the tubes that the ledger has elsewhere")
    partly = forms.BooleanField(required=False, label="Leave out the positions that are wrong")
    why = forms.CharField(max_length=200, required=False, label="Reason, if warmer than planned")


class PullForm(ActForm):
    tubes = ScannedTubes()
    assay = forms.ChoiceField(
        required=False, label="For which analysis",
        help_text="Then each tube is checked now, and one that is not fit for it is not pulled.",
    )  # fmt: skip
    why = forms.CharField(
        max_length=120, required=False, label="What for",
        help_text="Needed when it is not for analysis: an aliquot, a shipment, a check…",
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["assay"].choices = gate.choices()  # type: ignore[attr-defined]


class ThawForm(ActForm):
    tubes = ScannedTubes()
    why = forms.CharField(max_length=120, required=False, label="What for")


class NewUnitForm(ActForm):
    """A unit and where it stands."""

    code = forms.CharField(
        max_length=20, label="Code", help_text="Letters, digits and hyphens, as on its label."
    )
    kind = forms.ChoiceField(
        label="Kind", choices=[(kind, KIND_WORDS.get(kind, kind)) for kind in KINDS], initial="box"
    )
    name = forms.CharField(max_length=80, label="Name")
    parent = UnitCodeField(label="Stands in", required=False, help_text="Code of a unit. Empty: in nothing.")
    rows = WholeNumber(label="Rows", min_value=1, max_value=99, help_text="For a box. A cane: its places.")
    cols = WholeNumber(label="Columns", min_value=1, max_value=99, help_text="For a box. A cane: 1.")
    naming = forms.ChoiceField(label="Slots are called", choices=list(NAMINGS.items()))
    nominal_centi = CelsiusField(label="Set point, °C", help_text="Empty: as cold as what it stands in.")
    alarm_above_centi = CelsiusField(label="Alarm above, °C")
    alarm_below_centi = CelsiusField(label="Alarm below, °C")
    reason = forms.CharField(max_length=200, label="Reason")


class MoveUnitForm(ActForm):
    to = UnitCodeField(
        label="New place", required=False, help_text="Code of a unit. Empty: it stands in nothing."
    )
    reason = forms.CharField(max_length=200, label="Reason")
