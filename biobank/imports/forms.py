"""Forms of the import room: the file, the mapping with its tubes and outcome rules, the taking in.

Promises: a mapping goes into its form and comes out of it as the same data.
"""

from __future__ import annotations

from typing import Any

from django import forms
from django.forms import BaseFormSet, formset_factory

from biobank.forms import ActForm
from biobank.imports.read import MOST_BYTES
from biobank.models import ADDITIVES, MATRICES, Identifier, Sex, TableMapping

OUTCOMES = [("", "—"), ("drawn", "drawn"), ("short", "short draw"), ("not_collected", "not collected")]
TESTS = [
    ("", "—"),
    ("if_contains", "contains"),
    ("if_equals", "is exactly"),
    ("if_blank", "is blank"),
    ("if_present", "is not blank"),
]
OTHERWISE = [("refuse", "stop: the row is an error"), ("drawn", "the tube was drawn")]
LAST = 10_000
SAME = "Empty if it is the same for the whole table: then say it in the next field."


def lines(label: str, hint: str, required: bool = False) -> forms.CharField:
    widget = forms.Textarea(attrs={"rows": 3, "spellcheck": "false"})
    return forms.CharField(label=label, help_text=hint, required=required, widget=widget)


def words(label: str, required: bool = False, hint: str = "", longest: int = 120) -> forms.CharField:
    return forms.CharField(label=label, required=required, help_text=hint, max_length=longest)


def prose(label: str) -> forms.CharField:
    widget = forms.Textarea(attrs={"rows": 3})
    return forms.CharField(label=label, required=False, max_length=1000, widget=widget)


