"""What people type on the bench.

Promises: temperatures are typed in °C and volumes in whole microlitres; a field that was left empty is None,
never nought.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.forms import ActForm, CelsiusField, TubeField, TubesField
from biobank.models import Agency, Rotor, Tube
from custody.core.refusal import Refused
from custody.core.spin import rpm_for

GRADES = [
    ("", "not looked at"),
    ("0", "0 none"),
    ("1", "1 trace"),
    ("2", "2 slight"),
    ("3", "3 clear"),
    ("4", "4 strong"),
]
BRAKE = [("", "not noted"), ("yes", "on"), ("no", "off")]
SCANNED = "One code a line. A scanner types the line end itself."


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


class SpinForm(ActForm):
    """One run of the centrifuge, with every tube that was in it."""

    tubes = ScannedTubes(label="Tubes in this run")
    g = WholeNumber(label="Force, × g", help_text="Or leave it empty and give speed and radius.")
    rpm = WholeNumber(label="Speed, rpm")
    rotor = forms.ModelChoiceField(
        Rotor.objects.none(), required=False, empty_label="none of these", help_text="Fills the radius."
    )
    radius_mm = WholeNumber(label="Rotor radius, mm", help_text="From the axis to the middle of the tube.")
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
        """The rotor's radius goes with a speed, or with a force, from which the speed follows."""
        said = super().clean() or self.cleaned_data
        rotor = said.pop("rotor", None)
        force = said.get("rpm") is not None or said.get("g") is not None
        if rotor and said.get("radius_mm") is None and force:
            said["radius_mm"] = rotor.radius_mm
            if said.get("rpm") is None and said["g"] >= 1:
                said["rpm"] = round(rpm_for(said["g"], rotor.radius_mm))
        return said

    def clean_brake(self) -> bool | None:
        return {"yes": True, "no": False}.get(self.cleaned_data["brake"])


class GradeForm(ActForm):
    """What the eye sees in the separated part: the same grades for all tubes scanned."""

    tubes = ScannedTubes(label="Tubes that look the same")
    haemolysis = forms.ChoiceField(label="Haemolysis (pink to red)", choices=GRADES, required=False)
    lipaemia = forms.ChoiceField(label="Lipaemia (milky)", choices=GRADES, required=False)
    icterus = forms.ChoiceField(label="Icterus (deep yellow)", choices=GRADES, required=False)

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        for name in ("haemolysis", "lipaemia", "icterus"):
            said[name] = int(said[name]) if said.get(name) else None
        return said


class ParentForm(forms.Form):
    """Which tube shall be aliquoted."""

    tube = TubeField(label="Tube to aliquot")


class AliquotForm(ActForm):
    """A volume field for each label that waits, and room for labels that were not printed for this tube."""

    others = TubesField(label="Other aliquot labels", required=False, help_text=SCANNED)
    others_ul = WholeNumber(label="Volume in each of these, µL")
    loss_ul = WholeNumber(label="Lost, µL", help_text="Spilt, or left in the pipette. Empty: nothing.")

    def __init__(
        self,
        *args: Any,
        labels: Sequence[Tube] = (),
        proposed: dict[str, int | None] | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.labels = list(labels)
        for label in self.labels:
            self.fields[name(label)] = WholeNumber(
                label="Volume, µL", initial=(proposed or {}).get(label.code)
            )

    def volumes(self) -> list[tuple[Tube, forms.BoundField]]:
        """Each waiting label with its field, for the page."""
        return [(label, self[name(label)]) for label in self.labels]

    def rest(self) -> list[forms.BoundField]:
        return [self[field] for field in ("others", "others_ul", "loss_ul", "at")]

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
        twice = {code for code, _ in filled} & set(said["others"])
        if twice:
            raise Refused(
                "line_twice", "An aliquot is in the list and among the others: name it once.", min(twice)
            )
        return filled + [(code, said["others_ul"]) for code in said["others"]]


def name(label: Tube) -> str:
    return f"ul_{label.code}"
