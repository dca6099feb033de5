"""Forms of the field pages. They clean what was typed; whether it may be is for the actions to say."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from biobank.core import codes
from biobank.forms import ActForm, LocalTime, TubeField, moment
from biobank.labels.actions import MOST_SETS
from biobank.models import Animal, FieldDay, Identifier, Programme, SamplePlan, Sex, Site, TubeSet, Workup

from .drawing import REASONS, Filled, Missed
from .queries import TubeRow

WAIT = "wait"
HOW = [(WAIT, "Not yet"), ("full", "Full"), ("short", "Short"), ("missed", "Not collected")]


class Millilitres(forms.DecimalField):
    """A volume as people say it, in mL with point or comma; cleans to whole microlitres."""

    widget = forms.TextInput

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"max_digits": 7, "decimal_places": 3, "required": False} | given))
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off", "size": "6"}

    def to_python(self, value: Any) -> Decimal | None:
        return super().to_python(str(value).strip().replace(",", ".") if value else None)

    def clean(self, value: Any) -> int | None:
        ml = super().clean(value)
        return None if ml is None else int(ml * 1000)


class How(forms.ChoiceField):
    """What became of a tube. Nothing said (another page asked about it) is not yet."""

    def __init__(self) -> None:
        super().__init__(choices=HOW, initial=WAIT, label="How", widget=forms.RadioSelect)

    def clean(self, value: Any) -> str:
        return super().clean(value) if value else WAIT


class LocalMoment(forms.CharField):
    """A date and time typed in the programme's zone; cleans to an aware moment or None."""

    def __init__(self, tz: str, **given: Any) -> None:
        super().__init__(**({"required": False, "widget": LocalTime()} | given))
        self.tz = tz

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, datetime):
            return value.astimezone(ZoneInfo(self.tz)).strftime("%Y-%m-%dT%H:%M")
        return value

    def clean(self, value: Any) -> datetime | None:
        return moment(super().clean(value), self.tz)


