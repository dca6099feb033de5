"""What people type when something was said wrongly.

Promises: a field that is left as it stands changes nothing; the reason in words is always asked for; "keep it
all the same" is offered only after a refusal.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django import forms

from biobank.amend import lines
from biobank.amend.actions import Fix
from biobank.bench.forms import WholeNumber
from biobank.forms import ActForm, TubeField
from biobank.store.forms import UnitCodeField
from biobank.templatetags.words import tube_code, when
from custody import queries as ledger

REASONS = [
    ("did_not_occur", "It did not happen"),
    ("incorrect_data", "It happened, but what was said of it is wrong"),
]
SURE = [
    ("", "as it stands"),
    ("0", "to the minute"),
    ("300", "± 5 min"),
    ("900", "± 15 min"),
    ("3600", "± 1 h"),
    ("14400", "± 4 h"),
]
MOST_LINES = 40  # on one form; of more lines one is corrected at a time


class AmendForm(ActForm):
    """Why, in words; and, after a refusal, whether it shall be kept all the same."""

    note = forms.CharField(
        max_length=400, label="What was wrong, in words", widget=forms.Textarea(attrs={"rows": 3}),
        help_text="It stands beside the old and the new for as long as the tube's history does.",
    )  # fmt: skip
    keep = forms.BooleanField(
        required=False, label="Keep it all the same",
        help_text="Tick only after reading the refusal: it is then recorded and stays an open finding.",
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not self.is_bound:
            del self.fields["keep"]

    def last(self) -> None:
        """The reason and the tick come after what is changed."""
        names = [name for name in self.fields if name not in {"at", "unc_s", "note", "keep"}]
        self.order_fields(["at", "unc_s", *names, "note", "keep"])


class VoidForm(AmendForm):
    reason = forms.ChoiceField(
        label="Why", choices=REASONS, widget=forms.RadioSelect, initial="did_not_occur"
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
        self.last()


class OtherTubeForm(AmendForm):
    """Which tube it really was."""

    tube = TubeField(
        required=False,
        label="The right tube",
        help_text="Scan it. Leave it empty if it was done to no other.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
        self.last()


class CorrectForm(AmendForm):
    """Time, and the volume or slot of each line."""

    unc_s = forms.ChoiceField(label="How sure is the time", choices=SURE, required=False)

    def __init__(self, *args: Any, told: ledger.Told, only: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.told = told
        wanted = [(n, line) for n, line in enumerate(told.lines) if not only or line.get("t") == only]
        self.lines = wanted if len(wanted) <= MOST_LINES else []
        self.fields["at"].label = "When it really happened"
        stands = when(told.header["at"], self.tz)
        self.fields["at"].help_text = f"Leave empty to keep {stands}."
        for n, line in self.lines:
            self._line(n, line)
        if told.said.header["kind"] == "aliquoted":
            self.fields["loss_ul"] = WholeNumber(label="Lost, µL", initial=told.header["data"].get("loss_ul"))
        self.last()

    def _line(self, n: int, line: dict[str, Any]) -> None:
        name = tube_code(line.get("t"))
        if lines.has_volume(self.told, line):
            self.fields[f"ul_{n}"] = WholeNumber(
                label=f"Volume {VERBS.get(line['role'], 'in')} {name}, µL", initial=line.get("ul")
            )
        if lines.has_slot(self.told, line):
            self.fields[f"unit_{n}"] = UnitCodeField(label=f"Place of {name}", initial=line["unit"])
            self.fields[f"slot_{n}"] = forms.CharField(
                label=f"Slot of {name}", max_length=6, required=False, initial=slot_name(line),
                help_text="As the box calls it.",
            )  # fmt: skip

    def clean_unc_s(self) -> int | None:
        said = self.cleaned_data["unc_s"]
        return int(said) if said else None

    def fix(self) -> Fix:
        said = self.cleaned_data
        return Fix(
            at=said["at"], unc_s=said["unc_s"],
            loss_ul=said.get("loss_ul") if "loss_ul" in self.changed_data else None,
            volumes=dict(self._changed("ul_")),
            slots={n: (said[f"unit_{n}"], said[f"slot_{n}"]) for n in self._moved()},
        )  # fmt: skip

    def _changed(self, start: str) -> Iterator[tuple[int, Any]]:
        for name in self.changed_data:
            if name.startswith(start) and self.cleaned_data[name] is not None:
                yield int(name.removeprefix(start)), self.cleaned_data[name]

    def _moved(self) -> list[int]:
        named = [name for name in self.changed_data if name.startswith(("unit_", "slot_"))]
        return sorted({int(name[5:]) for name in named})


VERBS = {"from": "taken from", "to": "given to"}


def slot_name(line: dict[str, Any]) -> str:
    """What the box calls the slot; empty for what stands loose or is gone."""
    from biobank.store.queries import unit_by_code

    unit = unit_by_code(line["unit"])
    if unit is None or unit.kind != "box" or line.get("row") is None:
        return ""
    return unit.grid.name(line["row"], line["col"])
