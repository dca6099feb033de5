"""A field sheet as a form: its rows in its order, to be typed as they stand on paper.

Promises: a time that is left empty is that of the row above, as on the sheet; a row that is left empty says
nothing, unless it is said that all of them are ticked.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from biobank.core import codes
from biobank.field.drawing import BLOOD, OTHER, Filled, Missed
from biobank.field.forms import Millilitres
from biobank.field.queries import TubeRow
from biobank.forms import ActForm
from biobank.models import FieldDay, Person, SheetPhoto, TubeSet, Workup

from .actions import Sheet
from .letters import LETTERS
from .paper import MOST_COPIES, PAPERS

CLOCK_TIME = re.compile(r"(\d{1,2})(?:[:.h ]?(\d{2}))\Z")
HALF_A_DAY = timedelta(hours=12)


class HourField(forms.CharField):
    """A time of day as it is written: 9:14, 09.14, 914, 9h14; cleans to a time, or None."""

    def __init__(self, placeholder: str = "", **given: Any) -> None:
        super().__init__(**({"required": False, "max_length": 8} | given))
        self.widget.attrs |= {"inputmode": "numeric", "autocomplete": "off", "size": "5"}
        self.widget.attrs |= {"placeholder": placeholder} if placeholder else {}

    def clean(self, value: Any) -> time | None:
        text = super().clean(value)
        if not text:
            return None
        found = CLOCK_TIME.match(text.strip())
        if not found or int(found[1]) > 23 or int(found[2]) > 59:
            raise ValidationError(f"“{text}” is not a time of day (like 9:14).", "time_malformed")
        return time(int(found[1]), int(found[2]))


class LetterField(forms.CharField):
    """Why a tube was not collected, by its letter on the sheet; cleans to the reason."""

    def __init__(self, label: str) -> None:
        super().__init__(required=False, max_length=2, label=label)
        self.widget.attrs |= {"autocomplete": "off", "autocapitalize": "characters", "size": "2"}

    def clean(self, value: Any) -> str:
        letter = (super().clean(value) or "").strip().upper()
        if letter and letter not in LETTERS:
            raise ValidationError(f"The letter is one of {', '.join(LETTERS)}.", "letter_unknown")
        return LETTERS.get(letter, "")


class PdfForm(forms.Form):
    """On which paper, and how many."""

    paper = forms.ChoiceField(choices=[(code, one.name) for code, one in PAPERS.items()])
    copies = forms.IntegerField(min_value=1, max_value=MOST_COPIES, required=False, initial=1)


class EnterForm(ActForm):
    """One sheet."""

    date = forms.DateField(label="Date on the sheet", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"))
    rest = forms.BooleanField(required=False, label="All rows that I leave empty are ticked on the sheet")
    note = forms.CharField(
        max_length=300, required=False, label="Remark", widget=forms.Textarea({"rows": 2}),
        help_text="Kept with every tube of this form.",
    )  # fmt: skip

    def __init__(
        self, *args: Any, tube_set: TubeSet, rows: Sequence[TubeRow], photos: Sequence[SheetPhoto],
        people: Sequence[Person], typist: Person, **kwargs: Any,
    ) -> None:  # fmt: skip
        super().__init__(*args, tz=tube_set.plan.programme.tz, **kwargs)
        del self.fields["at"]
        self.tube_set, self.photos, self.people = tube_set, photos, {one.code: one for one in people}
        self.tube_rows = [row for row in rows if not row.tube.parent_hint]
        self.open_rows = [row for row in self.tube_rows if row.is_open]
        day = tube_set.workup.day if tube_set.workup else tube_set.day
        self.fields["date"].initial = day.date if day else None
        names = [(one.code, one.name) for one in people]
        self.fields["by"] = forms.ChoiceField(choices=names, label="Filled by", initial=typist.code)
        self._binding(day)
        for name in self.blanks:
            self.fields[name] = HourField(label=name.replace("_", " ").capitalize())
        for row in self.open_rows:
            self._row(row)
        self._source()

    @property
    def blanks(self) -> list[str]:
        """Times of the workup that nobody has said yet."""
        return [name for name in Workup.CLOCK if getattr(self.tube_set.workup, name, None) is None]

    def _binding(self, day: FieldDay | None) -> None:
        programme = self.tube_set.plan.programme
        if self.tube_set.workup is None:
            free = Workup.objects.filter(day__site__programme=programme, tube_set=None)
            self.fields["workup"] = forms.ModelChoiceField(
                free.select_related("day__site").order_by("-day__date", "code"), required=False,
                empty_label="A new workup",
            )  # fmt: skip
            days = FieldDay.objects.filter(site__programme=programme, closed=False).select_related("site")
            self.fields["day"] = forms.ModelChoiceField(
                days, required=False, label="Field day of a new workup",
                empty_label=f"As printed: {day}" if day else "Choose a field day",
            )  # fmt: skip
        if self.tube_set.workup is None or (day and day.closed):
            self.fields["why"] = forms.CharField(
                max_length=90, required=False, label="Why this set, or this change",
                help_text="Needed when it was printed for another day, or the day is signed off.",
            )  # fmt: skip

    def _row(self, row: TubeRow) -> None:
        name = codes.show(row.code)  # stands in the list of what is wrong; the page has its own column heads
        above = "" if row is self.open_rows[0] else "as above"
        grade = forms.NumberInput({"min": "0", "max": "4", "inputmode": "numeric"})
        self.fields |= {
            f"t_{row.code}": HourField(label=f"{name}, time", placeholder=above),
            f"f_{row.code}": forms.BooleanField(required=False, label=f"{name}, filled"),
            f"ml_{row.code}": Millilitres(label=f"{name}, mL"),
        }
        if row.tube.matrix in BLOOD:
            self.fields[f"g_{row.code}"] = forms.IntegerField(
                required=False, min_value=0, max_value=4, label=f"{name}, haemolysis", widget=grade
            )
        self.fields[f"x_{row.code}"] = LetterField(label=f"{name}, not collected")

    def _source(self) -> None:
        names = {one.short: one.name for one in self.photos}
        self.fields["seen"] = forms.MultipleChoiceField(
            choices=list(names.items()), required=False, label="Photos that this was typed from",
            initial=list(names), widget=forms.CheckboxSelectMultiple,
        )  # fmt: skip
        self.fields["no_photo"] = forms.CharField(
            max_length=90, required=False, label="Why there is no photo",
            help_text="Only when there is none: the sheet was lost, or is not to be photographed.",
        )  # fmt: skip
        if self.is_bound:
            self.fields["keep"] = forms.BooleanField(
                required=False,
                label="Keep it all the same",
                help_text="Only after reading the refusal: it is then recorded and stays an open finding.",
            )

    # --- for the page ---

    def lines(self) -> Iterator[dict[str, Any]]:
        """Each tube in the order of the sheet, with its fields when nothing is known of it yet."""
        parts = {"time": "t", "filled": "f", "ml": "ml", "grade": "g", "letter": "x"}
        for row in self.tube_rows:
            there = {part: f"{short}_{row.code}" for part, short in parts.items()}
            named = {part: self[name] for part, name in there.items() if name in self.fields}
            yield {"row": row, "fields": list(named.values()), **named}

    def clock_fields(self) -> list[Any]:
        return [self[name] for name in self.blanks]

    # --- what was typed ---

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        self.filled: list[Filled] = []
        self.missed: list[Missed] = []
        self.grades: dict[str, int] = {}
        self.clock: dict[str, datetime] = {}
        self.last = timezone.now()
        if said.get("date") is not None and not self.errors:
            self._read(said["date"])
        return said

    def _read(self, day: date) -> None:
        said = self.cleaned_data
        start = self._start(day)
        self.clock = {name: self._on(day, said[name], start) for name in self.blanks if said[name]}
        above: datetime | None = None
        for row in self.open_rows:
            own, ticked, ml, grade, letter = (
                said.get(f"{part}_{row.code}") for part in ("t", "f", "ml", "g", "x")
            )
            is_filled = bool(own or ticked or ml is not None or (said["rest"] and not letter))
            above = self._on(day, own, above or start) if own else above
            if letter and (is_filled or grade is not None):
                self._wrong(
                    f"x_{row.code}", "Filled, or not collected? Clear one of them.", "choice_required"
                )
            elif grade is not None and not is_filled:
                self._wrong(f"f_{row.code}", "A grade is given: tick it as filled.", "choice_required")
            elif letter:
                self.missed.append(Missed(row.code, letter))
            elif is_filled and above is None:
                self._wrong(f"t_{row.code}", "When? There is no row above with a time.", "time_required")
            elif is_filled:
                self.filled.append(Filled(row.code, above, ml))
                self.grades |= {row.code: grade} if grade is not None else {}
        self._ended()
        if any(one.reason == OTHER for one in self.missed) and not said["note"].strip():
            self._wrong(
                "note", "The letter O stands for a reason in words. Write it here.", "reason_required"
            )

    def _ended(self) -> None:
        """The latest time that is known: by then it was clear which tubes were not collected."""
        stands = [getattr(self.tube_set.workup, name, None) for name in Workup.CLOCK]
        times = [*(one.at for one in self.filled), *self.clock.values(), *stands]
        if known := [one for one in times if one is not None]:
            self.last = max(known)
        elif self.missed:
            name = self.blanks[0] if self.blanks else "note"
            self._wrong(name, "Write at least one time of this workup.", "time_required")

    def _start(self, day: date) -> datetime | None:
        """The first time that is known of the workup: what is much earlier was after midnight."""
        for name in Workup.CLOCK:
            if stands := getattr(self.tube_set.workup, name, None):
                return stands
            if typed := self.cleaned_data.get(name):
                return datetime.combine(day, typed, ZoneInfo(self.tz))
        return None

    def _on(self, day: date, hour: time, after: datetime | None) -> datetime:
        when = datetime.combine(day, hour, ZoneInfo(self.tz))
        return when + timedelta(days=1) if after and when < after - HALF_A_DAY else when

    def _wrong(self, name: str, sentence: str, code: str) -> None:
        self.add_error(name, ValidationError(sentence, code))

    def sheet(self) -> Sheet:
        """What was typed."""
        said = self.cleaned_data
        seen = [one for one in self.photos if one.short in said["seen"]]
        return Sheet(
            self.filled, self.missed, self.last, seen, said["no_photo"], said["note"], self.grades,
            self.clock, said.get("workup"), said.get("day"), said.get("why", ""), self.people[said["by"]],
            said.get("keep", False),
        )  # fmt: skip