class DayForm(ActForm):
    """A new field day."""

    site = forms.ModelChoiceField(Site.objects.none(), empty_label=None)
    date = forms.DateField(widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"))
    expected = forms.IntegerField(label="Animals expected", min_value=0, max_value=500, initial=0)

    def __init__(self, *args: Any, programme: Programme, **kwargs: Any) -> None:
        super().__init__(*args, tz=programme.tz, **kwargs)
        self.fields["site"].queryset = programme.sites.all()
        del self.fields["at"]


class NewSetsForm(ActForm):
    """Tube sets to print."""

    plan = forms.ModelChoiceField(SamplePlan.objects.none(), label="Sample plan", empty_label=None)
    day = forms.ModelChoiceField(
        FieldDay.objects.none(), label="Field day", required=False, empty_label="No field day yet (spares)"
    )
    count = forms.IntegerField(
        label="How many sets", initial=1, help_text=f"One set for each workup, at most {MOST_SETS}."
    )

    def __init__(self, *args: Any, programme: Programme, **kwargs: Any) -> None:
        super().__init__(*args, tz=programme.tz, **kwargs)
        self.fields["plan"].queryset = programme.plans.all()
        self.fields["day"].queryset = FieldDay.objects.filter(
            site__programme=programme, closed=False
        ).select_related("site")
        self.fields["at"].help_text = "When the labels were printed. Leave empty for now."


class AnimalChoice(forms.ModelChoiceField):
    """Animals by code and what they are called in the field."""

    def __init__(self, programme: Programme, **given: Any) -> None:
        found = Animal.objects.filter(programme=programme).prefetch_related("identifiers")
        super().__init__(found, **given)

    def label_from_instance(self, animal: Any) -> str:
        borne = [str(one) for one in animal.identifiers.all() if one.until is None]
        return ", ".join([f"{animal.code}: {animal.species}", *borne])


class BindForm(ActForm):
    """A set and the workup it is for."""

    workup = forms.ModelChoiceField(Workup.objects.none(), required=False, empty_label="A new workup")

    def __init__(self, *args: Any, programme: Programme, tube_set: TubeSet, **kwargs: Any) -> None:
        super().__init__(*args, tz=programme.tz, **kwargs)
        free = Workup.objects.filter(day__site__programme=programme, tube_set=None)
        self.fields["workup"].queryset = free.filter(day=tube_set.day_id) if tube_set.day_id else free
        self.fields["animal"] = AnimalChoice(
            programme, required=False, empty_label="Not known yet",
            help_text="It can be said later, on the workup's page.",
        )  # fmt: skip
        self.fields["net_closed"] = LocalMoment(self.tz, label="Net closed")
        self.fields["out_of_water"] = LocalMoment(self.tz, label="Out of water")
        self.fields["at"].label = "When the set was bound"
        self.order_fields([name for name in self.fields if name != "at"])

    def clock(self) -> dict[str, datetime | None]:
        return {name: self.cleaned_data[name] for name in ["net_closed", "out_of_water"]}


class DrawForm(ActForm):
    """The tubes of one workup: each full, short, not collected, or not yet."""

    note = forms.CharField(max_length=300, required=False, help_text="Kept with every tube of this form.")

    def __init__(self, *args: Any, rows: Sequence[TubeRow], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.tube_rows = [row for row in rows if not row.tube.parent_hint]
        self.fields["at"].label = "Needle in"
        for row in self.tube_rows:
            self._add(row.code)

    def _add(self, code: str) -> None:
        self.fields |= {
            f"how_{code}": How(),
            f"ml_{code}": Millilitres(label="Volume, mL"),
            f"why_{code}": forms.ChoiceField(
                choices=[("", "Choose a reason"), *REASONS], required=False, label="Why not"
            ),
            f"time_{code}": forms.TimeField(
                required=False, label="Own time", widget=forms.TimeInput({"type": "time"}, format="%H:%M")
            ),
        }

    def tubes(self) -> list[dict[str, Any]]:
        """For the page: each tube with its bound fields."""
        parts = ["how", "ml", "why", "time"]
        return [{"row": row} | {part: self[f"{part}_{row.code}"] for part in parts} for row in self.tube_rows]

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        for row in self.tube_rows:
            how, ml = said.get(f"how_{row.code}"), said.get(f"ml_{row.code}")
            if how == "short" and ml is None and f"ml_{row.code}" not in self.errors:
                self._wrong(f"ml_{row.code}", "How much is in it?", "volume_required")
            if how == "missed" and not said.get(f"why_{row.code}"):
                self._wrong(f"why_{row.code}", "Say why this tube was not collected.", "reason_required")
            if how != "short" and ml is not None:
                self._wrong(
                    f"how_{row.code}", "A volume is given: choose Short, or clear it.", "choice_required"
                )
        return said

    def _wrong(self, name: str, sentence: str, code: str) -> None:
        self.add_error(name, ValidationError(sentence, code))

    def filled(self) -> list[Filled]:
        return [
            Filled(code, self._time(code), self.cleaned_data[f"ml_{code}"])
            for code in self._chosen({"full", "short"})
        ]

    def missed(self) -> list[Missed]:
        return [Missed(code, self.cleaned_data[f"why_{code}"]) for code in self._chosen({"missed"})]

    def _chosen(self, how: set[str]) -> list[str]:
        return [row.code for row in self.tube_rows if self.cleaned_data[f"how_{row.code}"] in how]

    def _time(self, code: str) -> datetime | None:
        """A tube's own time, on the day of the needle."""
        own = self.cleaned_data[f"time_{code}"]
        if own is None:
            return None
        needle = (self.cleaned_data["at"] or timezone.now()).astimezone(ZoneInfo(self.tz))
        return datetime.combine(needle.date(), own, ZoneInfo(self.tz))


class DrawOneForm(ActForm):
    """One scanned tube."""

    code = TubeField()
    ml = Millilitres(label="Volume, mL", help_text="Leave empty when it is full.")


class ClockForm(ActForm):
    """The clock of a workup."""

    reason = forms.CharField(
        max_length=90, required=False, label="Why", help_text="Needed when a time that stands changes."
    )

    def __init__(self, *args: Any, workup: Workup, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
        for name in Workup.CLOCK:
            label = name.replace("_", " ").capitalize()
            self.fields[name] = LocalMoment(self.tz, label=label, initial=getattr(workup, name))
        self.order_fields([*Workup.CLOCK, "reason"])

    def clock(self) -> dict[str, datetime | None]:
        return {name: self.cleaned_data[name] for name in Workup.CLOCK}


class IdentifyForm(ActForm):
    """Which known animal it was."""

    reason = forms.CharField(
        max_length=90, required=False, label="Why", help_text="Needed when another animal stands there."
    )

    def __init__(self, *args: Any, programme: Programme, **kwargs: Any) -> None:
        super().__init__(*args, tz=programme.tz, **kwargs)
        del self.fields["at"]
        self.fields["animal"] = AnimalChoice(programme, empty_label="Choose an animal")
        self.order_fields(["animal", "reason"])


class NewAnimalForm(ActForm):
    """An animal that was never met before."""

    species = forms.CharField(max_length=80)
    sex = forms.ChoiceField(choices=Sex.choices, initial=Sex.UNKNOWN)
    kind = forms.ChoiceField(choices=Identifier.Kind.choices, label="Known by")
    text = forms.CharField(max_length=40, label="Which reads", help_text="A chip reader may type here.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]


class PaperForm(forms.Form):
    """Which labels on which paper."""

    stock = forms.ChoiceField(label="Label stock")
    start = forms.IntegerField(
        label="Labels used up on the first sheet", min_value=0, max_value=500, initial=0, required=False
    )
    which = forms.ChoiceField(
        label="Which tubes",
        required=False,
        choices=[
            ("all", "All of the set"),
            ("primaries", "Tubes to draw"),
            ("aliquots", "Tubes for aliquots"),
        ],
    )

    def __init__(self, *args: Any, stocks: Sequence[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["stock"].choices = stocks


class ReprintForm(ActForm):
    """Labels that are printed a second time."""

    tubes = forms.MultipleChoiceField(
        required=False, help_text="Choose none for the whole set.", widget=forms.CheckboxSelectMultiple
    )
    reason = forms.CharField(max_length=80, label="Why")

    def __init__(self, *args: Any, rows: Sequence[TubeRow], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["tubes"].choices = [
            (row.code, f"{codes.show(row.code)} {row.tube.label}") for row in rows
        ]
        del self.fields["at"]


class VoidForm(ActForm):
    """A set that is taken out of use."""

    reason = forms.CharField(max_length=90, label="Why")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