class KeyForm(ActForm):
    """An act whose time is that of the rows, not of the form."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]


class UploadForm(KeyForm):
    mapping = forms.ModelChoiceField(TableMapping.objects.none(), label="Mapping", empty_label=None)
    file = forms.FileField(
        label="Table",
        help_text=f"CSV in UTF-8 (comma, semicolon or tab) or .xlsx, at most {MOST_BYTES // 1_000_000} MB, "
        "the names of the columns in the first row.",
        allow_empty_file=True,
    )
    sheet = words("Sheet", hint="Of an .xlsx file. Leave empty for the first.", longest=80)

    def __init__(self, *args: Any, mappings: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["mapping"].queryset = mappings


class TakeInForm(KeyForm):
    seen = forms.CharField(widget=forms.HiddenInput, max_length=64)


class MappingForm(KeyForm):
    name = words("Name of the mapping", True, longest=80)
    about = forms.CharField(
        label="What the table is", required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    individual_columns = lines(
        "Columns that make an individual",
        "One a line. Together they must name one animal and no other; a number that starts again "
        "each season needs the season beside it.",
        True,
    )
    individual_join = forms.CharField(
        label="Joined by",
        required=False,
        max_length=3,
        strip=False,
        help_text="What stands between the parts.",
    )
    individual_kind = forms.ChoiceField(
        label="Kind of identifier", choices=Identifier.Kind.choices, initial="field"
    )
    individual_why = prose("How one knows that these make an individual")
    species_column = words("Species: column", hint=SAME)
    species_value = words("Species for the whole table", longest=80)
    species_words = lines(
        "Species: words", "Cell = species, one a line, where the cell says it in another way."
    )
    sex_column = words("Sex: column", hint=SAME)
    sex_value = forms.ChoiceField(
        label="Sex for the whole table",
        required=False,
        choices=[("", "—"), *Sex.choices],
        help_text="Empty: not known.",
    )
    sex_words = lines("Sex: words", "Cell = F, M or U, one a line. Female, male, F and M are known.")
    site_column = words("Site: column", hint=SAME)
    site_value = words("Site for the whole table")
    site_words = lines("Site codes", "Site = code, one a line. Others get a code from their name.")
    date_column = words("Date: column", True)
    date_format = words(
        "Date: format", hint="%d.%m.%Y reads 31.05.2024; without an hour, noon ± 12 h is written."
    )
    date_tz = words("Date: time zone", hint="Such as Europe/Oslo. Empty: the programme's.", longest=64)
    date_why = prose("What the date means")
    missing = lines("Words that mean a missing value", "One a line, such as NA.")
    comments = words(
        "Comments: column", hint="Where the outcome rules look, unless a rule names another column."
    )
    otherwise = forms.ChoiceField(label="If no rule fits", choices=OTHERWISE, initial="refuse")
    plan_code = words("Code of the sample plan", True, "Letters, digits, hyphens.", 20)
    plan_name = words("Name of the sample plan", hint="“, as imported” is added.", longest=100)
    reason = words("Why the mapping changes", longest=80)

    SECTIONS = [
        ("The table", ["name", "about", "missing"]),
        ("Which animal", ["individual_columns", "individual_join", "individual_kind", "individual_why"]),
        ("Species", ["species_column", "species_value", "species_words"]),
        ("Sex", ["sex_column", "sex_value", "sex_words"]),
        ("Where", ["site_column", "site_value", "site_words"]),
        ("When", ["date_column", "date_format", "date_tz", "date_why"]),
        ("Comments and plan", ["comments", "otherwise", "plan_code", "plan_name"]),
    ]

    def sections(self) -> list[tuple[str, list[Any]]]:
        """The fields as they stand on the page, in groups."""
        return [(title, [self[name] for name in names]) for title, names in self.SECTIONS]

    def last(self) -> list[tuple[str, list[Any]]]:
        """What is asked after the tubes and rules."""
        return [("Why", [self["reason"]])] if self.initial.get("name") else []


class TubeRow(forms.Form):
    label = words("Label", longest=40)
    matrix = forms.ChoiceField(label="Content", choices=MATRICES, required=False, initial="BLD")
    additive = forms.ChoiceField(label="Additive", choices=[("", "not known"), *ADDITIVES], required=False)
    container = words("Container", longest=40)
    volume_ul = forms.IntegerField(label="Planned, µL", required=False, min_value=1, max_value=2_000_000)
    volume_column = words("Column of the volume")
    volume_unit = forms.ChoiceField(label="in", choices=[("mL", "mL"), ("µL", "µL")], required=False)

    @property
    def filled(self) -> bool:
        return bool(self.cleaned_data.get("label"))

    @property
    def summary(self) -> str:
        """What a closed row says."""
        said = {name: self[name].value() or "" for name in ("label", "matrix", "additive")}
        words = [
            said["label"],
            dict(MATRICES).get(said["matrix"], ""),
            dict(ADDITIVES).get(said["additive"], ""),
        ]
        return ", ".join(one for one in words if one) if said["label"] else "none"


class RuleRow(forms.Form):
    column = words("Column")
    test = forms.ChoiceField(label="Test", choices=TESTS, required=False)
    text = words("Words")
    tube = words("Tube", longest=40)
    outcome = forms.ChoiceField(label="Then", choices=OUTCOMES, required=False)
    reason = words("Reason", longest=200)
    why = words("Note", longest=1000)

    @property
    def filled(self) -> bool:
        return bool(self.cleaned_data.get("test") or self.cleaned_data.get("outcome"))

    @property
    def summary(self) -> str:
        """What a closed row says."""
        test, outcome = self["test"].value() or "", self["outcome"].value() or ""
        if not test:
            return "none"
        text = f" “{self['text'].value()}”" if self["text"].value() else ""
        tube = f"{self['tube'].value()} " if self["tube"].value() else ""
        column = f"{self['column'].value()} " if self["column"].value() else ""
        return f"{column}{dict(TESTS)[test]}{text}: {tube}{dict(OUTCOMES).get(outcome, '')}"


class Rows(BaseFormSet):  # type: ignore[type-arg]
    """Rows in the order of their numbers, then as they stand; empty and removed ones are left out."""

    def add_fields(self, form: Any, index: int | None) -> None:
        super().add_fields(form, index)
        form.fields["DELETE"].label = "Remove"

    def said(self) -> list[Any]:
        kept = [form for form in self.forms if form.filled and not form.cleaned_data.get("DELETE")]
        return sorted(kept, key=_number)


def _number(form: Any) -> int:
    """A row without number comes last; nought is a number."""
    number = form.cleaned_data.get("ORDER")
    return LAST if number is None else int(number)


TubeRows = formset_factory(TubeRow, formset=Rows, extra=2, max_num=99, can_delete=True)
RuleRows = formset_factory(RuleRow, formset=Rows, extra=3, max_num=200, can_delete=True, can_order=True)


def form_of(spec: dict[str, Any]) -> dict[str, Any]:
    """The form's initial values for this mapping."""
    said = {
        "about": spec.get("about", ""),
        "missing": "\n".join(spec.get("missing", [])),
        "comments": spec.get("comments", ""),
        "otherwise": spec.get("otherwise", "refuse"),
    }
    for part in ("individual", "species", "sex", "site", "date", "plan"):
        said |= {f"{part}_{name}": value for name, value in spec.get(part, {}).items()}
    said["individual_columns"] = "\n".join(said.get("individual_columns", []))
    said.setdefault("individual_join", " ")
    for name in ("species_words", "sex_words", "site_words"):
        said[name] = "\n".join(f"{cell} = {to}" for cell, to in said.get(name, {}).items())
    return said


