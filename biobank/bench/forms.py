"""What people type on the bench.

Promises: temperatures are typed in °C and volumes in whole microlitres; a field that was left empty is None,
never nought.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.bench.actions import run_of
from biobank.core.indices import NAMES, SUBSTANCE
from biobank.forms import ActForm, CelsiusField, TubeField, TubesField, codes_in
from biobank.models import Agency, Rotor, Tube
from custody.core.refusal import Refused

GRADES = [
    ("0", "0 none"),
    ("1", "1 trace"),
    ("2", "2 slight"),
    ("3", "3 clear"),
    ("4", "4 strong"),
]
BRAKE = [("", "not noted"), ("yes", "on"), ("no", "off")]
SCANNED = "One code a line. A scanner types the line end itself."
MOST_ROWS = 96  # tubes graded one by one on a page: a rack; each has six fields


class ScannedTubes(TubesField):
    """Many tubes, ready for the scanner as soon as the page is there."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"label": "Tubes", "help_text": SCANNED} | given))
        self.widget.attrs |= {
            "autofocus": True,
            "autocapitalize": "characters",
            "spellcheck": "false",
            "rows": 6,
        }


class WholeNumber(forms.IntegerField):
    """A whole number or nothing; what is out of range is refused by the action, with its own code."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"required": False, "max_value": 10_000_000} | given))
        self.widget.attrs |= {"inputmode": "numeric"}


class EveryScan(ScannedTubes):
    """Codes in the order of the scans, one that was scanned twice twice: the action says what is wrong."""

    def clean(self, value: Any) -> Any:
        return codes_in(forms.CharField.clean(self, value) or "")


class SpinForm(ActForm):
    """One run of the centrifuge, with every tube that was in it."""

    tubes = EveryScan(label="Tubes in this run")
    rotor = forms.ModelChoiceField(
        Rotor.objects.none(), required=False, empty_label="none of these", help_text="Fills the radius."
    )
    radius_mm = WholeNumber(label="Rotor radius, mm", help_text="From the axis to the middle of the tube.")
    g = WholeNumber(label="Force, × g", help_text="With a radius, the speed follows.")
    rpm = WholeNumber(label="Speed, rpm", help_text="With a radius, the force follows.")
    minutes = WholeNumber(label="Minutes", required=True)
    centi_c = CelsiusField(label="Temperature, °C")
    brake = forms.ChoiceField(label="Brake", choices=BRAKE, required=False)
    again_why = forms.CharField(
        label="Why a gel tube was spun again", required=False, max_length=200, help_text="Only if it was."
    )

    def __init__(self, *args: Any, agency: Agency, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["rotor"].queryset = Rotor.objects.filter(agency=agency, retired=False)  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """The rotor's radius goes with a speed or a force; a speed beyond the rotor's is a slip of typing."""
        said = super().clean() or self.cleaned_data
        self.rotor: Rotor | None = said.pop("rotor", None)
        asked = said.get("rpm") is not None or said.get("g") is not None
        if self.rotor and asked and said.get("radius_mm") is None:
            said["radius_mm"] = self.rotor.radius_mm
        if self.rotor and not self.errors and asked:
            self._within(self.rotor, said)
        return said

    def _within(self, rotor: Rotor, said: dict[str, Any]) -> None:
        try:
            speed = run_of(said.get("g"), said.get("rpm"), said.get("radius_mm"))[1] or 0
        except Refused:  # the action refuses it too, and says it better
            return
        if speed > rotor.max_rpm:
            no = f"{rotor.name} does at most {rotor.max_rpm} rpm, and this is {speed} rpm."
            self.add_error("rotor", ValidationError(no, "rotor_too_fast"))

    def clean_brake(self) -> bool | None:
        return {"yes": True, "no": False}.get(self.cleaned_data["brake"])


class MeasuredField(forms.DecimalField):
    """mg/dL with a comma or a point; cleans to hundredths, or None."""

    widget = forms.TextInput

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_digits": 9, "decimal_places": 2, "required": False} | given))
        self.widget.attrs |= {"inputmode": "decimal", "size": 7, "autocomplete": "off"}

    def to_python(self, value: Any) -> Decimal | None:
        said: Decimal | None = super().to_python(str(value).replace(",", ".") if value else value)
        return said

    def clean(self, value: Any) -> Any:
        said: Decimal | None = super().clean(value)
        return None if said is None else int(said * 100)


def grade_field(label: str, nothing: str = "not looked at") -> forms.ChoiceField:
    return forms.ChoiceField(label=label, choices=[("", nothing), *GRADES], required=False)


class GradeForm(ActForm):
    """What the eye sees in the separated part: for all tubes scanned, or in a row for each of them."""

    tubes = ScannedTubes(label="Tubes")
    haemolysis = grade_field("Haemolysis (pink to red)")
    lipaemia = grade_field("Lipaemia (milky)")
    icterus = grade_field("Icterus (deep yellow)")

    def __init__(self, *args: Any, rows: Sequence[str] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.rows = list(rows)[:MOST_ROWS]
        for code in self.rows:
            for name in NAMES:
                self.fields[f"{name}_{code}"] = grade_field(name.capitalize(), "–")
                self.fields[f"{name}_cmgdl_{code}"] = MeasuredField(label=f"{SUBSTANCE[name]}, mg/dL")

    def shared(self) -> list[forms.BoundField]:
        return [self[name] for name in ("tubes", *NAMES, "at")]

    def by_tube(self) -> list[tuple[str, list[tuple[forms.BoundField, forms.BoundField]]]]:
        """Each row: the tube with its three pairs of grade and measured value."""
        return [
            (code, [(self[f"{name}_{code}"], self[f"{name}_cmgdl_{code}"]) for name in NAMES])
            for code in self.rows
        ]

    def seen(self) -> dict[str, dict[str, int | None]]:
        """What was seen of each tube: its own row before what was said of all."""
        return {code: self._seen(code) for code in self.cleaned_data["tubes"]}

    def _seen(self, code: str) -> dict[str, int | None]:
        said, found = self.cleaned_data, dict[str, int | None]()
        for name in NAMES:
            grade = said.get(f"{name}_{code}") or said[name]
            found[name] = int(grade) if grade else None
            found[f"{name}_cmgdl"] = said.get(f"{name}_cmgdl_{code}")
        return found


class ParentForm(forms.Form):
    """Which tube shall be aliquoted."""

    tube = TubeField(label="Tube to aliquot")


class AliquotForm(ActForm):
    """A volume field for each label that waits, and room for labels that were not printed for this tube."""

    recovered_ul = WholeNumber(
        label="Recovered, µL", help_text="Serum, plasma or blood in hand, if you measured it."
    )
    hct_pct = WholeNumber(
        label="Haematocrit, %", help_text="If it was measured. Then it counts for the yield."
    )
    others = TubesField(label="Other aliquot labels", required=False, help_text=SCANNED)
    others_ul = WholeNumber(label="Volume in each of these, µL")
    rack = EveryScan(
        label="Scan of the rack",
        required=False,
        help_text="Scan every filled vial in order, to have the order checked.",
    )
    loss_ul = WholeNumber(
        label="Lost, µL",
        help_text="Spilt, or left in the pipette. Empty: what was recovered and is in no vial.",
    )
    unspun_why = forms.CharField(
        label="Why it was not spun",
        required=False,
        max_length=200,
        help_text="Settled by itself, for example.",
    )

    def __init__(
        self,
        *args: Any,
        labels: Sequence[Tube] = (),
        proposed: dict[str, int | None] | None = None,
        spun: bool = True,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.labels, self.spun = list(labels), spun
        self.fields["rack"].widget.attrs.pop("autofocus", None)
        for label in self.labels:
            self.fields[name(label)] = WholeNumber(
                label="Volume, µL", initial=(proposed or {}).get(label.code)
            )

    def volumes(self) -> list[tuple[Tube, forms.BoundField]]:
        """Each waiting label with its field, for the page."""
        return [(label, self[name(label)]) for label in self.labels]

    def measured(self) -> list[forms.BoundField]:
        return [self["recovered_ul"], self["hct_pct"]]

    def rest(self) -> list[forms.BoundField]:
        why = () if self.spun else ("unspun_why",)
        return [self[field] for field in ("rack", "loss_ul", *why, "others", "others_ul", "at")]

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        if said.get("others") and said.get("others_ul") is None and "others_ul" not in self.errors:
            self.add_error(
                "others_ul", ValidationError("Give the volume of the other aliquots.", "volume_missing")
            )
        return said

    def children(self) -> list[tuple[str, int]]:
        """Code and microlitres of every aliquot that was filled, those with waiting labels first."""
        said = self.cleaned_data
        waiting = [(label.code, said.get(name(label))) for label in self.labels]
        filled = [(code, ul) for code, ul in waiting if ul is not None]
        return filled + [(code, said["others_ul"]) for code in said["others"]]


def name(label: Tube) -> str:
    """Name of the field that holds the volume of this label."""
    return f"ul_{label.code}"
