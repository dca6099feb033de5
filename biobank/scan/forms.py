"""What is typed on the page of scans."""

from __future__ import annotations

from typing import Any

from django import forms

from biobank.bench.forms import BRAKE, WholeNumber
from biobank.core.acted import LONGEST
from biobank.forms import CelsiusField
from biobank.scan.turn import Bag
from custody.core.event import new_id

LABEL_WRONG = [
    ("", "choose"),
    ("smudged or faded", "smudged or faded"),
    ("torn or rubbed off", "torn or rubbed off"),
    ("under frost", "under frost"),
    ("no label on it", "no label on it"),
    ("does not scan, can be read", "does not scan, can be read"),
]


class KeyForm(forms.Form):
    key = forms.UUIDField(widget=forms.HiddenInput, initial=new_id)

    def clean_key(self) -> str:
        return str(self.cleaned_data["key"])


class ScanForm(KeyForm):
    """One scan, or a button pressed in its place."""

    scan = forms.CharField(max_length=200, required=False, label="Scan")
    why = forms.CharField(
        max_length=200, required=False, label="Reason, if warmer than planned",
        help_text="Type it, then scan again.",
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["scan"].widget.attrs |= {
            "autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false", "autofocus": True,
            "enterkeyhint": "go", "maxlength": str(LONGEST * 2),
        }  # fmt: skip


class EyeForm(KeyForm):
    """Which tube it is, by eye, and what is wrong with its label."""

    tube = forms.ChoiceField(label="Which tube it is", widget=forms.RadioSelect)
    wrong = forms.ChoiceField(label="What is wrong with the label", choices=LABEL_WRONG)

    def __init__(self, *args: Any, tubes: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["tube"].choices = tubes  # type: ignore[attr-defined]


class SpinRun(forms.Form):
    """How this run is spun; the plan's values stand in it."""

    g = WholeNumber(label="Force, × g")
    minutes = WholeNumber(label="Minutes")
    centi_c = CelsiusField(label="Temperature, °C")
    rpm = WholeNumber(label="Speed, rpm")
    radius_mm = WholeNumber(label="Rotor radius, mm")
    brake = forms.ChoiceField(label="Brake", choices=BRAKE, required=False)

    def clean_brake(self) -> bool | None:
        return {"yes": True, "no": False}.get(self.cleaned_data["brake"])


class Arrival(forms.Form):
    """How the container came."""

    seal_intact = forms.ChoiceField(
        label="Seal", required=False,
        choices=[("", "no seal"), ("yes", "intact, number agrees"), ("no", "broken or another number")],
    )  # fmt: skip
    centi_c = CelsiusField(label="Temperature in the container, °C")
    note = forms.CharField(label="Note", required=False, max_length=500)

    def clean_seal_intact(self) -> bool | None:
        return {"yes": True, "no": False}.get(self.cleaned_data["seal_intact"])


class Volumes(forms.Form):
    """How much goes into each vial, and what is lost."""

    def __init__(self, *args: Any, plan: list[dict[str, Any]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["recovered_ul"] = WholeNumber(
            label="Measured before pouring, µL", help_text="Empty: worked out from what was drawn."
        )
        for vial in plan:
            self.fields[f"ul_{vial['t']}"] = WholeNumber(label=f"{vial['label']}, µL", required=True)
        self.fields["loss_ul"] = WholeNumber(label="Lost, µL")


def run_form(mode: str, bag: Bag, data: Any = None) -> forms.Form | None:
    """The small form beside the scans of this mode, if it has one, with what stands in it."""
    if mode == "spin":
        start = bag | {"brake": _word(bag.get("brake")), "centi_c": _celsius(bag)}
        return SpinRun(data, initial=start, auto_id="run_%s")
    if mode == "receive":
        start = bag | {"seal_intact": _word(bag.get("seal_intact")), "centi_c": _celsius(bag)}
        return Arrival(data, initial=start, auto_id="run_%s")
    if mode == "aliquot" and bag.get("parent"):
        start = {f"ul_{one['t']}": one["ul"] for one in bag["plan"]} | {
            name: bag.get(name) for name in ("recovered_ul", "loss_ul")
        }
        return Volumes(data, plan=bag["plan"], initial=start, auto_id="run_%s")
    return None


def _word(value: bool | None) -> str:
    return {True: "yes", False: "no"}.get(value, "") if value is not None else ""


def _celsius(bag: Bag) -> str:
    centi = bag.get("centi_c")
    return "" if centi is None else f"{centi / 100:g}"
