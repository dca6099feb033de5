"""Forms of plans. Each field is a column of `columns.py`: a form and a table refuse the same things."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms import BaseFormSet, formset_factory

from biobank.core.blood import LARGEST_G
from biobank.imports.read import MOST_BYTES
from biobank.models import ADDITIVES, FieldDay, Programme, SamplePlan
from biobank.plans import columns
from biobank.plans.check import of_tube
from biobank.plans.columns import ALIQUOTS, PLAN, TUBE, Column
from biobank.plans.queries import days_of, printable_plans
from biobank.plans.values import Aliquots, Plan, Planned
from biobank.templatetags.signs import CAPS
from custody.core.refusal import Refused

MOST_ROWS = 40
CAP_CHOICES = [("", "not said"), *((name, name.replace("-", " ")) for name in CAPS)]


class CellField(forms.Field):
    """One column as a field: cleans what was typed by the column's own `read`."""

    def __init__(self, column: Column, **given: Any) -> None:
        label = column.heading[0].upper() + column.heading[1:]
        settings = {"label": label, "required": column.needed, "help_text": column.hint}
        super().__init__(**(settings | {"widget": _widget(column)} | given))
        self.column = column

    def clean(self, value: Any) -> Any:
        try:
            return self.column.read(str(value or ""))
        except Refused as no:
            raise ValidationError(no.sentence, no.code) from no

    def has_changed(self, initial: Any, data: Any) -> bool:
        return str(initial if initial is not None else "") != str(data if data is not None else "")


def _widget(column: Column) -> forms.Widget:
    if column.kind == "choice":
        return forms.Select(choices=column.choices)
    if column.kind == "prose":
        return forms.Textarea({"rows": 5})
    if column.kind == "number":
        signed = column.least is not None and column.least < 0  # a numeric keypad may lack the minus
        return forms.TextInput({"inputmode": "text" if signed else "decimal", "autocomplete": "off"})
    return forms.TextInput({"maxlength": column.most, "autocomplete": "off"})


def field_of(column: Column) -> forms.Field:
    """A tick for yes or no, a list of caps for the cap, a cell for all else."""
    if column.kind == "yes":
        label = column.heading[0].upper() + column.heading[1:]
        return forms.BooleanField(label=label, required=False, help_text=column.hint)
    if column.name == "cap":
        return CellField(column, label="Cap colour", widget=forms.Select(choices=CAP_CHOICES))
    return CellField(column)


def typed(value: Any, of: Sequence[Column]) -> dict[str, Any]:
    """A plain value as a form shows it."""
    said = {one.name: getattr(value, one.name) for one in of}
    return {one.name: said[one.name] if one.kind == "yes" else str(one.write(said[one.name])) for one in of}


class ColumnsForm(forms.Form):
    """A form of these columns, and why it changes when there is something that changes.

    seen  tells which state of the plan the form was drawn from
    """

    of: Sequence[Column] = ()

    def __init__(self, *args: Any, plan: Plan | None = None, value: Any = None, **kwargs: Any) -> None:
        initial = (typed(value, self.of) if value else {}) | kwargs.pop("initial", {})
        super().__init__(*args, initial=initial, **kwargs)
        for one in self.of:
            self.fields[one.name] = field_of(one)
        if plan is not None:
            self.fields["seen"] = forms.CharField(
                widget=forms.HiddenInput, initial=plan.digest(), max_length=16
            )
            self.fields["reason"] = why_field()

    def said(self) -> dict[str, Any]:
        return {one.name: self.cleaned_data[one.name] for one in self.of}


def why_field(required: bool = True) -> forms.CharField:
    return forms.CharField(max_length=100, required=required, label="Why it changes")


class PlanForm(ColumnsForm):
    """What a plan says as a whole; its code only while it is new."""

    of = PLAN

    def __init__(self, *args: Any, plan: Plan | None = None, **kwargs: Any) -> None:
        super().__init__(*args, plan=plan, value=plan or Plan("", ""), **kwargs)
        if plan is not None:
            del self.fields["code"]

    def wanted(self, plan: Plan | None = None) -> Plan:
        names = [one.name for one in self.of if one.name in self.fields]
        said = {name: self.cleaned_data[name] for name in names}
        return Plan(**({"code": plan.code, "tubes": plan.tubes} if plan else {}), **said)


