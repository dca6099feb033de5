"""Forms of tube sets. They clean what was typed; whether it may be is for the actions to say."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.field.forms import AnimalChoice, LocalMoment
from biobank.forms import ActForm, BagField, TubesField
from biobank.labels.actions import MOST_SETS, Wanted
from biobank.models import Agency, FieldDay, Person, Programme, SamplePlan, TubeSet, Workup

from .actions import Taker

MIXED_UP = timedelta(days=14)  # how far apart two workups can be whose bags were mixed up


class NewSetsForm(ActForm):
    """Tube sets to print: of each plan so many for animals, and so many spares."""

    day = forms.ModelChoiceField(
        FieldDay.objects.none(), label="Field day", required=False, empty_label="No field day yet"
    )

    def __init__(self, *args: Any, programme: Programme, **kwargs: Any) -> None:
        super().__init__(*args, tz=programme.tz, **kwargs)
        self.plans = _newest(programme)
        self.fields["day"].queryset = _open_days(programme)
        self.fields["at"].help_text = "When the labels were printed. Leave empty for now."
        day = self.initial.get("day")
        first = (day.expected_animals if isinstance(day, FieldDay) else 0) if len(self.plans) == 1 else 0
        for plan in self.plans:
            self.fields[f"sets_{plan.pk}"] = _count(f"{plan}: sets for animals", first)
            self.fields[f"spares_{plan.pk}"] = _count(f"{plan}: spare sets", 0)

    def rows(self) -> list[tuple[SamplePlan, Any, Any]]:
        """For the page: each plan with its two fields."""
        return [(plan, self[f"sets_{plan.pk}"], self[f"spares_{plan.pk}"]) for plan in self.plans]

    def wanted(self) -> list[Wanted]:
        said = self.cleaned_data
        all_of = [
            Wanted(plan, said[f"sets_{plan.pk}"] or 0, said[f"spares_{plan.pk}"] or 0) for plan in self.plans
        ]
        return [one for one in all_of if one.sets or one.spares]


def _newest(programme: Programme) -> list[SamplePlan]:
    """The newest version of each plan that is still printed from. 1 query."""
    found = {plan.code: plan for plan in programme.plans.filter(retired=False).order_by("code", "version")}
    return list(found.values())


def _open_days(programme: Programme) -> Any:
    return FieldDay.objects.filter(site__programme=programme, closed=False).select_related("site")


def _count(label: str, first: int) -> forms.IntegerField:
    number = forms.NumberInput({"inputmode": "numeric", "min": "0", "max": str(MOST_SETS)})
    return forms.IntegerField(label=label, initial=first, required=False, min_value=0, widget=number)


class ScanSetForm(forms.Form):
    """The label of a bag; `workup` when the set is for one that is known."""

    code = BagField()
    workup = forms.CharField(required=False, max_length=24, widget=forms.HiddenInput)


class BindForm(ActForm):
    """A set and the workup it is for."""

    workup = forms.ModelChoiceField(Workup.objects.none(), required=False, empty_label="A new workup")

    def __init__(self, *args: Any, programme: Programme, tube_set: TubeSet, **kwargs: Any) -> None:
        super().__init__(*args, tz=programme.tz, **kwargs)
        free = Workup.objects.filter(day__site__programme=programme, tube_set=None)
        self.fields["workup"].queryset = free.select_related("day__site").order_by("-day__date", "code")
        self.fields["animal"] = AnimalChoice(
            programme, required=False, empty_label="Not known yet",
            help_text="It can be said later, on the workup's page.",
        )  # fmt: skip
        self.fields["net_closed"] = LocalMoment(self.tz, label="Net closed")
        self.fields["out_of_water"] = LocalMoment(self.tz, label="Out of water")
        self.fields["day"] = forms.ModelChoiceField(
            _open_days(programme), required=False, label="Field day of a new workup",
            empty_label=f"As printed: {tube_set.day}" if tube_set.day else "Choose a field day",
        )  # fmt: skip
        self.fields["why"] = forms.CharField(
            max_length=90, required=False, label="Why this set",
            help_text="Needed when it was printed for another day.",
        )  # fmt: skip
        self.fields["at"].label = "When the set was bound"
        self.order_fields([name for name in self.fields if name != "at"])

    def clock(self) -> dict[str, datetime | None]:
        return {name: self.cleaned_data[name] for name in ["net_closed", "out_of_water"]}


class BagForm(forms.Form):
    """Tubes that are scanned into a bag: one in the field that is always ready, or many at once."""

    code = TubesField(required=False, label="Tube", widget=forms.TextInput({"autocomplete": "off"}))
    many = TubesField(required=False, label="Many at once", help_text="One code a line.")

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        if not self.errors and not self.scanned():
            raise ValidationError("Scan a tube of this bag.", "nothing_said")
        return said

    def scanned(self) -> list[str]:
        return [*(self.cleaned_data.get("code") or []), *(self.cleaned_data.get("many") or [])]


class PackForm(ActForm):
    """The bag is complete."""

    def __init__(self, *args: Any, aliquots: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if aliquots:
            label = f"The sheet with {aliquots} labels for aliquots is in the bag"
            self.fields["sheet"] = forms.BooleanField(required=False, label=label)
        self.order_fields([name for name in self.fields if name != "at"])


class IssueForm(ActForm):
    """Who takes a packed bag along."""

    to = forms.ChoiceField(label="Who takes it along")

    def __init__(self, *args: Any, programme: Programme, tube_set: TubeSet, **kwargs: Any) -> None:
        super().__init__(*args, tz=programme.tz, **kwargs)
        self.people = list(programme.people.select_related("agency").order_by("name"))
        self.agencies = sorted({one.agency for one in self.people}, key=lambda one: one.name)
        self.fields["to"].choices = [
            ("", "Choose"),
            ("An agency", [(f"a:{one.code}", one.name) for one in self.agencies]),
            ("A person", [(f"p:{one.code}", f"{one.name}, {one.agency.code}") for one in self.people]),
        ]
        if tube_set.day_id is None:
            self.fields["day"] = forms.ModelChoiceField(
                _open_days(programme), required=False, label="Field day", empty_label="No field day yet"
            )
        self.order_fields([name for name in self.fields if name != "at"])

    def taker(self) -> Taker:
        kind, _, code = self.cleaned_data["to"].partition(":")
        person: Person | None = next((one for one in self.people if kind == "p" and one.code == code), None)
        agency: Agency = person.agency if person else next(one for one in self.agencies if one.code == code)
        return Taker(agency, person)


class ReturnForm(ActForm):
    """An unused set that comes back."""

    opened = forms.BooleanField(required=False, label="The bag was opened: pack it anew")
    why = forms.CharField(max_length=90, required=False, label="Why it was not used")


class RebindForm(ActForm):
    """The workup to which a set belongs after all."""

    workup = forms.ModelChoiceField(Workup.objects.none(), empty_label="Choose the right workup")
    why = forms.CharField(max_length=90, label="How you know")

    def __init__(self, *args: Any, programme: Programme, tube_set: TubeSet, **kwargs: Any) -> None:
        super().__init__(*args, tz=programme.tz, **kwargs)
        del self.fields["at"]
        near = Workup.objects.filter(day__site__programme=programme)
        if tube_set.workup:
            date = tube_set.workup.day.date
            near = near.filter(day__date__range=(date - MIXED_UP, date + MIXED_UP))
        self.fields["workup"].queryset = near.select_related("tube_set").order_by("-day__date", "code")
        self.fields["workup"].label_from_instance = _with_its_set


def _with_its_set(workup: Any) -> str:
    has = getattr(workup, "tube_set", None)
    return f"{workup}: changes places with set {has}" if has else f"{workup}: has no set"
