"""A whole profile proposed from the bytes of a file alone.

Promises: every proposal says why; what more than one answer fits is asked, never chosen (`Mapping.ask`):
the zone always, unless each time has its offset; the order of day and month, a year of two digits, the unit
and the column of the temperature, where the file does not decide. A proposal is only how to read: reading it
is still strict. No Django, no clock, no disk.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any

from biobank.temperature import guess_times, table
from biobank.temperature.cells import centi_of
from biobank.temperature.guess_shape import NUMBER, SAMPLE, delimiter_of, shape, text_of, time_places
from biobank.temperature.guess_times import Times
from biobank.temperature.profile import IN_FILE, SERIAL_DAYS, UNITS, Mapping
from biobank.temperature.unpack import unpacked
from custody.core.refusal import Refused

MOST_TIMES = 400_000  # times that are all looked at
TEMPERATURE = re.compile(
    r"temp|°|celsius|fahrenheit|kelvin|\bdeg|\bt\b|\bt[ _]?\d\b|\[[cfk]\]|\([cfk]\)", re.IGNORECASE
)
OTHER = re.compile(
    r"humid|\brh\b|%|dew|batt|volt|pressure|count|\bno\b|\bnr\b|record|index|#|signal|limit|alarm",
    re.IGNORECASE,
)
SERIAL = re.compile(
    r"(serial\s*(?:number|num|nr|no)?|s/n|serien(?:nummer|nr)|serienummer"
    r"|num[eé]ro de s[eé]rie|n[uú]mero de serie)[\s.:=#]*",
    re.IGNORECASE,
)
UNIT_WORDS = [
    ("F", re.compile(r"°\s?F\b|fahrenheit|\bdeg\.?\s?F\b", re.IGNORECASE)),
    ("C", re.compile(r"°\s?C\b|celsius|\bdeg\.?\s?C\b", re.IGNORECASE)),
    ("K", re.compile(r"kelvin", re.IGNORECASE)),
]
UNIT_OF_HEADING = re.compile(r"[(\[]\s?([CFK])\s?[)\]]|[ _/]([CFK])\Z")  # not above: (C) is a copyright there
PLAUSIBLE = (-20_500, 9_000)  # hundredths of °C: from liquid nitrogen to a hot car
MOST_FOOTER = 20
ANSWERS = {"zone": "zone", "dates": "time_format", "unit": "unit", "value": "value_column"}
WORD = re.compile(r"[^\d\s][^,;\t]{0,11}\Z|-{2,}\Z|\Z")


@dataclass(frozen=True)
class Said:
    """One proposal and its reason."""

    what: str
    value: str
    why: str


@dataclass(frozen=True)
class Question:
    """What a person must say. options: (value for the answer, words)."""

    name: str
    sentence: str
    options: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Guess:
    mapping: Mapping
    said: tuple[Said, ...]
    questions: tuple[Question, ...]


def answered(mapping: Mapping, name: str, value: str) -> Mapping:
    """The profile with one question answered."""
    left = tuple(one for one in mapping.ask if one != name)
    return replace(mapping, ask=left, **{ANSWERS[name]: value})  # type: ignore[arg-type]


def guess(content: bytes, value_column: str = "") -> Guess:
    """A profile for this file; `value_column` if a person said which it is.

    Refused: `file_kind` when no column of times and numbers is found, and what `table.read` refuses.
    """
    opened = table.read(content, Mapping())
    if opened.encoding == table.SPREADSHEET:
        return _Work("comma", *_best_sheet(content, opened), opened.encoding, value_column).guess()
    delimiter = delimiter_of(table.decoded(unpacked(content))[0])
    lines = list(_lines(content, Mapping(delimiter=delimiter)))
    return _Work(delimiter, "", lines, opened.encoding, value_column).guess()


def _lines(content: bytes, mapping: Mapping) -> Any:
    return islice(table.read(content, mapping).lines, MOST_TIMES)


def _best_sheet(content: bytes, opened: table.Table) -> tuple[str, list[table.Line]]:
    best: tuple[int, str, list[table.Line]] = (0, "", [])
    for name in opened.sheets[:20]:
        lines = list(_lines(content, Mapping(sheet=name)))
        score = shape(lines[:SAMPLE]).score
        if score > best[0]:
            best = score, name, lines
    return best[1], best[2]


class _Work:
    """One file being judged."""

    def __init__(
        self, delimiter: str, sheet: str, lines: list[table.Line], encoding: str, column: str
    ) -> None:
        self.column = column
        self.lines = lines
        self.said: list[Said] = []
        self.questions: list[Question] = []
        self.mapping = Mapping(delimiter=delimiter, sheet=sheet, zone="")
        self.shape = shape(lines[:SAMPLE])
        if not self.shape.score:
            raise Refused("file_kind", "No column of times beside numbers is found in this file.")
        if encoding == table.SPREADSHEET:
            self._say("File", "spreadsheet" + (f", sheet “{sheet}”" if sheet else ""), "It is an XLSX file.")
        else:
            self._say("Encoding", encoding, ENCODED[encoding])
            self._say("Columns parted by", delimiter, "Most lines then have a time and a number.")

    def _say(self, what: str, value: str, why: str, **fields: Any) -> None:
        self.said.append(Said(what, value, why))
        self.mapping = replace(self.mapping, **fields)

    def _ask(self, name: str, sentence: str, options: Sequence[tuple[str, str]] = ()) -> None:
        self.questions.append(Question(name, sentence, tuple(options)))
        self.mapping = replace(self.mapping, ask=(*self.mapping.ask, name))

    def guess(self) -> Guess:
        self._headings()
        self._times()
        self._value()
        self._serial()
        if not self.mapping.offset_in_file:
            self._ask("zone", "Which time does the logger's clock show? A file cannot tell.")
        return Guess(self.mapping, tuple(self.said), tuple(self.questions))

    # --- headings and rows ---

    def _headings(self) -> None:
        self.above = [one for one in self.lines if one[0] < self.shape.start and any(map(text_of, one[1]))]
        rows, heading = self.above[-1] if self.above else (0, [])
        self.heading = [text_of(cell) for cell in heading]
        below = [one for one in self.lines if one[0] >= self.shape.start and any(map(text_of, one[1]))]
        why = "The first time stands below them."
        self._say("Lines before the first reading", str(rows), why, header_rows=rows)
        self._end(below)

    def _end(self, below: list[table.Line]) -> None:
        """A few lines without a time below the last reading are a footer."""
        end = len(below)
        while end and below[end - 1][1] and not time_places(below[end - 1][1]):
            end -= 1
        self.rows = [cells for _, cells in below[:end]]
        words = text_of(below[end][1][0]) if end < len(below) else ""
        if words and len(below) - end <= MOST_FOOTER:
            why = f"{len(below) - end} lines from there on have no time. They are not read."
            self._say("The table ends before", f"“{words[:60]}”", why, footer_words=words[:60])

    def _name(self, place: int) -> str:
        """A column by its heading when that is its own, else by its number."""
        name = self.heading[place] if place < len(self.heading) else ""
        alone = [one.casefold() for one in self.heading].count(name.casefold()) == 1
        usable = name and alone and " + " not in name and not name.isdecimal() and len(name) <= 60
        return name if usable else str(place + 1)

    def _column(self, places: Sequence[int]) -> list[Any]:
        return [[cells[k] for k in places] for cells in self.rows if len(cells) > max(places)]

    # --- times ---

    def _times(self) -> None:
        names = " + ".join(self._name(place) for place in self.shape.times)
        self._say("Time column", names, "It holds times.", time_column=names)
        cells = self._column(self.shape.times)
        texts = [
            " ".join(one.strip() for one in row) for row in cells if all(type(one) is str for one in row)
        ]
        if self.shape.serial_days:
            why = (
                "Numbers such as "
                + str(cells[0][0])[:20]
                + " are days since 30 Dec 1899, as spreadsheets count."
            )
            self._say("Times look like", "a number of days", why, time_format=SERIAL_DAYS)
        elif len(texts) < 0.5 * len(cells):
            self._say("Times look like", "dates of the spreadsheet", "The cells are dates, not texts.")
        else:
            self._written(guess_times.judge(texts), texts[0] if texts else "")

    def _written(self, times: Times | None, example: str) -> None:
        if times is None:
            raise Refused(
                "file_kind", f"Times such as “{example[:40]}” are written in a way that is not known."
            )
        self._say("Times look like", example, times.reason, time_format=times.ways[0].time_format)
        if times.asked:
            options = [
                (way.time_format, f"{guess_times.ORDERS[way.order]}: {way.words}") for way in times.ways
            ]
            self._ask("dates", f"{times.reason} Which is right?", options)
        if "%z" in times.ways[0].time_format:
            self._say("Zone", "written beside each time", "Each time has its offset.", zone=IN_FILE)

    # --- values ---

    def _value(self) -> None:
        if self.column:
            place = next((k for k in self.shape.numbers if self._name(k) == self.column), -1)
            if place < 0:
                raise Refused("file_kind", f"The column “{self.column}” holds no numbers.")
            self._say("Temperature column", self.column, "You said so.", value_column=self.column)
            return self._values(place)
        left = [k for k in self.shape.numbers if not OTHER.search(self._heading_of(k))]
        left = [k for k in left if not self._counts(k)] or list(self.shape.numbers)
        named = [k for k in left if TEMPERATURE.search(self._heading_of(k))]
        if len(named) == 1 or len(left) == 1:
            place = named[0] if len(named) == 1 else left[0]
            why = "Its heading says so." if named == [place] else "It is the only column of numbers left."
            self._say("Temperature column", self._name(place), why, value_column=self._name(place))
            return self._values(place)
        options = [(self._name(k), f"{self._name(k)}: {self._first(k)}") for k in named or left]
        self._ask("value", "Which column holds the temperature?", options)  # its unit is asked afterwards

    def _values(self, place: int) -> None:
        texts = [str(row[0]).strip() for row in self._column([place])]
        self._decimal(texts)
        self._missing(texts)
        self._unit(place, texts)

    def _heading_of(self, place: int) -> str:
        return self.heading[place] if place < len(self.heading) else ""

    def _first(self, place: int) -> str:
        return ", ".join(str(row[0]) for row in self._column([place])[:3])

    def _counts(self, place: int) -> bool:
        """A column that counts rows: 1, 2, 3."""
        texts = [str(row[0]).strip() for row in self._column([place])[:50]]
        if len(texts) < 3 or not all(text.isdecimal() for text in texts):
            return False
        numbers = [int(text) for text in texts]
        return numbers == list(range(numbers[0], numbers[0] + len(numbers)))

    def _decimal(self, texts: Sequence[str]) -> None:
        commas = sum("," in text for text in texts)
        points = sum("." in text for text in texts)
        if commas and points:
            many, few = max(commas, points), min(commas, points)
            why = f"{many:,} values have it, {few:,} the other sign. Those are refused."
        else:
            why = (
                "Every value with a part has it."
                if commas or points
                else "No value has a part; nothing depends on it."
            )
        sign = "," if commas > points else "."
        self._say("Decimal sign", "comma" if sign == "," else "point", why, decimal=sign)

    def _missing(self, texts: Sequence[str]) -> None:
        words = Counter(text for text in texts if not NUMBER.match(text) and WORD.match(text))
        few = sorted(word for word, count in words.items() if count <= 0.5 * len(texts))
        if 0 < len(few) <= 3:
            shown = ", ".join(f"“{word}”" if word else "an empty cell" for word in few)
            self._say("No reading", shown, "These stand where numbers should.", missing=tuple(few))

    def _unit(self, place: int, texts: Sequence[str]) -> None:
        for words, where in (
            (self._heading_of(place), "The heading says so."),
            (self._foreword(), "A line above says so."),
        ):
            units = [unit for unit, pattern in UNIT_WORDS if pattern.search(words)]
            if not units and (letter := UNIT_OF_HEADING.search(self._heading_of(place))):
                units = [letter[1] or letter[2]]
            if len(units) == 1:
                return self._say("Unit", UNITS[units[0]], where, unit=units[0])
        numbers = {text for text in texts if NUMBER.match(text)}
        able = [unit for unit in UNITS if self._plausible(numbers, unit)]
        if len(able) == 1:
            why = (
                "In any other unit the values are none that a store or a trip can have. Look at the picture."
            )
            return self._say("Unit", UNITS[able[0]], why, unit=able[0])
        able = able or list(UNITS)
        self.mapping = replace(self.mapping, unit=able[0])
        options = [(unit, f"{UNITS[unit]}: {self._range(numbers, unit)}") for unit in able]
        self._ask("unit", "In which unit are the temperatures? The file does not say.", options)

    def _foreword(self) -> str:
        return "\n".join(" ".join(str(cell) for cell in cells) for _, cells in self.above)

    def _centi(self, numbers: set[str], unit: str) -> list[int]:
        sign = self.mapping.decimal
        fit = [
            text
            for text in numbers
            if not ("," in text and sign == ".") and not ("." in text and sign == ",")
        ]
        return sorted(centi_of(text, unit, sign) for text in fit)

    def _plausible(self, numbers: set[str], unit: str) -> bool:
        centi = self._centi(numbers, unit)
        return bool(centi) and centi[0] >= PLAUSIBLE[0] and centi[-1] <= PLAUSIBLE[1]

    def _range(self, numbers: set[str], unit: str) -> str:
        centi = self._centi(numbers, unit)
        return f"{centi[0] / 100:.1f} to {centi[-1] / 100:.1f} °C".replace("-", "−") if centi else ""

    # --- serial number ---

    def _serial(self) -> None:
        for place, name in enumerate(self.heading):
            if SERIAL.match(name):
                return self._say(
                    "Serial number", f"column {name}", "Its heading says so.", serial_column=self._name(place)
                )
        for _, cells in self.above:
            found = SERIAL.search("\t".join(str(cell).strip() for cell in cells))
            if found:
                words = found[1].strip() + " *"
                return self._say(
                    "Serial number", words, "A line above the table has it at the *.", serial_words=words
                )


ENCODED = {
    "utf-8": "All its bytes are UTF-8.",
    "utf-16": "Its mark, or every second byte, says so.",
    "cp1252": "It is not UTF-8; °, é and the like stand as in Windows.",
}
