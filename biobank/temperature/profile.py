"""A file profile: how one kind of logger file is read, as data.

Promises: everything that changes what a file means stands here and is kept with each file; an older profile
with fewer fields reads as it did. Patterns are words, not programs: a person can read them, and no text can
make them run for long. No Django, no clock, no disk.
"""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass, replace
from datetime import datetime

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "pipe": "|", "spaces": " "}
ENCODINGS = {"auto": "found out", "utf-8": "UTF-8", "utf-16": "UTF-16", "cp1252": "Windows 1252",
             "latin-1": "ISO 8859-1"}  # fmt: skip
UNITS = {"C": "°C", "F": "°F", "K": "K"}
IN_FILE = "file"  # the zone of a file that writes the offset beside each time
SERIAL_DAYS, UNIX, UNIX_MS = "serial", "unix", "unix_ms"  # formats of times that are numbers
EXAMPLE = datetime(2026, 5, 3, 9, 12, 30)
NUMBERS = {
    SERIAL_DAYS: "46145.38368 (days, as a spreadsheet counts)",
    UNIX: "1777799550 (seconds since 1970, UTC)",
    UNIX_MS: "1777799550000 (ms since 1970, UTC)",
}
FIRST, SECOND = "first", "second"  # the two passes of an hour that occurs twice
LISTS = ("missing", "errors", "ask", "passes")
OF_ONE_FILE = {"ask": (), "passes": ()}  # said of one file, never part of a saved profile
LONGEST = 2_000  # characters of a line in which words are looked for
SEPARATORS = r"[\s:=#.\"']*"


@dataclass(frozen=True)
class Mapping:
    """How a kind of file is read. Columns are named by their heading or by number (first is 1).

    time_column   one column, or two joined by ` + ` (date + time)
    time_format   as in strptime; several joined by ` | `, any one of which must fit; or `serial` (days
                  since 30 Dec 1899, as spreadsheets count), `unix`, `unix_ms` (since 1970, UTC)
    zone          `UTC`, an offset such as `+01:00`, an IANA zone, or `file`: each time has its offset (%z)
    unit          C, F or K; decimal `.` or `,`
    encoding      `auto`: by its mark, else UTF-8, else Windows 1252; any other must fit
    header_rows   lines before the first reading; the last of them holds the headings
    header_words  if set, the line that holds these words has the headings, whatever its number
    footer_words  if set, the table ends before the line that begins with these words
    missing       words for no reading ("" is an empty cell); errors: those of a sensor that failed
    serial_words  where the serial number stands above the table: `*` in these words; or serial_column
    sheet         of a spreadsheet; empty is the first
    ask           questions a person has not answered yet: the file cannot be read before
    passes        (line, first or second): answers for stretches of an hour that occurs twice, this file only
    version       of the saved profile
    """

    time_column: str = "1"
    value_column: str = "2"
    time_format: str = "%Y-%m-%d %H:%M:%S"
    zone: str = "UTC"
    unit: str = "C"
    delimiter: str = "comma"
    decimal: str = "."
    header_rows: int = 1
    missing: tuple[str, ...] = ()
    encoding: str = "auto"
    header_words: str = ""
    footer_words: str = ""
    errors: tuple[str, ...] = ()
    serial_words: str = ""
    serial_column: str = ""
    sheet: str = ""
    ask: tuple[str, ...] = ()
    passes: tuple[tuple[int, str], ...] = ()
    version: int = 1

    @classmethod
    def of(cls, spec: dict[str, object]) -> Mapping:
        said = {**spec, **{name: tuple(spec.get(name) or ()) for name in LISTS}}  # type: ignore[arg-type]
        said["passes"] = tuple((int(line), str(which)) for line, which in said["passes"])  # type: ignore[attr-defined]
        return cls(**said)  # type: ignore[arg-type]

    def spec(self) -> dict[str, object]:
        lists = {name: [*getattr(self, name)] for name in LISTS}
        return {**asdict(self), **lists, "passes": [list(one) for one in self.passes]}

    def general(self) -> Mapping:
        """Without what was said of one file only."""
        return replace(self, **OF_ONE_FILE)  # type: ignore[arg-type]

    def same_as(self, other: Mapping) -> bool:
        """The two read every file alike, whatever their version."""
        return replace(self.general(), version=1) == replace(other.general(), version=1)

    @property
    def offset_in_file(self) -> bool:
        return self.zone == IN_FILE or "%z" in self.time_format or self.time_format in (UNIX, UNIX_MS)


def words_of(time_format: str) -> str:
    """What a time written like this looks like, and which comes first where that is in doubt."""
    if time_format in NUMBERS:
        return NUMBERS[time_format]
    first = time_format.split(" | ")[0]
    shown = EXAMPLE.strftime(first.replace("%z", "+02:00").replace("%f", "500"))
    order = {"%d": " (day first)", "%m": " (month first)", "%y": " (year first)"}
    doubt = first[:2] in order and "%b" not in first and "%B" not in first
    return shown + (order[first[:2]] if doubt else "")


def _literal(words: str) -> str:
    """Words with anything that parts words between them. No word holds a separator, so that no text can be
    matched in more than one way and no search runs for long."""
    return SEPARATORS.join(re.escape(word) for word in re.split(SEPARATORS[:-1] + "+", words) if word)


def holds(words: str, line: str) -> bool:
    """Whether the line (cells joined by tabs) holds these words in this order, whatever the capitals."""
    wanted = _literal(words)
    return bool(wanted and re.search(wanted, line[:LONGEST], re.IGNORECASE))


def begins(words: str, line: str) -> bool:
    """Whether the line begins with these words, whatever the capitals."""
    wanted = _literal(words)
    return bool(wanted and re.match(SEPARATORS + wanted, line[:LONGEST], re.IGNORECASE))


def caught(words: str, line: str) -> str:
    """What stands at the `*` of the words in this line; empty when the line does not hold them."""
    before, _, after = (_literal(part) for part in words.partition("*"))
    if not before:
        return ""
    end = r"\s*" + after if after else r"\s*(?:\t|$)"
    found = re.search(before + SEPARATORS + r"([^\t]{1,60}?)" + end, line[:LONGEST], re.IGNORECASE)
    return found[1].strip(" \"'") if found else ""


def normal_serial(text: str) -> str:
    """A serial number for comparing: capitals and spaces do not count; leading zeros do."""
    return "".join(text.split()).casefold()