class AliquotRow(forms.Form):
    """So many aliquots of one kind."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        usual = {"matrix": "SER", "container": "cryovial", "priority": "1", "target_centi": "-80"}
        for one in ALIQUOTS:
            self.fields[one.name] = field_of(one)
            self.fields[one.name].initial = usual.get(one.name)
        self.fields["count"].label = "How many"

    def value(self) -> Aliquots:
        return Aliquots(**{one.name: self.cleaned_data[one.name] for one in ALIQUOTS})

    @property
    def summary(self) -> str:
        """What a closed row says."""
        said = {one.name: self[one.name].value() or "" for one in ALIQUOTS}
        words = dict(columns.MATRIX.choices).get(said["matrix"], "")
        return f"{said['count']} × {said['ul']} mL {words}" if said["count"] else "none"


class _Rows(BaseFormSet):  # type: ignore[type-arg]
    def add_fields(self, form: Any, index: int | None) -> None:
        super().add_fields(form, index)
        form.fields["DELETE"].label = "Remove"

    def values(self) -> tuple[Aliquots, ...]:
        """The rows that say something and are not removed, as they stand."""
        kept = [one for one in self.forms if one.has_changed() or one.initial]
        return tuple(one.value() for one in kept if not one.cleaned_data.get("DELETE"))


AliquotRows = formset_factory(
    AliquotRow, formset=_Rows, extra=2, max_num=MOST_ROWS, validate_max=True, can_delete=True
)


class TubeForm(ColumnsForm):
    """One planned tube with its aliquots; `tube` is the one that changes, None for a new one."""

    of = TUBE
    SECTIONS = [
        ("What it is", ["label", "matrix", "additive", "cap", "container", "volume_ul", "purpose"]),
        ("Its place", ["number", "order_of_draw"]),
        (
            "From the needle on",
            [
                "inversions", "handling", "clot_min", "clot_max_min", "spin_g", "spin_minutes",
                "separate_min", "target_centi",
            ],
        ),
        ("When blood is short", ["priority", "short_rule", "least_pct"]),
    ]  # fmt: skip

    def __init__(self, data: Any = None, *, plan: Plan, tube: Planned | None = None) -> None:
        last = max((one.order_of_draw for one in plan.tubes), default=0)
        value = tube or Planned(plan.free_number(), last + 1, "", "BLD")
        super().__init__(data, plan=plan, value=value)
        made = [typed(some, ALIQUOTS) for some in value.made]
        self.rows = AliquotRows(data, initial=made, prefix="made")
        self.fields["handling"].widget.attrs["placeholder"] = "on ice, upright, …"

    def sections(self) -> list[tuple[str, list[Any]]]:
        return [(title, [self[name] for name in names]) for title, names in self.SECTIONS]

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        if not self.rows.is_valid():
            raise ValidationError("Look at the rows of aliquots.", "aliquot_rows_wrong")
        if not self.errors:
            said["tube"] = Planned(**self.said(), made=self.rows.values())
            names = {one.heading: one.name for one in TUBE}
            for fault in of_tube(said["tube"]):
                self.add_error(names[fault.column], ValidationError(fault.sentence, fault.code))
        return said


class ReasonForm(forms.Form):
    """Why something is taken out or no longer used; `seen` where a plan's state matters."""

    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=16)
    reason = why_field()


class TableForm(forms.Form):
    """A table that holds a plan."""

    file = forms.FileField(
        label="Table",
        allow_empty_file=True,
        help_text=f".xlsx or CSV in UTF-8, at most {MOST_BYTES // 1_000_000} MB, as the export writes it.",
    )
    reason = forms.CharField(
        max_length=100, required=False, label="Why it changes",
        help_text="Needed when a plan with this code is there already.",
    )  # fmt: skip


class MassForm(forms.Form):
    """The mass against which the blood of a plan is held."""

    kg = CellField(
        columns.scaled("kg", "body mass, kg", 1, LARGEST_G, 1000, must=True), widget=forms.TextInput(
            {"inputmode": "decimal", "autocomplete": "off"}
        )
    )  # fmt: skip


class KitForm(forms.Form):
    """For what to pack: a field day, or a plan and so many animals."""

    day = forms.ModelChoiceField(FieldDay.objects.none(), required=False, empty_label="no field day yet")
    plan = forms.ModelChoiceField(SamplePlan.objects.none(), required=False, empty_label="Choose a plan")
    animals = forms.IntegerField(required=False, min_value=0, max_value=60, label="Animals expected")
    spares = forms.IntegerField(required=False, min_value=0, max_value=60, label="Spare sets")

    def __init__(self, *args: Any, programme: Programme, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        plans = [one.pk for one in printable_plans(programme)]
        self.fields["day"].queryset = days_of(programme)
        self.fields["plan"].queryset = SamplePlan.objects.filter(pk__in=plans)
        self.fields["day"].label = "Field day"


class LotForm(forms.Form):
    """A lot of empty tubes."""

    additive = forms.ChoiceField(choices=ADDITIVES)
    lot = CellField(columns.words("lot", "lot number", 40, True))
    ul = CellField(columns.scaled("ul", "volume, mL", 1, 2_000_000, 1000), help_text="Empty for a swab.")
    container = CellField(
        columns.words("container", "container", 40), help_text="As the plan writes it, or empty for any."
    )
    cap = CellField(columns.words("cap", "cap", 20), widget=forms.Select(choices=CAP_CHOICES))
    expires = forms.DateField(
        required=False, label="Last day of use", widget=forms.DateInput({"type": "date"})
    )
    note = CellField(columns.words("note", "note", 160))

    def clean_expires(self) -> date | None:
        said: date | None = self.cleaned_data["expires"]
        if said is not None and not 2000 <= said.year <= 2100:
            raise ValidationError("This year cannot be right.", "year_out_of_range")
        return said
