"""Forms of rules. Each field is a column of rule_columns: a form and a table refuse the same things.

Promises: a rule's form has the fields of its kind and no others; what was typed is shown again.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.checks import rule_columns as of
from biobank.checks.rule_columns import BY_NAME, RULE, WARMER, Bands
from biobank.checks.rule_values import blank, digest, faults, made, said_of
from biobank.checks.starter import Row
from biobank.imports.read import MOST_BYTES
from biobank.models import Assay, Rule
from biobank.plans.forms import CellField, field_of, why_field
from custody.core import rule as core
from custody.core.refusal import Refused

BAND_ROWS = 6
EMPTY: dict[str, Any] = {one.name: None if one.kind == "number" else "" for one in RULE} | {
    "bands": (), "at_least_s": None, "limit_s": None, "allowed_s": None, "min_ul": None,
}  # fmt: skip


CHOOSE = ("severity", "evidence")  # nobody may come to say one of these by leaving the list alone
LABELS = {  # where the heading of the column says too little for one kind
    ("never", "to_act"): ("What must not have happened", ""),
    ("temperature", "from_act"): ("From", "Only between two acts: the first."),
    ("temperature", "to_act"): ("To", "Only between two acts: the second."),
    ("budget", "to_act"): ("To", "None: up to now."),
    ("interval", "at_least_s"): ("Not before", "One of the two, or both. With its unit: 2 h, 90 min, 3 d."),
}


class BandWidget(forms.MultiWidget):
    """Rows of two boxes: up to which temperature, for how long."""

    use_fieldset = True

    def __init__(self, rows: int = BAND_ROWS) -> None:
        boxes = []
        for n in range(1, rows + 1):
            edge = {
                "class": "half",
                "aria-label": f"Band {n}: up to, °C",
                "placeholder": "up to °C, or warmer",
            }
            time = {"class": "half", "aria-label": f"Band {n}: for", "placeholder": "for 8 h, or ever"}
            boxes += [forms.TextInput(edge), forms.TextInput(time)]
        super().__init__(boxes)

    def decompress(self, value: Bands | None) -> list[str]:
        boxes: list[str] = []
        for edge, seconds in value or ():
            boxes.append(WARMER if edge is None else of.rule_words.celsius(edge).removesuffix(" °C"))
            boxes.append("ever" if seconds is None else of.duration_text(seconds))
        return boxes


class BandsField(forms.Field):
    """The rows as bands; a row with neither is none, a row with one of them is refused."""

    widget = BandWidget

    def clean(self, value: Any) -> Bands:
        boxes = [str(one or "").strip() for one in value or []]
        rows = [pair for pair in zip(boxes[::2], boxes[1::2], strict=False) if any(pair)]
        try:
            return tuple(self._row(n, *pair) for n, pair in enumerate(rows, 1))
        except Refused as no:
            raise ValidationError(no.sentence, no.code) from no

    def _row(self, n: int, edge: str, time: str) -> tuple[int | None, int | None]:
        if not time:
            raise Refused("band_malformed", f"Band {n}: say for how long, or ever.")
        return of.edge_of(edge), None if time in ("ever", of.EVER) else of.duration_of(time)


def assay_choices() -> list[tuple[str, str]]:
    """All, then families with their members under them. 1 query."""
    rows = list(Assay.objects.select_related("family").order_by("name"))
    heads = [one for one in rows if one.family is None]
    found = [("", "all assays")]
    for head in heads:
        members = [one for one in rows if one.family_id == head.pk]
        found.append((head.code, f"{head.name} (family)" if members else head.name))
        found += [(one.code, f"{head.name}: {one.name}") for one in members]
    return found


def kind_choices() -> list[tuple[str, str]]:
    return [(kind, f"{kind}: {of.KIND_WORDS[kind]}") for kind in core.NEEDS]


class KindForm(forms.Form):
    """Step one: which kind of rule."""

    kind = forms.ChoiceField(choices=kind_choices, label="Kind of rule", widget=forms.RadioSelect)


class RuleForm(forms.Form):
    """Step two: what a rule of this kind says, and why it changes."""

    def __init__(self, data: Any = None, *, kind: str, row: Row | None = None, new: bool = False) -> None:
        said = said_of(row) if row else blank(kind)
        super().__init__(data, initial={name: _typed(name, said[name]) for name in said})
        self.kind, self.bands = kind, said["bands"]
        for name in (*of.FIRST, *of.OF_KIND[kind], *of.SOURCE[:4], *of.CONDITIONS, *of.SOURCE[4:]):
            self.fields[name] = self._field(name)
        seen = digest([row]) if row and not new else ""
        self.fields["seen"] = forms.CharField(
            widget=forms.HiddenInput, required=False, initial=seen, max_length=64
        )
        self.fields["reason"] = why_field()

    def _field(self, name: str) -> forms.Field:
        if name == "bands":
            text = "Rising; the last row is warmer, without a temperature. For ever: write ever."
            rows = max(BAND_ROWS, len(self.bands) + 2)  # none that is there may fall away
            return BandsField(
                widget=BandWidget(rows), label="How long it bears each temperature", help_text=text
            )
        if name == "assay":
            return CellField(BY_NAME[name], widget=forms.Select(choices=assay_choices()), help_text="")
        found = field_of(BY_NAME[name])
        if name in core.NEEDS[self.kind] or name == "source":
            found.required = True
        if name in CHOOSE:
            found.widget.choices = [("", "choose"), *BY_NAME[name].choices]
        if (self.kind, name) in LABELS:
            found.label, found.help_text = LABELS[self.kind, name]
        return found

    def sections(self) -> list[tuple[str, list[Any]]]:
        parts = [
            ("What it is", of.FIRST), ("What it asks", of.OF_KIND[self.kind]),
            ("Where it comes from", of.SOURCE[:4]), ("Only for", of.CONDITIONS),
            ("Beside other sources", of.SOURCE[4:]),
        ]  # fmt: skip
        return [(title, [self[name] for name in names]) for title, names in parts if names]

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        if self.errors:
            return said
        values = EMPTY | {"kind": self.kind} | {name: said[name] for name in EMPTY if name in said}
        for one in faults(values):
            where = one.name if one.name in self.fields else None
            self.add_error(where, ValidationError(one.sentence, one.code))
        if not self.errors:
            said["row"] = made(values)
        return said


def _typed(name: str, value: Any) -> Any:
    column = BY_NAME[name]
    if name == "bands":
        return BandWidget().decompress(value)  # a tuple would be taken for the boxes themselves
    if column.kind == "yes":
        return value
    return str(column.write(value))


class ReasonForm(forms.Form):
    """Why something changes."""

    reason = why_field()


class OutForm(forms.Form):
    """Take a rule out of the draft, or leave it there and count it no more."""

    what = forms.ChoiceField(
        label="What becomes of it", widget=forms.RadioSelect, initial="retire",
        choices=[("retire", "Keep it to be seen, but count it no more"), ("out", "Take it out of the draft")],
    )  # fmt: skip
    reason = why_field()


class BackForm(forms.Form):
    """Count a rule again."""

    reason = why_field()


class NoteForm(forms.Form):
    """What a set says of itself."""

    note = forms.CharField(required=False, max_length=4000, widget=forms.Textarea({"rows": 4}))
    reason = why_field()


class ChooseForm(forms.Form):
    """Which of the sources that answer one question count."""

    def __init__(self, data: Any = None, *, rules: Sequence[Rule], prefix: str) -> None:
        super().__init__(data, prefix=prefix)
        self.rules = rules
        active = [one.code for one in rules if one.active]
        self.fields["chosen"] = forms.MultipleChoiceField(
            choices=[(one.code, one.code) for one in rules], required=False, initial=active,
            widget=forms.CheckboxSelectMultiple, label="Counted",
        )  # fmt: skip
        said = next((one.choice for one in rules if one.choice), "")
        self.fields["choice"] = forms.CharField(max_length=300, label="Why", initial=said, required=False)


class BeginForm(forms.Form):
    """From which day a draft is in force."""

    valid_from = forms.DateField(label="In force from", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"))
    unseen = forms.BooleanField(required=False, label="Put it in force without looking at what would change")
    reason = why_field()

    def __init__(self, data: Any = None, *, today: date, looked: bool) -> None:
        super().__init__(data, initial={"valid_from": today})
        self.today = today
        if looked:
            del self.fields["unseen"]

    def clean_valid_from(self) -> date:
        said: date = self.cleaned_data["valid_from"]
        if said > self.today:
            raise ValidationError(
                "A set is in force from the day on which this is done, or from one before.",
                "valid_from_in_future",
            )
        if said < self.today - timedelta(days=36_525):
            raise ValidationError("This year cannot be right.", "year_out_of_range")
        return said


class TableForm(forms.Form):
    """A table of rules; with `digest` it is taken in, without it is shown what would change."""

    file = forms.FileField(
        label="Table", allow_empty_file=True,
        help_text=f".xlsx or CSV in UTF-8, at most {MOST_BYTES // 1_000_000} MB, as the export writes it.",
    )  # fmt: skip


class TakeInForm(forms.Form):
    """The table that was looked at, taken in."""

    content = forms.CharField(widget=forms.HiddenInput, max_length=2 * MOST_BYTES)
    seen = forms.CharField(widget=forms.HiddenInput, max_length=64)
    reason = why_field()