def tubes_of(spec: dict[str, Any]) -> list[dict[str, Any]]:
    return [dict(tube) for tube in spec.get("tubes", [])]


def rules_of(spec: dict[str, Any]) -> list[dict[str, Any]]:
    tests = [name for name, _ in TESTS if name]

    def row(rule: dict[str, Any]) -> dict[str, Any]:
        test = next((name for name in tests if name in rule), "")
        text = rule[test] if isinstance(rule.get(test), str) else ""
        return {name: value for name, value in rule.items() if name not in tests} | {
            "test": test,
            "text": text,
        }

    return [row(rule) for rule in spec.get("rules", [])]


def spec_of(said: dict[str, Any], tubes: list[Any], rules: list[Any]) -> dict[str, Any]:
    """The mapping that the filled form means; biobank.imports.mapping judges it."""
    spec = {
        "about": said["about"],
        "individual": _part(said, "individual", "kind", "why")
        | {"columns": _lines(said["individual_columns"]), "join": said["individual_join"]},
        "species": _said(said, "species", "column", "value"),
        "sex": _said(said, "sex", "column", "value") or {"value": "U"},
        "site": _said(said, "site", "column", "value"),
        "date": _part(said, "date", "column", "format", "tz", "why"),
        "missing": _lines(said["missing"]),
        "plan": _part(said, "plan", "code", "name"),
        "tubes": [_kept(form.cleaned_data) for form in tubes],
        "comments": said["comments"],
        "rules": [_rule(form.cleaned_data) for form in rules],
        "otherwise": said["otherwise"],
    }
    return {name: value for name, value in spec.items() if value != ""}


def _lines(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.strip()]


def _pairs(text: str) -> dict[str, str]:
    """`cell = word` lines; a cell may hold an equals sign, a word may not."""
    split = [line.rpartition("=") for line in _lines(text)]
    return {cell.strip(): word.strip() for cell, _, word in split}


def _part(said: dict[str, Any], part: str, *names: str) -> dict[str, Any]:
    return {name: said[f"{part}_{name}"] for name in names if said[f"{part}_{name}"]}


def _said(said: dict[str, Any], part: str, *names: str) -> dict[str, Any]:
    table = _pairs(said[f"{part}_words"])
    return _part(said, part, *names) | ({"words": table} if table else {})


def _kept(row: dict[str, Any]) -> dict[str, Any]:
    kept = {
        name: value
        for name, value in row.items()
        if value not in ("", None) and name not in ("DELETE", "ORDER")
    }
    if "volume_column" not in kept:
        kept.pop("volume_unit", None)
    return kept


def _rule(row: dict[str, Any]) -> dict[str, Any]:
    rest = {name: value for name, value in _kept(row).items() if name not in ("test", "text")}
    test = row.get("test") or ""
    return rest | ({test: row["text"] if test in ("if_contains", "if_equals") else True} if test else {})
