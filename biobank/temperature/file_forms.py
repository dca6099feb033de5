"""Forms of a logger's file: which file, answers to what the file does not say, and the whole profile.

Promises: what is typed is kept when it is refused; nothing that the file leaves open is filled in silently.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError

from biobank.models import Logger, LoggerMapping
from biobank.temperature import clock
from biobank.temperature.guess import Question
from biobank.temperature.parse import Asked
from biobank.temperature.profile import (
    DELIMITERS,
    ENCODINGS,
    FIRST,
    IN_FILE,
    NUMBERS,
    SECOND,
    UNITS,
    Mapping,
    words_of,
)
from custody.core.refusal import Refused

DATES = ["%Y-%m-%d", "%Y/%m/%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%d %b %Y"]
CLOCKS = ["%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p"]
EMPTY = "(empty)"
ZONE_HELP = "UTC, a fixed offset such as +01:00, or a zone with summer time such as {tz}."


def formats(also: str = "") -> list[tuple[str, str]]:
    known = [f"{date} {at}" for date in DATES for at in CLOCKS]
    known += ["%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M:%S%z", "%Y-%m-%d %H:%M:%S%z", *NUMBERS]
    known = known if not also or also in known else [also, *known]
    return [(one, words_of(one)) for one in known]


class FileForm(forms.Form):
    """A file, whose it is, and a profile saved before if there is one."""

    logger = forms.ModelChoiceField(
        Logger.objects.filter(retired=False), label="Logger", to_field_name="code"
    )
    file = forms.FileField(
        label="File",
        help_text="The readings as text (CSV) or .xlsx, also packed as .zip or .gz with one table.",
    )
    saved = forms.ModelChoiceField(
        LoggerMapping.objects.all(), label="Profile", required=False, to_field_name="name",
        empty_label="not said: find out from the file", help_text="How it is read, if that was saved before.",
    )  # fmt: skip

    def clean_file(self) -> Any:
        file = self.cleaned_data["file"]
        if file.size > settings.DATA_UPLOAD_MAX_MEMORY_SIZE:
            most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE // 1_000_000
            raise ValidationError(
                f"This file is larger than {most} MB. Pack it as .zip, or export a shorter time.",
                "file_too_large",
            )
        return file


def zone_named(text: str) -> str:
    try:
        clock.zone_of(text)
    except Refused as no:
        raise ValidationError(no.sentence, no.code) from no
    return text.strip()


class AnswerForm(forms.Form):
    """What the file does not say: one field a question, nothing chosen beforehand but the last zone."""

    def __init__(
        self, *args: Any, questions: Iterable[Question] = (), asked: Sequence[Asked] = (), tz: str = "UTC",
        zone: str = "", **kwargs: Any,
    ) -> None:  # fmt: skip
        super().__init__(*args, **kwargs)
        self.questions = [one.name for one in questions]
        for one in questions:
            self.fields[one.name] = self._field(one, tz, zone)
        for stretch in asked:
            self.fields[f"pass_{stretch.line}"] = forms.ChoiceField(
                label=f"{stretch.start:%Y-%m-%d %H:%M} to {stretch.end:%H:%M}, lines {stretch.line} to "
                f"{stretch.to_line}: which pass of the hour?",
                choices=[(FIRST, "first, before the clocks went back"), (SECOND, "second, after it")],
                widget=forms.RadioSelect,
            )

    @staticmethod
    def _field(question: Question, tz: str, zone: str) -> forms.Field:
        if question.options:
            return forms.ChoiceField(
                label=question.sentence, choices=question.options, widget=forms.RadioSelect
            )
        also = " As for this logger's last file." if zone else ""
        return forms.CharField(
            label=question.sentence, max_length=64, initial=zone, help_text=ZONE_HELP.format(tz=tz) + also
        )

    def clean_zone(self) -> str:
        return zone_named(self.cleaned_data["zone"])

    @property
    def answers(self) -> dict[str, str]:
        return {name: self.cleaned_data[name] for name in self.questions}

    @property
    def passes(self) -> tuple[tuple[int, str], ...]:
        said = self.cleaned_data.items()
        return tuple((int(name[5:]), value) for name, value in said if name.startswith("pass_"))


class ReadForm(forms.Form):
    """The whole profile of a file, each part in words."""

    encoding = forms.ChoiceField(label="Written in", choices=ENCODINGS.items())
    delimiter = forms.ChoiceField(label="Columns are parted by", choices=[(d, d) for d in DELIMITERS])
    decimal = forms.ChoiceField(label="Decimal sign", choices=[(".", "point"), (",", "comma")])
    sheet = forms.CharField(
        label="Sheet", required=False, max_length=60, help_text="Of a spreadsheet. Empty: the first."
    )
    header_rows = forms.IntegerField(
        label="Lines before the first reading", min_value=0, max_value=500,
        help_text="The last of them holds the headings.",
    )  # fmt: skip
    header_words = forms.CharField(
        label="Or: the headings stand in the line with these words", required=False, max_length=120,
        help_text="For files whose lines above the table vary in number.",
    )  # fmt: skip
    footer_words = forms.CharField(
        label="The table ends before the line that begins with", required=False, max_length=120,
        help_text="Nothing below it is read. Empty: any such line is an error.",
    )  # fmt: skip
    time_column = forms.CharField(
        label="Time column", max_length=160,
        help_text="Heading or number. Date and time apart: write “Date + Time”.",
    )  # fmt: skip
    time_format = forms.ChoiceField(label="Times look like")
    zone = forms.CharField(label="Times are those of", max_length=64)
    value_column = forms.CharField(label="Temperature column", max_length=80)
    unit = forms.ChoiceField(label="Unit", choices=UNITS.items())
    missing = forms.CharField(
        label="Words for no reading", required=False, max_length=400, widget=forms.Textarea({"rows": 2}),
        help_text=f"One a line; {EMPTY} for an empty cell.",
    )  # fmt: skip
    errors_ = forms.CharField(
        label="Words of a sensor that failed", required=False, max_length=400,
        widget=forms.Textarea({"rows": 2}),
        help_text="As they stand in the file, one a line, such as -127.00. Such moments count as no data.",
    )  # fmt: skip
    serial_words = forms.CharField(
        label="The serial number stands at the * in", required=False, max_length=120,
        help_text="Words of a line above the table, such as “Serial number *”.",
    )  # fmt: skip
    serial_column = forms.CharField(label="Or: in the column", required=False, max_length=80)

    def __init__(self, *args: Any, mapping: Mapping, tz: str = "UTC", **kwargs: Any) -> None:
        kwargs["initial"] = initial_of(mapping) | kwargs.get("initial", {})
        super().__init__(*args, **kwargs)
        self.was = mapping
        self.fields["time_format"].choices = formats(mapping.time_format)  # type: ignore[attr-defined]
        self.fields["zone"].help_text = ZONE_HELP.format(tz=tz) + f" “{IN_FILE}”: each time has its offset."

    def clean_zone(self) -> str:
        return zone_named(self.cleaned_data["zone"])

    def clean_missing(self) -> tuple[str, ...]:
        return _words(self.cleaned_data["missing"])

    def clean_errors_(self) -> tuple[str, ...]:
        return _words(self.cleaned_data["errors_"])

    def clean_serial_words(self) -> str:
        words = str(self.cleaned_data["serial_words"])
        if words and (words.count("*") != 1 or words.strip().startswith("*")):
            raise ValidationError("Write words and one * where the number stands.", "pattern_malformed")
        return words

    @property
    def mapping(self) -> Mapping:
        said = dict(self.cleaned_data)
        said["errors"] = said.pop("errors_")
        fields = {name: value for name, value in said.items() if hasattr(self.was, name)}
        return replace(self.was.general(), **fields)


def _words(text: str) -> tuple[str, ...]:
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return tuple("" if line == EMPTY else line for line in lines)


def initial_of(mapping: Mapping) -> dict[str, Any]:
    said = mapping.spec()
    lines = {
        name: "\n".join(word or EMPTY for word in getattr(mapping, name)) for name in ("missing", "errors")
    }
    return said | {"missing": lines["missing"], "errors_": lines["errors"]}


class ProfileForm(ReadForm):
    """A saved profile: the next version of it, and why."""

    reason = forms.CharField(label="Why it changes", max_length=100)


class NameForm(forms.Form):
    """Keep how this file is read, for others like it."""

    name = forms.CharField(label="Save the profile as", max_length=80)
