"""What people choose a selection of tubes by, for one assay.

Promises: bad input is refused beside its field and nothing of what was typed is lost; who sees the
catalogue alone has no field for places and none for a date finer than a year.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError

from biobank.checks.fit_access import readable, whole
from biobank.core import codes
from biobank.forms import TubesField
from biobank.models import SamplePlan
from biobank.models.plans import MATRICES, Taxon
from biobank.models.verdicts import WORDS
from biobank.store.queries import unit_by_code

ANY = [("", "any")]
DATE = forms.DateInput({"type": "date"}, format="%Y-%m-%d")
MOST_CODES = 5_000
FIRST, LAST = 1900, 2200


class SelectForm(forms.Form):
    """Conditions that all hold; an empty one is for all.

    Cleans to: word, matrix, taxon, plan (code), set (code), unit (Unit), drawn_from and drawn_to (UTC ms,
    to is not in), least_ul, measured_bp (hundredths of a per cent), tubes (codes)
    """

    word = forms.ChoiceField(label="Answer", required=False, choices=[*ANY, *WORDS])
    matrix = forms.ChoiceField(label="Content", required=False)
    taxon = forms.ChoiceField(label="Species group", required=False, choices=[*ANY, *Taxon.choices])
    plan = forms.ChoiceField(label="Sample plan", required=False)
    tube_set = forms.CharField(label="Tube set", required=False, max_length=5)
    unit = forms.CharField(
        label="In unit", required=False, max_length=20, help_text="And all that stands in it."
    )
    drawn_from = forms.DateField(label="Drawn from", required=False, widget=DATE)
    drawn_to = forms.DateField(label="Drawn to", required=False, widget=DATE)
    year_from = forms.IntegerField(label="Drawn from year", required=False, min_value=FIRST, max_value=LAST)
    year_to = forms.IntegerField(label="Drawn to year", required=False, min_value=FIRST, max_value=LAST)
    least_ul = forms.IntegerField(
        label="Volume at least, µL", required=False, min_value=0, max_value=10_000_000
    )
    measured = forms.IntegerField(label="Measured at least, %", required=False, min_value=0, max_value=100)
    tubes = TubesField(
        label="Only these tubes", required=False, help_text="Paste or scan codes, one a line.",
        widget=forms.Textarea({"rows": 3, "autocomplete": "off", "spellcheck": "false"}),
    )  # fmt: skip

    def __init__(self, *args: Any, who: Any, takes: list[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.who, self.takes = who, takes
        there = dict(MATRICES)
        self.fields["matrix"].choices = [*ANY, *((one, there.get(one, one)) for one in takes)]  # type: ignore[attr-defined]
        plans = SamplePlan.objects.filter(programme=who.programme_id).order_by("code", "-version")
        named = {code: name for code, name in plans.values_list("code", "name")}
        self.fields["plan"].choices = [*ANY, *named.items()]  # type: ignore[attr-defined]
        gone = ("year_from", "year_to") if whole(who) else ("unit", "tube_set", "drawn_from", "drawn_to")
        for name in gone:
            del self.fields[name]

    def clean_tube_set(self) -> str:
        return str(self.cleaned_data["tube_set"]).strip().upper()

    def clean_unit(self) -> Any:
        text = self.cleaned_data["unit"].strip()
        found = unit_by_code(text) if text else None
        if text and found is None:
            raise ValidationError(f"There is no unit “{text}”.", "unit_unknown")
        return found

    def clean_tubes(self) -> list[str]:
        found: list[str] = self.cleaned_data["tubes"]
        if len(found) > MOST_CODES:
            raise ValidationError(f"At most {MOST_CODES} codes at once.", "too_many_codes")
        here = readable(found, self.who)
        if strange := [one for one in found if one not in here]:
            shown = ", ".join(codes.show(one) for one in strange[:5])
            raise ValidationError(f"No such tube here: {shown}.", "tube_unknown")
        return found

    def clean_drawn_from(self) -> date | None:
        return _sane(self.cleaned_data["drawn_from"])

    def clean_drawn_to(self) -> date | None:
        return _sane(self.cleaned_data["drawn_to"])

    def clean(self) -> dict[str, Any]:
        said = super().clean() or {}
        start, end = self._drawn(said)
        if start is not None and end is not None and end <= start:
            last = "drawn_to" if "drawn_to" in self.fields else "year_to"
            self.add_error(last, ValidationError("This lies before the first one.", "dates_reversed"))
        measured = said.get("measured")
        return said | {
            "from_ms": start, "to_ms": end, "measured_bp": None if measured is None else measured * 100,
        }  # fmt: skip

    def _drawn(self, said: dict[str, Any]) -> tuple[int | None, int | None]:
        first, last = said.get("drawn_from"), said.get("drawn_to")
        if said.get("year_from"):
            first = date(said["year_from"], 1, 1)
        if said.get("year_to"):
            last = date(said["year_to"], 12, 31)
        tz = ZoneInfo(self.who.programme.tz)
        return _midnight(first, tz), _midnight(last + timedelta(days=1) if last else None, tz)


def _sane(day: date | None) -> date | None:
    if day is not None and not FIRST <= day.year <= LAST:
        raise ValidationError(f"A year from {FIRST} to {LAST}.", "year_out_of_range")
    return day


def _midnight(day: date | None, tz: ZoneInfo) -> int | None:
    if day is None:
        return None
    at = datetime(day.year, day.month, day.day, tzinfo=tz).astimezone(UTC)
    return int(at.timestamp() * 1000)
